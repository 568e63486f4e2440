//! Prints figures of the simulator beside what they ought to be, as JSON, for who wants to judge or to show them.
//!
//! `cargo run -p sim --example figures -- transfer`, or `facts`, or `channels`
//!
//! Owns the measuring. Must not: judge, or look inside the simulator.

mod channels;
mod facts;
#[path = "../../tests/machine/fit.rs"]
mod fit;
#[path = "../three_rigs/mod.rs"]
mod three_rigs;
mod transfer;

use std::process::ExitCode;

/// A figure.
struct Row {
    what: String,
    unit: &'static str,
    /// What the simulator does.
    value: f64,
    /// What it ought to do.
    expected: f64,
    /// How far the two may be apart, in the same unit.
    tolerance: f64,
}

impl Row {
    /// A figure that is stated with so many digits: what was found has to round to it.
    fn stated(what: impl Into<String>, unit: &'static str, value: f64, stated: &str) -> Self {
        let decimals = stated.split_once('.').map_or(0, |(_, after)| after.len());
        let expected = stated.parse().unwrap_or(f64::NAN);
        // A ten-thousandth more, for what is rounded at the half.
        let tolerance = 0.5 * 0.1f64.powi(i32::try_from(decimals).unwrap_or(0)) + 1e-4 * f64::abs(expected);
        Self { what: what.into(), unit, value, expected, tolerance }
    }

    /// A figure that may be off by a share.
    fn near(what: impl Into<String>, unit: &'static str, value: f64, expected: f64, share: f64) -> Self {
        Self { what: what.into(), unit, value, expected, tolerance: share * expected.abs() }
    }
}

#[expect(clippy::print_stdout, clippy::print_stderr, reason = "a program that prints figures")]
fn main() -> ExitCode {
    let rows = match std::env::args().nth(1).as_deref() {
        Some("transfer") => transfer::rows(),
        Some("facts") => facts::rows(),
        Some("channels") => channels::rows(),
        _ => {
            eprintln!("usage: figures transfer | facts | channels");
            return ExitCode::from(2);
        }
    };
    let lines: Vec<String> = rows
        .iter()
        .map(|r| {
            format!(
                "{{\"what\": \"{}\", \"unit\": \"{}\", \"value\": {:e}, \"expected\": {:e}, \"tolerance\": {:e}}}",
                r.what, r.unit, r.value, r.expected, r.tolerance
            )
        })
        .collect();
    println!("[\n{}\n]", lines.join(",\n"));
    ExitCode::SUCCESS
}
