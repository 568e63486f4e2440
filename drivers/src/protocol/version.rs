//! The protocol's version and what two sides make of each other's.

use std::fmt;
use std::str::FromStr;

/// The version that this program speaks.
pub const VERSION: Version = Version { major: 1, minor: 0 };

/// `major.minor`. Another major version is another protocol; a higher minor one only adds what may be ignored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Version {
    /// Another one is another protocol.
    pub major: u32,
    /// A higher one adds what may be ignored.
    pub minor: u32,
}

impl Version {
    /// The version that both sides speak.
    ///
    /// # Errors
    /// What to do where there is none.
    pub fn agree(self, other: Self) -> Result<Self, String> {
        if self.major == other.major {
            return Ok(self.min(other));
        }
        let older = if other.major < self.major { "the other side" } else { "this side" };
        Err(format!(
            "this side speaks protocol {self}, the other one {other}; {older} has to be brought up to date"
        ))
    }
}

impl fmt::Display for Version {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.major, self.minor)
    }
}

impl FromStr for Version {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let number = |part: &str| {
            let digits = !part.is_empty() && part.len() <= 9 && part.bytes().all(|b| b.is_ascii_digit());
            digits.then(|| part.parse().ok()).flatten()
        };
        text.split_once('.')
            .and_then(|(major, minor)| Some(Self { major: number(major)?, minor: number(minor)? }))
            .ok_or_else(|| format!("'{text}' is no version of the protocol; write it like \"{VERSION}\""))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_lower_minor_counts_and_another_major_is_refused() {
        let of = |text: &str| text.parse::<Version>().unwrap();
        assert_eq!(of("1.3").agree(of("1.1")), Ok(of("1.1")));
        assert!(of("1.0").agree(of("2.0")).unwrap_err().contains("this side has"));
        assert!(of("2.0").agree(of("1.9")).unwrap_err().contains("the other side has"));
        for bad in ["1", "1.", ".1", "1.0.0", "+1.0", "1.0 ", "", "9999999999.0"] {
            assert!(bad.parse::<Version>().is_err(), "{bad}");
        }
    }
}
