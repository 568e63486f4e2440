//! A budget as a table of text, for people.

use super::{Budget, Component, ComponentSource, Distribution, Measurand};
use std::fmt;

const HEADINGS: [&str; 9] =
    ["component", "source", "distribution", "stated", "divisor", "standard", "dof", "r", "share"];
/// Columns of text; the others hold numbers and are set flush right.
const TEXT_COLUMNS: usize = 3;

/// Columns aligned; magnitudes in %, phases in degrees; below it what the budget combines to. `r` is the correlation
/// over frequency, `share` the part of the variance.
impl fmt::Display for Budget {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let combined = self.combined();
        let rows: Vec<[String; 9]> = std::iter::once(HEADINGS.map(str::to_owned))
            .chain(self.components().iter().map(|component| row(component, self.measurand(), combined.u)))
            .collect();
        let mut widths = [0; 9];
        for row in &rows {
            for (width, cell) in widths.iter_mut().zip(row) {
                *width = (*width).max(cell.chars().count());
            }
        }
        for row in &rows {
            let mut line = String::new();
            for (column, (cell, width)) in row.iter().zip(widths).enumerate() {
                let padded =
                    if column < TEXT_COLUMNS { format!("{cell:<width$}") } else { format!("{cell:>width$}") };
                line.push_str(&padded);
                line.push_str("  ");
            }
            writeln!(f, "{}", line.trim_end())?;
        }
        write!(
            f,
            "combined {}, effective degrees of freedom {}, k = {:.2}, expanded {} (95.45 %)",
            value(combined.u, self.measurand()),
            freedom(combined.nu_eff),
            combined.k,
            value(combined.expanded, self.measurand())
        )
    }
}

fn row(component: &Component, measurand: Measurand, combined: f64) -> [String; 9] {
    let share = if combined > 0.0 { (component.standard() / combined).powi(2) } else { 0.0 };
    [
        component.name().to_owned(),
        component.source().to_string(),
        component.distribution().to_string(),
        value(component.stated(), measurand),
        format!("{:.3}", component.distribution().divisor()),
        value(component.standard(), measurand),
        freedom(component.dof()),
        format!("{:.2}", component.correlation_over_frequency()),
        format!("{:.1} %", 100.0 * share),
    ]
}

fn value(value: f64, measurand: Measurand) -> String {
    match measurand {
        Measurand::Magnitude => format!("{:.4} %", 100.0 * value),
        Measurand::Phase => format!("{:.4}°", value.to_degrees()),
    }
}

fn freedom(dof: f64) -> String {
    if dof.is_infinite() { "∞".to_owned() } else { format!("{dof:.1}") }
}

impl fmt::Display for ComponentSource {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::ThisRun => "this run",
            Self::ReferenceCertificate => "reference certificate",
            Self::RigFile => "rig file",
            Self::Register => "register",
        })
    }
}

impl fmt::Display for Distribution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Normal { k } => write!(f, "normal, k = {k}"),
            Self::Rectangular => f.write_str("rectangular"),
            Self::Triangular => f.write_str("triangular"),
            Self::Arcsine => f.write_str("arcsine"),
            Self::Transverse => f.write_str("transverse"),
            Self::TypeA => f.write_str("type A"),
        }
    }
}
