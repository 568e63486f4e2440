//! Derivatives, correlations and simulation against what is known in closed form.

use super::*;
use proptest::prelude::*;

struct Everything;

impl Model for Everything {
    fn results<N: Number>(&self, x: &[N]) -> Vec<N> {
        vec![
            x[0].sin() * x[1].exp() / (x[0].cos().plus(3.0)) + (x[0] * x[0]).plus(1.0).sqrt().ln()
                - x[1].atan().powi(3),
        ]
    }
}

struct Line(Vec<f64>);

impl Model for Line {
    fn results<N: Number>(&self, x: &[N]) -> Vec<N> {
        vec![x.iter().zip(&self.0).fold(N::constant(0.0), |sum, (&x, &c)| sum + x.times(c))]
    }
}

fn normal(name: &str, value: f64, standard: f64) -> Input {
    Input::new(name, value, Shape::Normal { standard }).unwrap()
}

#[test]
fn derivatives_are_those_of_differences() {
    let (x, y, h) = (0.7, -0.4, 1e-5);
    let at = |x: f64, y: f64| Everything.results(&[x, y])[0];
    let inputs = Inputs::independent(vec![normal("x", x, 1.0), normal("y", y, 1.0)]).unwrap();
    let found = propagate(&Everything, &inputs).unwrap();
    let differences = [(at(x + h, y) - at(x - h, y)) / (2.0 * h), (at(x, y + h) - at(x, y - h)) / (2.0 * h)];
    for (n, d) in differences.into_iter().enumerate() {
        assert!((found.sensitivities[(0, n)] - d).abs() < 1e-9);
    }
}

/// f = x y² about (2, 3): with independent normal inputs the variance is known in full,
/// `f = x y²`: E f² − (E f)² from the moments of a normal quantity; second order leaves out u⁶ only.
#[test]
fn second_order_is_the_moments_but_for_the_highest() {
    struct Product;
    impl Model for Product {
        fn results<N: Number>(&self, x: &[N]) -> Vec<N> {
            vec![x[0] * x[1] * x[1]]
        }
    }
    let (x, u, y, v) = (2.0_f64, 0.1_f64, 3.0_f64, 0.2_f64);
    let inputs = Inputs::independent(vec![normal("x", x, u), normal("y", y, v)]).unwrap();
    let second = second_order(&Product, &inputs, 0).unwrap().powi(2);
    let fourth = y.powi(4) + 6.0 * y * y * v * v + 3.0 * v.powi(4);
    let exact = (x * x + u * u) * fourth - (x * (y * y + v * v)).powi(2);
    let highest = 3.0 * u * u * v.powi(4);
    assert!((second + highest - exact).abs() < 1e-10, "{second} {exact}");
}

#[test]
fn a_matrix_that_is_none_is_refused() {
    let new = |rows: &[&[f64]]| Correlations::new(&rows.iter().map(|r| r.to_vec()).collect::<Vec<_>>());
    let says = |rows: &[&[f64]]| new(rows).unwrap_err().to_string();
    assert!(new(&[&[1.0, 1.0], &[1.0, 1.0]]).is_ok(), "singular is allowed");
    assert!(Correlations::new(&[]).is_ok());
    let refusals = [
        says(&[&[1.0, 0.5], &[0.4, 1.0]]),
        says(&[&[1.0, 1.5], &[1.5, 1.0]]),
        says(&[&[0.9, 0.0], &[0.0, 1.0]]),
        says(&[&[1.0, f64::NAN], &[0.0, 1.0]]),
        says(&[&[1.0], &[0.0, 1.0]]),
        says(&[&[1.0, 0.9, -0.9], &[0.9, 1.0, 0.9], &[-0.9, 0.9, 1.0]]),
        Correlations::of_pairs(2, &[(0, 2, 0.5)]).unwrap_err().to_string(),
    ];
    insta::assert_snapshot!(refusals.join("\n"));
}

#[test]
fn inputs_that_are_none_are_refused() {
    for bad in [f64::NAN, f64::INFINITY] {
        assert!(Input::new("x", bad, Shape::Normal { standard: 1.0 }).is_err());
        assert!(Input::new("x", 0.0, Shape::Rectangular { half_width: bad }).is_err());
    }
    assert!(Input::new("x", 0.0, Shape::Triangular { half_width: -1.0 }).is_err());
    assert!(Input::new("x", 0.0, Shape::Student { scale: 1.0, dof: 0.5 }).is_err());
    assert!(normal("x", 0.0, 1.0).with_dof(f64::NAN).is_err());
    assert!(Inputs::independent(vec![normal("x", 0.0, 1.0), normal("x", 1.0, 1.0)]).is_err());
    assert!(Inputs::new(vec![normal("x", 0.0, 1.0)], Correlations::independent(2)).is_err());
    let root = |value, standard| {
        struct Root;
        impl Model for Root {
            fn results<N: Number>(&self, x: &[N]) -> Vec<N> {
                vec![x[0].sqrt()]
            }
        }
        propagate(&Root, &Inputs::independent(vec![normal("x", value, standard)]).unwrap())
    };
    assert!(matches!(root(-1.0, 1.0), Err(GumError::Model { by: None, .. })));
    assert!(matches!(root(0.0, 1.0), Err(GumError::Model { by: Some(_), .. })));
    assert!(root(0.0, 0.0).is_ok() && root(4.0, 1.0).is_ok());
}

