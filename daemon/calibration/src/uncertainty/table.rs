//! A budget as rows, ready to print, and as a table of text.

use super::{Budget, Component, ComponentSource, Distribution, Measurand};
use std::fmt;

const HEADINGS: [&str; 10] =
    ["component", "origin", "distribution", "value", "divisor", "c", "contribution", "dof", "r", "share"];
/// Degrees of freedom beyond which nobody cares how many there are.
const MANY: f64 = 1e6;
/// Columns of text; the others hold numbers and are set flush right.
const TEXT_COLUMNS: usize = 3;

/// One line of a budget, in the budget's unit.
#[derive(Debug, Clone, PartialEq)]
pub struct BudgetRow {
    /// What the component is called.
    pub name: String,
    /// Where its figure comes from.
    pub origin: ComponentSource,
    /// How it is distributed.
    pub distribution: Distribution,
    /// The figure as stated.
    pub value: f64,
    /// What that is divided by to give a standard uncertainty.
    pub divisor: f64,
    /// Sensitivity coefficient: 1 throughout, since magnitudes are relative in a product and phases add.
    pub sensitivity: f64,
    /// Contribution to the combined standard uncertainty.
    pub contribution: f64,
    /// Degrees of freedom.
    pub dof: f64,
    /// Correlation of its error between this frequency and the reference frequency.
    pub correlation: f64,
    /// Part of the variance.
    pub share: f64,
}

impl Budget {
    /// The components as rows, in their order.
    #[must_use]
    pub fn rows(&self) -> Vec<BudgetRow> {
        let combined = self.of_components().u;
        let row = |component: &Component| {
            let (sensitivity, standard) = (1.0, component.standard());
            let share = if combined > 0.0 { (sensitivity * standard / combined).powi(2) } else { 0.0 };
            BudgetRow {
                name: component.name().to_owned(),
                origin: component.source(),
                distribution: component.distribution(),
                value: component.stated(),
                divisor: component.distribution().divisor(),
                sensitivity,
                contribution: sensitivity * standard,
                dof: component.dof(),
                correlation: component.correlation_over_frequency(),
                share,
            }
        };
        self.components().iter().map(row).collect()
    }
}

/// Columns aligned; magnitudes in %, phases in degrees; below it what the budget combines to. `r` is the correlation
/// over frequency, `share` the part of the variance.
impl fmt::Display for Budget {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let combined = self.combined();
        let rows: Vec<[String; 10]> = std::iter::once(HEADINGS.map(str::to_owned))
            .chain(self.rows().iter().map(|row| cells(row, self.measurand())))
            .collect();
        let mut widths = [0; 10];
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
        )?;
        match self.least() {
            Some(least) => write!(f, ", never below {}", value(least, self.measurand())),
            None => Ok(()),
        }
    }
}

fn cells(row: &BudgetRow, measurand: Measurand) -> [String; 10] {
    [
        row.name.clone(),
        row.origin.to_string(),
        row.distribution.to_string(),
        value(row.value, measurand),
        format!("{:.3}", row.divisor),
        format!("{:.0}", row.sensitivity),
        value(row.contribution, measurand),
        freedom(row.dof),
        format!("{:.2}", row.correlation),
        format!("{:.1} %", 100.0 * row.share),
    ]
}

fn value(value: f64, measurand: Measurand) -> String {
    match measurand {
        Measurand::Magnitude => format!("{:.4} %", 100.0 * value),
        Measurand::Phase => format!("{:.4}°", value.to_degrees()),
    }
}

fn freedom(dof: f64) -> String {
    if dof.is_infinite() {
        "∞".to_owned()
    } else if dof > MANY {
        format!("> {MANY}")
    } else {
        format!("{dof:.1}")
    }
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
