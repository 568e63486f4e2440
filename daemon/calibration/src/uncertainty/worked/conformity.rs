//! JCGM 106: probabilities of conformity, and the one-sided quantiles behind guard bands.

use super::{Check, Mark};
use crate::uncertainty::gum::normal_quantile;
use crate::uncertainty::within_limits;

const MEMORY: Mark = Mark::FromMemory;

pub(super) fn checks() -> Vec<Check> {
    let normal = f64::INFINITY;
    let diode = within_limits(-5.47, 0.05, normal, f64::NEG_INFINITY, -5.40);
    let oil = within_limits(13.6, 1.8, normal, 12.5, 16.3);
    let probability = "probability of conformity";
    let mut all = vec![
        Check::new(
            "JCGM 106, breakdown voltage of a diode",
            probability,
            "0.92",
            diode.unwrap_or(f64::NAN),
            MEMORY,
        ),
        Check::new("JCGM 106, viscosity of an oil", probability, "0.66", oil.unwrap_or(f64::NAN), MEMORY),
    ];
    let quantiles = [(0.80, "0.84"), (0.90, "1.28"), (0.95, "1.64"), (0.99, "2.33"), (0.999, "3.09")];
    all.extend(quantiles.map(|(p, printed)| {
        Check::new("JCGM 106, one-sided quantiles", format!("p = {p}"), printed, normal_quantile(p), MEMORY)
            .within(if printed == "1.64" { 0.005 } else { super::half_unit(printed) })
    }));
    all
}
