//! A figure: what is claimed, what came out, what is allowed.

use std::fmt;

/// A claim with a number.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// What the number is.
    pub what: String,
    /// What came out.
    pub value: f64,
    /// The most that is allowed; infinite for a figure that is only printed.
    pub limit: f64,
    /// Unit of both; empty for a count.
    pub unit: &'static str,
    /// What it was taken over.
    pub sample: String,
    /// Seeds of the simulator that went into it.
    pub seeds: Vec<u64>,
}

impl Figure {
    /// True if the claim holds. A number that is none does not hold.
    #[must_use]
    pub fn met(&self) -> bool {
        self.value <= self.limit
    }
}

impl fmt::Display for Figure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let unit = if self.unit.is_empty() { String::new() } else { format!(" {}", self.unit) };
        let number = |v: f64| {
            if v != 0.0 && v.abs() < 1e-3 { format!("{v:.2e}") } else { format!("{v:.6}") }
        };
        let short = |v: f64| number(v).trim_end_matches('0').trim_end_matches('.').to_owned();
        let shown = |v: f64| {
            if number(v).contains('e') { number(v) } else { short(v) }
        };
        let seeds = match self.seeds.as_slice() {
            [] => "none".to_owned(),
            [first, .., last] if self.seeds.len() > 3 => format!("{first} to {last}"),
            few => few.iter().map(u64::to_string).collect::<Vec<_>>().join(", "),
        };
        let verdict = if self.met() { "met" } else { "MISSED" };
        writeln!(f, "{}: {}{unit}", self.what, shown(self.value))?;
        if self.limit.is_finite() {
            writeln!(f, "  limit   {}{unit}: {verdict}", shown(self.limit))?;
        } else {
            writeln!(f, "  limit   none, printed only")?;
        }
        writeln!(f, "  sample  {}", self.sample)?;
        write!(f, "  seeds   {seeds}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn figure(value: f64) -> Figure {
        Figure {
            what: "x".into(),
            value,
            limit: 1e-8,
            unit: "rad",
            sample: "3 runs".into(),
            seeds: vec![1, 2],
        }
    }

    #[test]
    fn what_is_above_its_limit_or_no_number_is_missed() {
        assert!(figure(1e-8).met() && !figure(1.1e-8).met() && !figure(f64::NAN).met());
    }

    #[test]
    fn reads_well() {
        let text = figure(2.5e-9).to_string();
        assert_eq!(text, "x: 2.50e-9 rad\n  limit   1.00e-8 rad: met\n  sample  3 runs\n  seeds   1, 2");
        assert!(
            Figure { limit: 6.0, value: 2.1, ..figure(0.0) }
                .to_string()
                .contains("x: 2.1 rad\n  limit   6 rad")
        );
        assert!(figure(1.0).to_string().contains("MISSED"));
    }
}