/// Correlated inputs make one part: of simultaneous observations n − 1, of unequal ones the smaller.
#[test]
fn correlated_inputs_make_one_part() {
    let with = |a, b, c| {
        let inputs =
            [("a", a), ("b", b), ("c", c)].map(|(name, dof)| normal(name, 0.0, 1.0).with_dof(dof).unwrap());
        let correlations = Correlations::of_pairs(3, &[(0, 1, 0.5)]).unwrap();
        let found =
            propagate(&Line(vec![1.0; 3]), &Inputs::new(inputs.into(), correlations).unwrap()).unwrap();
        assert!((found.standard(0) - 2.0).abs() < 1e-12);
        found.dof[0]
    };
    assert!((with(4.0, 4.0, f64::INFINITY) - 16.0 / (9.0 / 4.0)).abs() < 1e-12);
    assert!((with(4.0, 9.0, 10.0) - 16.0 / (9.0 / 4.0 + 1.0 / 10.0)).abs() < 1e-12);
}

/// JCGM 101, 7.9.2, examples from memory: 0.00035 to two digits has 5e-6, 2 to one digit 0.5.
#[test]
fn tolerances_of_jcgm_101() {
    for (u, digits, expected) in [
        (0.000_35, 2, 5e-6),
        (2.0, 1, 0.5),
        (2.0, 2, 0.05),
        (0.0754, 1, 0.005),
        (9.96, 2, 0.5),
        (0.0, 2, 0.0),
    ] {
        assert!((tolerance(u, digits) - expected).abs() < 1e-12, "{u}: {}", tolerance(u, digits));
    }
}

/// Each shape drawn alone: its standard deviation, and the half-width of the interval of 95 % in closed form.
#[test]
fn shapes_are_drawn_as_they_are() {
    let p: f64 = 0.95;
    let shapes = [
        (Shape::Normal { standard: 2.0 }, 2.0, 2.0 * 1.959_963_984_540_054),
        (Shape::Rectangular { half_width: 3.0 }, 3.0_f64.sqrt(), 3.0 * p),
        (Shape::Triangular { half_width: 3.0 }, 1.5_f64.sqrt(), 3.0 * (1.0 - (1.0 - p).sqrt())),
        (Shape::Arcsine { half_width: 3.0 }, 4.5_f64.sqrt(), 3.0 * (std::f64::consts::FRAC_PI_2 * p).sin()),
        (Shape::Student { scale: 2.0, dof: 10.0 }, 2.0 * 1.25_f64.sqrt(), 2.0 * 2.228_138_851_964_938_7),
    ];
    for (shape, deviation, half) in shapes {
        let inputs = Inputs::independent(vec![Input::new("x", 1.0, shape).unwrap()]).unwrap();
        let how = Simulation { coverage: p, ..Simulation::default() };
        let found = simulate(&Line(vec![1.0]), &inputs, 0, &how, &mut Counted::new(3)).unwrap();
        let within = tolerance(deviation, 2);
        assert!(found.steady, "{shape:?}");
        assert!(
            (found.mean - 1.0).abs() < within && (found.standard - deviation).abs() < within,
            "{shape:?} {found:?}"
        );
        assert!((found.symmetric.half_width() - half).abs() < within, "{shape:?} {found:?}");
        assert!(found.shortest.half_width() <= found.symmetric.half_width());
    }
}

/// Correlated normal inputs, one of which follows from another: the same as to first order, which is exact here.
#[test]
fn correlated_inputs_are_drawn_together() {
    let inputs = vec![normal("a", 1.0, 1.0), normal("b", 2.0, 2.0), normal("c", 0.0, 1.0)];
    let correlations = Correlations::of_pairs(3, &[(0, 1, -1.0), (0, 2, 0.3), (1, 2, -0.3)]).unwrap();
    let inputs = Inputs::new(inputs, correlations).unwrap();
    let model = Line(vec![1.0, 1.0, 2.0]);
    let first = propagate(&model, &inputs).unwrap();
    let found = compare(&model, &inputs, &first, 0, &Simulation::default(), &mut Counted::new(1)).unwrap();
    assert!(found.confirmed(), "{found:?}");
    assert_eq!(found.reported(), found.framework);
}

#[test]
fn a_simulation_depends_on_its_stream_alone_and_ends() {
    let inputs = Inputs::independent(vec![normal("a", 0.0, 1.0)]).unwrap();
    let run = |seed| {
        let how = Simulation { trials_max: 40_000, tightness: 0.05, ..Simulation::default() };
        simulate(&Line(vec![1.0]), &inputs, 0, &how, &mut Counted::new(seed)).unwrap()
    };
    assert_eq!(run(5), run(5));
    assert!(run(5).mean.to_bits() != run(6).mean.to_bits());
    assert!(!run(5).steady && run(5).trials == 40_000);
    for how in [
        Simulation { coverage: 1.0, ..Simulation::default() },
        Simulation { digits: 0, ..Simulation::default() },
        Simulation { trials_max: 100, ..Simulation::default() },
    ] {
        assert!(simulate(&Line(vec![1.0]), &inputs, 0, &how, &mut Counted::new(1)).is_err());
    }
}

proptest! {
    /// A linear model: `U = c·U_x·cᵀ`, never negative, whatever the (valid) correlation.
    #[test]
    fn linear_models_are_exact(c in prop::collection::vec(-5.0..5.0_f64, 2), r in -1.0..=1.0_f64, u in 0.0..3.0_f64) {
        let inputs = vec![normal("a", 1.0, u), normal("b", 2.0, 1.0)];
        let inputs = Inputs::new(inputs, Correlations::of_pairs(2, &[(0, 1, r)]).unwrap()).unwrap();
        let found = propagate(&Line(c.clone()), &inputs).unwrap();
        let expected = (c[0] * u).powi(2) + c[1].powi(2) + 2.0 * c[0] * c[1] * r * u;
        prop_assert!((found.covariance[(0, 0)] - expected).abs() < 1e-9);
        prop_assert!(found.standard(0) >= 0.0);
    }
}
