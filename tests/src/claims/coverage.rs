//! Claims about stated intervals: how often they hold the truth when errors are drawn as the budget says, and what happens
//! when the budget says something else than what is drawn.
//!
//! This proves the arithmetic of the budget (divisors, degrees of freedom, coverage factor), not that the budget lists what it
//! must: errors are drawn here, component by component, without the code that combines them. The coverage that is foreseen
//! comes from the characteristic functions of the components (Gil-Pelaez 1951), not from draws.

mod foreseen;

use crate::figure::Figure;
use crate::program::root;
use anyhow::{Result, anyhow};
use calibration::evaluate::{Circumstances, magnitude_budget, phase_budget};
use calibration::sequence::Setup;
use calibration::uncertainty::gum::{Counted, Shape, Uniforms, normal_quantile};
use calibration::uncertainty::{Budget, Component, Distribution};
use plan_schema::units::Seconds;
use std::collections::BTreeMap;
use std::f64::consts::TAU;

/// Family-wise probability that chance alone breaks a bound.
const FAMILY: f64 = 1e-3;

/// Segments of a dwell.
const SEGMENTS: usize = 10;

/// Scatter of the mean of a dwell as a share of what the rest of the budget has.
const SCATTER: f64 = 0.5;

/// Jobs of the examples whose budgets are looked at: between them every kind of sensor.
const JOBS: [&str; 2] = ["examples/low-frequency.toml", "examples/workshop.toml"];

/// A budget of a sensor at a frequency.
pub struct Cell {
    /// Job, sensor, its kind, frequency, quantity.
    pub name: String,
    budget: Budget,
}

/// The budgets of all sensors at all points of the examples, what a run adds left out.
///
/// # Errors
/// If an example can't be loaded.
pub fn cells() -> Result<Vec<Cell>> {
    let mut cells = Vec::new();
    let year =
        Circumstances { since_calibration: Seconds::new(0.5 * 365.25 * 86_400.0), scope_in_force: false };
    for file in JOBS {
        let job = calwright::load::job(&root().join(file)).map_err(|e| anyhow!("{e}"))?.job;
        let setup = Setup::new(job);
        for (n, mounted) in setup.job.sensors.iter().enumerate() {
            for (number, point) in setup.job.points.iter().enumerate().filter(|(p, _)| mounted.takes(*p)) {
                let (at, sensor) = (point.frequency, &mounted.sensor);
                let mut add = |quantity: &str, budget| {
                    let name = format!(
                        "{} {} {at}, point {}, {quantity}",
                        sensor.serial,
                        sensor.kind.word(),
                        number + 1
                    );
                    cells.push(Cell { name, budget });
                };
                add("magnitude", magnitude_budget(&setup, n, at, &year)?);
                if let Some(budget) = phase_budget(&setup, n, at)? {
                    add("phase", budget);
                }
            }
        }
    }
    Ok(cells)
}

/// What many runs of a cell show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// Runs whose interval held the truth.
    pub covered: u32,
    /// Mean of error over stated standard uncertainty.
    pub mean: f64,
    /// Standard deviation of it.
    pub deviation: f64,
}

/// Runs of one cell, each from a seed: errors drawn as the components say (times a factor by name), a dwell of segments that
/// scatter, the budget with the scatter that was seen.
///
/// # Errors
/// If a budget can't be made.
pub fn runs(
    components: &[Component],
    seeds: u32,
    factor: &dyn Fn(&str) -> f64,
    stated: &Budget,
) -> Result<Shown> {
    let rest = components.iter().map(|c| c.standard().powi(2)).sum::<f64>().sqrt();
    let of_segment = SCATTER * rest * (SEGMENTS as f64).sqrt();
    let (mut covered, mut sum, mut squares) = (0, 0.0, 0.0);
    for seed in 1..=seeds {
        let mut chance = Counted::new(u64::from(seed));
        let drawn: f64 = components.iter().map(|c| factor(c.name()) * draw(c, &mut chance)).sum();
        let segments = [(); SEGMENTS].map(|()| of_segment * normal_quantile(chance.next_uniform()));
        let mean = segments.iter().sum::<f64>() / SEGMENTS as f64;
        let degrees = SEGMENTS as f64 - 1.0;
        let scatter = segments.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / degrees / SEGMENTS as f64;
        let mut all = stated.components().to_vec();
        all.push(Component::type_a("scatter within the dwell", scatter.sqrt(), degrees)?);
        let combined = Budget::new(stated.measurand(), all)?.combined();
        let error = drawn + mean;
        covered += u32::from(error.abs() <= combined.expanded);
        sum += error / combined.u;
        squares += (error / combined.u).powi(2);
    }
    let count = f64::from(seeds);
    let mean = sum / count;
    Ok(Shown { covered, mean, deviation: (squares / count - mean * mean).max(0.0).sqrt() })
}

/// An error as a component says it may be; for transverse motion the two limits and the angle by themselves.
fn draw(component: &Component, chance: &mut Counted) -> f64 {
    let (stated, p) = (component.stated(), chance.next_uniform());
    let shape = match component.distribution() {
        Distribution::Normal { .. } | Distribution::TypeA => Shape::Normal { standard: component.standard() },
        Distribution::Rectangular => Shape::Rectangular { half_width: stated },
        Distribution::Triangular => Shape::Triangular { half_width: stated },
        Distribution::Arcsine => Shape::Arcsine { half_width: stated },
        Distribution::Transverse => {
            let (motion, angle) = (2.0 * chance.next_uniform() - 1.0, TAU * chance.next_uniform());
            return stated * (2.0 * p - 1.0) * motion * angle.cos();
        }
    };
    shape.quantile(p)
}

