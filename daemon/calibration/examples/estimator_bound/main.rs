//! The estimator held against the exact Fisher bound, and the coverage of its type A uncertainty under the stop rule.
//!
//! `estimator_bound [--trials N]` prints one line of JSON for each cell of signal-to-noise ratio, cycles and model: the
//! variance of magnitude and phase of the ratio over many noisy records against the bound, and the bias.
//! `estimator_bound --coverage N` prints one line for each noise level: how often the interval holds the true ratio.
//! Full forms: 40000 trials, 20000 runs.

mod bound;
mod coverage;
mod signal;

use std::error::Error;

/// One for all: the same arguments print the same figures.
const SEED: u64 = 16063;

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args().skip(1).peekable();
    let (mut trials, mut runs) = (400, None);
    while let Some(name) = arguments.next() {
        let number = arguments.next_if(|value| !value.starts_with("--"));
        match (name.as_str(), number) {
            ("--trials", Some(value)) => trials = value.parse()?,
            ("--coverage", value) => runs = Some(value.map_or(Ok(500), |v| v.parse())?),
            _ => return Err(format!("{name} is not known, or lacks a value").into()),
        }
    }
    match runs {
        Some(runs) => coverage::all(runs),
        None => bound::all(trials),
    }
}

/// The only place that prints.
#[expect(clippy::print_stdout, reason = "results go to standard output")]
fn print(line: &str) {
    println!("{line}");
}
