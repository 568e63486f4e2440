//! Examples of EA-4/02 M, supplements: a weight, a resistor, a gauge block, a multimeter.

use super::{Check, Mark};
use crate::uncertainty::gum::{
    Counted, GumError, Input, Inputs, Model, Number, Shape, Simulation, propagate, simulate,
};

const MEMORY: Mark = Mark::FromMemory;
const HERE: Mark = Mark::Recomputed("numpy 2.4");
const WEIGHT: Mark = Mark::Sourced("metrodata.de, worked copy of S2");

fn expanded(name: &str, value: f64, expanded: f64) -> Result<Input, GumError> {
    Input::new(name, value, Shape::Normal { standard: expanded / 2.0 })
}

fn rectangular(name: &str, value: f64, half_width: f64) -> Result<Input, GumError> {
    Input::new(name, value, Shape::Rectangular { half_width })
}

fn triangular(name: &str, value: f64, half_width: f64) -> Result<Input, GumError> {
    Input::new(name, value, Shape::Triangular { half_width })
}

/// The mean of n observations with a pooled standard deviation.
fn pooled(name: &str, value: f64, deviation: f64, count: f64) -> Result<Input, GumError> {
    Input::new(name, value, Shape::Normal { standard: deviation / count.sqrt() })
}

/// A sum; S2 and S9.
struct Sum;

impl Model for Sum {
    fn results<N: Number>(&self, inputs: &[N]) -> Vec<N> {
        vec![inputs.iter().fold(N::constant(0.0), |sum, &x| sum + x)]
    }
}

/// `R = (R_S + δR_D + δR_TS) r_C r − δR_TX`; S3.
struct Resistor;

impl Model for Resistor {
    fn results<N: Number>(&self, inputs: &[N]) -> Vec<N> {
        let &[standard, drift, warm, parasitic, ratio, own] = inputs else { return Vec::new() };
        vec![(standard + drift + warm) * parasitic * ratio - own]
    }
}

/// `l = l_S + δl_D + δl + δl_C − L (ᾱ δt + δα Δt̄) − δl_V`; S4, in nm and °C.
struct GaugeBlock;

impl Model for GaugeBlock {
    fn results<N: Number>(&self, inputs: &[N]) -> Vec<N> {
        let &[standard, drift, seen, comparator, step, alpha, mean, pressed] = inputs else {
            return Vec::new();
        };
        let warm = (step.times(11.5e-6) + alpha * mean).times(50e6);
        vec![standard + drift + seen + comparator - warm - pressed]
    }
}

fn result(model: &impl Model, inputs: Vec<Input>) -> Result<(f64, f64), GumError> {
    let found = propagate(model, &Inputs::independent(inputs)?)?;
    Ok((found.values.first().copied().unwrap_or(f64::NAN), found.standard(0)))
}

pub(super) fn checks() -> Result<Vec<Check>, GumError> {
    let mut all = weight()?;
    all.extend(resistor()?);
    all.extend(gauge_block()?);
    all.extend(multimeter()?);
    Ok(all)
}

fn weight() -> Result<Vec<Check>, GumError> {
    let name = "EA-4/02 S2, weight of 10 kg";
    let (mass, u) = result(
        &Sum,
        vec![
            expanded("standard", 10_000.005, 0.045)?,
            rectangular("drift of the standard", 0.0, 0.015)?,
            pooled("difference seen", 0.020, 0.025, 3.0)?,
            rectangular("eccentricity and magnetic effects", 0.0, 0.010)?,
            rectangular("buoyancy", 0.0, 0.010)?,
        ],
    )?;
    // Editions print 59 mg (u rounded up before it is expanded) and 58 mg (with another figure for the repeatability).
    Ok(vec![
        Check::new(name, "mass in g", "10000.025", mass, WEIGHT),
        Check::new(name, "standard uncertainty in mg", "29.262", u * 1e3, HERE),
        Check::new(name, "expanded uncertainty in mg", "58.52", 2.0 * u * 1e3, HERE),
        Check::new(name, "expanded uncertainty in mg, older editions", "59", 2.0 * u * 1e3, MEMORY),
    ])
}