/// Coverage in every cell against what is foreseen, and mean and spread of error over u.
///
/// # Errors
/// If an example can't be loaded.
pub fn coverage(seeds: u32) -> Result<Vec<Figure>> {
    let cells = cells()?;
    let each = FAMILY / cells.len() as f64;
    let (mut outside, mut mean, mut spread): (f64, f64, f64) = (0.0, 0.0, 0.0);
    let (mut lowest, mut highest): (f64, f64) = (1.0, 0.0);
    let mut text = String::new();
    for cell in &cells {
        let components = cell.budget.components();
        let shown = runs(components, seeds, &|_| 1.0, &cell.budget)?;
        let rest = components.iter().map(|c| c.standard().powi(2)).sum::<f64>().sqrt();
        let expected = foreseen::coverage(&cell.budget, SCATTER * rest, SEGMENTS)?;
        if !foreseen::within_binomial(shown.covered, seeds, expected, each) {
            outside += 1.0;
            text.push_str(&format!(
                "\n  {}: {} of {seeds}, foreseen {expected:.4}",
                cell.name, shown.covered
            ));
        }
        (lowest, highest) = (lowest.min(expected), highest.max(expected));
        mean = mean.max(shown.mean.abs());
        spread = spread.max((shown.deviation - 1.0).abs());
    }
    let sample = format!(
        "{} cells of sensor, frequency and quantity, {seeds} runs each; coverage foreseen from {lowest:.4} to {highest:.4}{text}",
        cells.len()
    );
    let figure = |what: &str, value, limit| Figure {
        what: what.to_owned(),
        value,
        limit,
        unit: "",
        sample: sample.clone(),
        seeds: (1..=u64::from(seeds)).collect(),
    };
    Ok(vec![
        figure(
            "cells whose coverage lies outside the exact binomial bounds (family-wise 1e-3)",
            outside,
            0.0,
        ),
        figure("largest mean of error over standard uncertainty", mean, 0.1),
        figure(
            "largest departure of the standard deviation of error over standard uncertainty from 1",
            spread,
            0.07,
        ),
    ])
}

/// Each component in turn with half of the variance: doubled where errors are drawn, and left out of the budget.
///
/// # Errors
/// If an example can't be loaded.
pub fn wrong_budgets(seeds: u32) -> Result<Vec<Figure>> {
    let (mut doubled, mut missing): (f64, f64) = (0.0, 0.0);
    let mut lines = Vec::new();
    for (name, cell) in each_component(&cells()?) {
        let share = |c: &Component| if c.name() == name { 0.0 } else { c.standard().powi(2) };
        let rest: f64 = cell.budget.components().iter().map(share).sum();
        // With the scatter of the dwell, which `runs` takes as a share of all: half of the variance is the component's.
        let others = rest + SCATTER * SCATTER * 2.0 * rest / (1.0 - SCATTER * SCATTER);
        let components = cell
            .budget
            .components()
            .iter()
            .map(|c| if c.name() == name { sized(c, others.sqrt()) } else { Ok(c.clone()) })
            .collect::<Result<Vec<_>>>()?;
        let measurand = cell.budget.measurand();
        let whole = Budget::new(measurand, components.clone())?;
        let without = components.iter().filter(|c| c.name() != name).cloned().collect();
        let without = Budget::new(measurand, without)?;
        let percent = |shown: Shown| f64::from(shown.covered) / f64::from(seeds) * 100.0;
        let twice = |n: &str| if n == name { 2.0 } else { 1.0 };
        let with_double = percent(runs(&components, seeds, &twice, &whole)?);
        let left_out = percent(runs(&components, seeds, &|_| 1.0, &without)?);
        doubled = doubled.max((with_double - 79.0).abs());
        missing = missing.max(left_out);
        lines.push(format!(
            "\n  {name} ({}): doubled {with_double:.2} %, left out {left_out:.2} %",
            cell.name
        ));
    }
    let sample = format!("{} components, {seeds} runs each{}", lines.len(), lines.concat());
    let figure = |what: &str, value, limit| Figure {
        what: what.to_owned(),
        value,
        limit,
        unit: "percent",
        sample: sample.clone(),
        seeds: (1..=u64::from(seeds)).collect(),
    };
    Ok(vec![
        figure(
            "largest departure from a coverage of 79 % with a component doubled where errors are drawn",
            doubled,
            2.5,
        ),
        figure("largest coverage with a component left out of the budget", missing, 86.0),
    ])
}

/// The first cell in which each component has a part.
fn each_component(cells: &[Cell]) -> BTreeMap<String, &Cell> {
    let mut first = BTreeMap::new();
    for cell in cells {
        for component in cell.budget.components().iter().filter(|c| c.standard() > 0.0) {
            first.entry(component.name().to_owned()).or_insert(cell);
        }
    }
    first
}

/// The component with another standard uncertainty.
fn sized(component: &Component, standard: f64) -> Result<Component> {
    let stated = standard * component.distribution().divisor();
    Ok(Component::new(component.name(), component.source(), component.distribution(), stated)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Twenty seeds of the first point of every sensor, magnitude and phase: to the bit, on the platform of this house.
    #[test]
    fn twenty_seeds() {
        let lines: Vec<String> = (cells().unwrap().iter())
            .filter(|cell| cell.name.contains("point 1,"))
            .map(|cell| {
                let shown = runs(cell.budget.components(), 20, &|_| 1.0, &cell.budget).unwrap();
                let (mean, deviation) = (shown.mean.to_bits(), shown.deviation.to_bits());
                format!("{}: {} of 20, {mean:016x} {deviation:016x}", cell.name, shown.covered)
            })
            .collect();
        assert!(lines.len() >= 6, "{lines:?}");
        insta::assert_snapshot!(lines.join("\n"));
    }
}
