//! GUM H.1: an end gauge against a standard, in nm and °C.

use super::{Check, Mark};
use crate::uncertainty::coverage_factor_at;
use crate::uncertainty::gum::{GumError, Input, Inputs, Model, Number, Shape, propagate, second_order};

const NAME: &str = "GUM H.1, end gauge";
const SOURCED: Mark =
    Mark::Sourced("GTC's example GUM_H1.py, Measurement Standards Laboratory of New Zealand");
const GTC: Mark = Mark::Recomputed("GTC 1.5.1");

/// `l = l_s + d − l_s (δα θ + α_s δθ)`, d and θ of three and two parts.
struct EndGauge;

impl Model for EndGauge {
    fn results<N: Number>(&self, inputs: &[N]) -> Vec<N> {
        let &[l_s, d0, d1, d2, alpha, theta_mean, theta_swing, dalpha, dtheta] = inputs else {
            return Vec::new();
        };
        let theta = theta_mean + theta_swing;
        vec![l_s + d0 + d1 + d2 - l_s * (dalpha * theta + alpha * dtheta)]
    }
}

fn inputs() -> Result<Inputs, GumError> {
    let normal =
        |name: &str, value, standard, dof| Input::new(name, value, Shape::Normal { standard })?.with_dof(dof);
    let rectangular = |name: &str, value, half_width, dof| {
        Input::new(name, value, Shape::Rectangular { half_width })?.with_dof(dof)
    };
    let certain = f64::INFINITY;
    Inputs::independent(vec![
        normal("length of the standard", 50_000_623.0, 25.0, 18.0)?,
        normal("difference, repeated", 215.0, 5.8, 24.0)?,
        normal("difference, random of comparator", 0.0, 3.9, 5.0)?,
        normal("difference, systematic of comparator", 0.0, 6.7, 8.0)?,
        rectangular("expansion of the standard", 11.5e-6, 2e-6, certain)?,
        normal("mean temperature", -0.1, 0.2, certain)?,
        Input::new("swing of temperature", 0.0, Shape::Arcsine { half_width: 0.5 })?,
        rectangular("difference of expansion", 0.0, 1e-6, 50.0)?,
        rectangular("difference of temperature", 0.0, 0.05, 2.0)?,
    ])
}

pub(super) fn checks() -> Result<Vec<Check>, GumError> {
    let inputs = inputs()?;
    let found = propagate(&EndGauge, &inputs)?;
    let (length, u) = (found.values.first().copied().unwrap_or(f64::NAN), found.standard(0));
    let dof = found.dof.first().copied().unwrap_or(f64::NAN);
    let factor = coverage_factor_at(dof, 0.99);
    // The print takes contributions that it has rounded before, in nm, with their degrees of freedom, and u² = 1002 nm².
    let rounded: [(f64, f64); 4] = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)];
    let rounded_dof = 1002.0_f64.powi(2) / rounded.iter().map(|(u, dof)| u.powi(4) / dof).sum::<f64>();
    Ok(vec![
        Check::new(NAME, "length in mm", "50.000838", length * 1e-6, SOURCED),
        Check::new(NAME, "standard uncertainty in nm", "32", u, SOURCED),
        Check::new(NAME, "standard uncertainty in nm, more digits", "31.66388", u, GTC),
        Check::new(NAME, "degrees of freedom", "16.75186", dof, GTC),
        Check::new(NAME, "degrees of freedom of rounded contributions", "16.7", rounded_dof, SOURCED),
        Check::new(NAME, "degrees of freedom, truncated", "16", dof.floor(), SOURCED),
        Check::new(NAME, "coverage factor for 99 %", "2.92", factor, SOURCED),
        Check::new(
            NAME,
            "expanded uncertainty of the rounded figures in nm",
            "93",
            2.92 * u.round(),
            SOURCED,
        ),
        Check::new(NAME, "expanded uncertainty in nm", "92.48", factor * u, GTC),
        Check::new(
            NAME,
            "with terms of second order in nm",
            "34",
            second_order(&EndGauge, &inputs, 0)?,
            Mark::FromMemory,
        ),
    ])
}
