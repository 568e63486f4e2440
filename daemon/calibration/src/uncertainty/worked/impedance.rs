//! GUM H.2: resistance, reactance and impedance from five simultaneous sets of voltage, current and phase angle.

use super::{Check, Mark};
use crate::uncertainty::gum::{
    Correlations, GumError, Input, Inputs, Model, Number, Propagated, Shape, propagate,
};

const RAW: &str = "GUM H.2, impedance from the raw data";
const ROUNDED: &str = "GUM H.2, impedance from rounded correlations";
const SECOND: &str = "GUM H.2, impedance by each set (approach 2)";
const SOURCED: Mark = Mark::Sourced("GTC's test_type_a.py, \"Comparing with the numbers in the GUM\"");
const PRINTED: Mark = Mark::Sourced("output of GTC's example GUM_H2.py");
const NUMPY: Mark = Mark::Recomputed("numpy 2.4");

const SETS: f64 = 5.0;
/// V, A, rad.
const DATA: [[f64; 3]; 5] = [
    [5.007, 19.663e-3, 1.0456],
    [4.994, 19.639e-3, 1.0438],
    [5.005, 19.640e-3, 1.0468],
    [4.990, 19.685e-3, 1.0428],
    [4.999, 19.678e-3, 1.0433],
];

/// `R = V cos φ / I`, `X = V sin φ / I`, `Z = V / I`.
struct Impedance;

impl Model for Impedance {
    fn results<N: Number>(&self, inputs: &[N]) -> Vec<N> {
        let &[voltage, current, angle] = inputs else { return Vec::new() };
        let size = voltage / current;
        vec![size * angle.cos(), size * angle.sin(), size]
    }
}

/// Means with the covariances of the means.
fn statistics(data: &[[f64; 3]; 5]) -> ([f64; 3], [[f64; 3]; 3]) {
    let mean = [0, 1, 2].map(|n| data.iter().map(|row| row[n]).sum::<f64>() / SETS);
    let covariance = [0, 1, 2].map(|a| {
        [0, 1, 2].map(|b| {
            let sum: f64 = data.iter().map(|row| (row[a] - mean[a]) * (row[b] - mean[b])).sum();
            sum / (SETS - 1.0) / SETS
        })
    });
    (mean, covariance)
}

fn propagated(mean: [f64; 3], standard: [f64; 3], r: [f64; 3]) -> Result<Propagated, GumError> {
    let inputs = (["voltage", "current", "phase angle"].into_iter().zip(mean).zip(standard))
        .map(|((name, value), standard)| {
            Input::new(name, value, Shape::Normal { standard })?.with_dof(SETS - 1.0)
        })
        .collect::<Result<_, _>>()?;
    let correlations = Correlations::of_pairs(3, &[(0, 1, r[0]), (0, 2, r[1]), (1, 2, r[2])])?;
    propagate(&Impedance, &Inputs::new(inputs, correlations)?)
}

pub(super) fn checks() -> Result<Vec<Check>, GumError> {
    let (mean, c) = statistics(&DATA);
    let standard = [0, 1, 2].map(|n| c[n][n].sqrt());
    let r = [(0, 1), (0, 2), (1, 2)].map(|(a, b)| c[a][b] / (standard[a] * standard[b]));
    let raw = propagated(mean, standard, r)?;
    let rounded =
        propagated([4.9990, 19.6610e-3, 1.044_46], [0.0032, 0.0095e-3, 0.000_75], [-0.36, 0.86, -0.65])?;
    let mut all: Vec<Check> = [
        ("r(V, I)", "-0.36", r[0]),
        ("r(V, φ)", "0.86", r[1]),
        ("r(I, φ)", "-0.65", r[2]),
        ("R in Ω", "127.732", raw.values[0]),
        ("X in Ω", "219.847", raw.values[1]),
        ("Z in Ω", "254.260", raw.values[2]),
        ("u(R) in Ω", "0.071", raw.standard(0)),
        ("u(Z) in Ω", "0.236", raw.standard(2)),
        ("r(R, X)", "-0.588", raw.correlation(0, 1)),
        ("r(R, Z)", "-0.485", raw.correlation(0, 2)),
        ("r(X, Z)", "0.993", raw.correlation(1, 2)),
    ]
    .map(|(quantity, published, found)| Check::new(RAW, quantity, published, found, SOURCED))
    .into();
    // The print has 0.295 for u(X), which is what its second approach gives; the first gives 0.2956.
    all.push(Check::new(RAW, "u(X) in Ω", "0.295582", raw.standard(1), NUMPY));
    all.push(Check::new(
        RAW,
        "degrees of freedom of R",
        "4",
        raw.dof[0],
        Mark::Recomputed("n − 1, elementary"),
    ));
    let others = [
        ("R in Ω", "127.732", rounded.values[0]),
        ("X in Ω", "219.85", rounded.values[1]),
        ("Z in Ω", "254.26", rounded.values[2]),
        ("u(R) in Ω", "0.070", rounded.standard(0)),
        ("u(X) in Ω", "0.30", rounded.standard(1)),
        ("u(Z) in Ω", "0.24", rounded.standard(2)),
        ("r(R, X)", "-0.59", rounded.correlation(0, 1)),
        ("r(R, Z)", "-0.49", rounded.correlation(0, 2)),
        ("r(X, Z)", "0.99", rounded.correlation(1, 2)),
    ];
    all.extend(
        others.map(|(quantity, published, found)| Check::new(ROUNDED, quantity, published, found, PRINTED)),
    );
    let sets = DATA.map(|[voltage, current, angle]| {
        let size = voltage / current;
        [size * angle.cos(), size * angle.sin(), size]
    });
    let (mean, c) = statistics(&sets);
    let each = [
        ("R in Ω", "127.732", mean[0]),
        ("X in Ω", "219.847", mean[1]),
        ("Z in Ω", "254.260", mean[2]),
        ("u(R) in Ω", "0.071", c[0][0].sqrt()),
        ("u(X) in Ω", "0.295", c[1][1].sqrt()),
        ("u(Z) in Ω", "0.236", c[2][2].sqrt()),
    ];
    all.extend(
        each.map(|(quantity, published, found)| Check::new(SECOND, quantity, published, found, SOURCED)),
    );
    Ok(all)
}
