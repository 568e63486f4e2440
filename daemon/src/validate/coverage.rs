//! A snapshot of coverage: how often the interval of a budget holds an error drawn as its components say.

use super::{Check, Group};
use calibration::uncertainty::gum::{Counted, Shape, Uniforms};
use calibration::uncertainty::{
    Budget, Component, ComponentSource, Distribution, Measurand, UncertaintyError,
};

/// Draws: the standard deviation of a coverage of 95.45 % is then 0.1 %.
const DRAWS: u32 = 40_000;
/// Half a percent: five standard deviations, and what the sum's distribution departs from a normal one.
const ALLOWED: f64 = 0.005;
const FORESEEN: f64 = 0.954_5;

pub(super) fn group() -> Group {
    let cases = [
        (
            "normal components",
            Measurand::Phase,
            vec![(Distribution::Normal { k: 2.0 }, 0.006), (Distribution::TypeA, 0.002)],
        ),
        (
            "a comparison",
            Measurand::Magnitude,
            vec![
                (Distribution::Normal { k: 2.0 }, 0.005),
                (Distribution::Rectangular, 0.002),
                (Distribution::Rectangular, 0.001),
                (Distribution::Arcsine, 0.0005),
                (Distribution::TypeA, 0.0006),
            ],
        ),
        (
            "one rectangular component that dominates, stated by simulation",
            Measurand::Phase,
            vec![(Distribution::Rectangular, 0.01), (Distribution::Normal { k: 2.0 }, 0.002)],
        ),
    ];
    let check = |(n, (name, measurand, parts)): (usize, (&str, Measurand, Vec<_>))| {
        let found = covered(measurand, &parts, n as u64 + 1);
        Check {
            what: format!("coverage, {name}"),
            expected: format!("{FORESEEN} ± {ALLOWED}"),
            found: found.as_ref().map_or_else(ToString::to_string, |c| format!("{c:.5}")),
            source: format!("{DRAWS} draws, seed {}", n + 1),
            passed: found.is_ok_and(|c| (c - FORESEEN).abs() <= ALLOWED),
        }
    };
    Group {
        name: "Coverage of stated intervals".to_owned(),
        about: "Errors are drawn component by component, without the code that combines them. This shows the arithmetic of a \
                budget, not that it lists what it must."
            .to_owned(),
        checks: cases.into_iter().enumerate().map(check).collect(),
    }
}

fn covered(measurand: Measurand, parts: &[(Distribution, f64)], seed: u64) -> Result<f64, UncertaintyError> {
    let component = |(n, (distribution, stated)): (usize, &(Distribution, f64))| {
        Component::new(format!("component {}", n + 1), ComponentSource::RigFile, *distribution, *stated)
    };
    let components: Vec<Component> = parts.iter().enumerate().map(component).collect::<Result<_, _>>()?;
    let expanded = Budget::new(measurand, components.clone())?.confirmed(seed)?.combined().expanded;
    let mut chance = Counted::new(seed.wrapping_mul(1009));
    let mut within = 0_u32;
    for _ in 0..DRAWS {
        let errors = components.iter().map(|c| shape(c).quantile(chance.next_uniform()));
        let error = match measurand {
            Measurand::Magnitude => errors.map(|e| 1.0 + e).product::<f64>() - 1.0,
            Measurand::Phase => errors.sum(),
        };
        within += u32::from(error.abs() <= expanded);
    }
    Ok(f64::from(within) / f64::from(DRAWS))
}

fn shape(component: &Component) -> Shape {
    let half_width = component.stated();
    match component.distribution() {
        Distribution::Rectangular => Shape::Rectangular { half_width },
        Distribution::Triangular => Shape::Triangular { half_width },
        Distribution::Arcsine => Shape::Arcsine { half_width },
        Distribution::Normal { .. } | Distribution::TypeA | Distribution::Transverse => {
            Shape::Normal { standard: component.standard() }
        }
    }
}
