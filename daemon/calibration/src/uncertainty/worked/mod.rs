//! Worked examples of the literature, carried out by the code that makes the budgets.
//!
//! Owns: examples with their published figures, each with a mark of where that figure was taken from. A figure that nobody
//! here has read in print says so.

mod conformity;
mod end_gauge;
mod impedance;
mod simulated;
mod supplement;
mod table_g2;

use super::gum::GumError;
use std::fmt;

/// Where a published figure was taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// Read in the material that is named.
    Sourced(&'static str),
    /// Nobody here has read it in print.
    FromMemory,
    /// Computed by another program, which is named, from the example's inputs.
    Recomputed(&'static str),
}

/// A figure of an example, as published and as found here.
#[derive(Debug, Clone, PartialEq)]
pub struct Check {
    /// The example.
    pub example: &'static str,
    /// Which of its figures.
    pub quantity: String,
    /// The figure as published, with its digits.
    pub published: &'static str,
    /// What is found here, in the unit of the published figure.
    pub found: f64,
    /// Largest difference; half a unit of the last published digit, more only for what others found by chance.
    pub allowed: f64,
    /// Where the published figure was taken from.
    pub mark: Mark,
}

impl Check {
    fn new(
        example: &'static str,
        quantity: impl Into<String>,
        published: &'static str,
        found: f64,
        mark: Mark,
    ) -> Self {
        Self { example, quantity: quantity.into(), published, found, allowed: half_unit(published), mark }
    }

    /// For a figure that a simulation gave its authors: the numerical tolerance that they state.
    fn within(self, allowed: f64) -> Self {
        Self { allowed, ..self }
    }

    /// True if they agree.
    #[must_use]
    pub fn holds(&self) -> bool {
        // A unit in the last place of the arithmetic more, for figures that end in a five.
        let allowed = self.allowed * (1.0 + 1e-9);
        self.published.parse::<f64>().is_ok_and(|published| (self.found - published).abs() <= allowed)
    }
}

impl fmt::Display for Check {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let verdict = if self.holds() { "holds" } else { "DIFFERS" };
        let Self { example, quantity, published, found, mark, .. } = self;
        write!(f, "{example}, {quantity}: {published}, found {found:.9} ({mark}): {verdict}")
    }
}

impl fmt::Display for Mark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Sourced(source) => write!(f, "sourced: {source}"),
            Self::FromMemory => f.write_str("from memory"),
            Self::Recomputed(program) => write!(f, "recomputed with {program}"),
        }
    }
}

/// Half a unit of the last digit of a number as it is written.
fn half_unit(published: &str) -> f64 {
    let decimals = published.split_once('.').map_or(0, |(_, decimals)| decimals.len());
    0.5 * 0.1_f64.powi(i32::try_from(decimals).unwrap_or(i32::MAX))
}

/// All examples. Those by simulation take a few seconds.
///
/// # Errors
/// Where the engine refuses an example; it must not.
pub fn checks() -> Result<Vec<Check>, GumError> {
    let mut all = end_gauge::checks()?;
    all.extend(impedance::checks()?);
    all.extend(supplement::checks()?);
    all.extend(simulated::checks()?);
    all.extend(conformity::checks());
    all.extend(table_g2::checks());
    Ok(all)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn published_digits_set_what_is_allowed() {
        let check = |found| Check::new("x", "y", "0.070", found, Mark::FromMemory).holds();
        assert!(check(0.0705) && check(0.0695) && !check(0.0706) && !check(0.0694) && !check(f64::NAN));
        assert!((half_unit("32") - 0.5).abs() < 1e-15);
    }

    #[test]
    fn all_hold() {
        let all = checks().unwrap();
        let broken: Vec<String> = all.iter().filter(|c| !c.holds()).map(Check::to_string).collect();
        assert!(broken.is_empty(), "{broken:#?}");
        assert!(all.len() > 200, "{}", all.len());
    }
}