fn resistor() -> Result<Vec<Check>, GumError> {
    let name = "EA-4/02 S3, resistor of 10 kΩ";
    let (resistance, u) = result(
        &Resistor,
        vec![
            expanded("standard", 10_000.053, 0.005)?,
            rectangular("drift of the standard", 0.020, 0.010)?,
            rectangular("temperature of the standard", 0.0, 0.002_75)?,
            triangular("parasitic effects", 1.0, 1e-6)?,
            pooled("ratio", 1.000_010_5, 0.158e-6, 5.0)?,
            rectangular("temperature of the resistor", 0.0, 0.0055)?,
        ],
    )?;
    Ok(vec![
        Check::new(name, "resistance in Ω", "10000.178", resistance, MEMORY),
        Check::new(name, "standard uncertainty in mΩ", "8.33", u * 1e3, MEMORY),
        Check::new(name, "expanded uncertainty in mΩ", "17", 2.0 * u * 1e3, MEMORY),
    ])
}

fn gauge_block() -> Result<Vec<Check>, GumError> {
    let name = "EA-4/02 S4, gauge block of 50 mm";
    // The product of differences of expansion and temperature is zero at both estimates: its variance stands for it, half-widths
    // of 2e-6 (triangular) and 0.5 °C (rectangular).
    let product = 2e-6 / 6.0_f64.sqrt() * 0.5 / 3.0_f64.sqrt();
    let (length, u) = result(
        &GaugeBlock,
        vec![
            expanded("standard", 50_000_020.0, 30.0)?,
            rectangular("drift of the standard", 0.0, 30.0)?,
            pooled("difference seen", -94.0, 12.0, 5.0)?,
            rectangular("comparator", 0.0, 32.0)?,
            rectangular("difference of temperature", 0.0, 0.05)?,
            Input::new(
                "difference of expansion times temperature",
                0.0,
                Shape::Normal { standard: product },
            )?,
            Input::new("one", 1.0, Shape::Normal { standard: 0.0 })?,
            rectangular("point of measurement", 0.0, 6.7)?,
        ],
    )?;
    Ok(vec![
        Check::new(name, "length in mm", "49.999926", length * 1e-6, MEMORY),
        Check::new(name, "standard uncertainty in nm", "36.4", u, MEMORY),
        Check::new(name, "expanded uncertainty in nm", "73", 2.0 * u, MEMORY),
    ])
}

/// One rectangular contribution that dominates: the interval of the distribution stands for a coverage factor of 2.
fn multimeter() -> Result<Vec<Check>, GumError> {
    let name = "EA-4/02 S9, multimeter at 100 V";
    let inputs = Inputs::independent(vec![
        rectangular("resolution", 0.1, 0.05)?,
        rectangular("other effects of the calibrator", 0.0, 0.011)?,
        Input::new("calibrator", 0.0, Shape::Normal { standard: 0.001 })?,
    ])?;
    let found = propagate(&Sum, &inputs)?;
    let how = Simulation { coverage: 0.95, ..Simulation::default() };
    let drawn = simulate(&Sum, &inputs, 0, &how, &mut Counted::new(9))?;
    Ok(vec![
        Check::new(name, "error in V", "0.1", found.values.first().copied().unwrap_or(f64::NAN), MEMORY),
        Check::new(name, "standard uncertainty in V", "0.030", found.standard(0), MEMORY),
        Check::new(name, "standard uncertainty in V, more digits", "0.029575", found.standard(0), HERE),
        Check::new(
            name,
            "expanded uncertainty in V, by simulation",
            "0.05",
            drawn.symmetric.half_width(),
            MEMORY,
        ),
    ])
}
