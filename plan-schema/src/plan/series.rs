//! A series of points: frequencies that follow from a rule, and an amplitude for all of them.
//!
//! Owns: what is written of a series and the frequencies it makes. Whether what is written makes sense is checked in
//! `checks`.

use crate::read::{Node, Notes, Written};
use crate::units::{Amplitude, Fraction, Hertz};
use crate::{written_table, written_words};
use std::fmt;
use toml::de::DeValue;

written_table! {
    /// A series of points from one frequency to another.
    pub struct Series {
        /// Lowest frequency.
        pub from: Hertz,
        /// Highest frequency. Of preferred frequencies those count whose nominal value lies between the two, either included.
        pub to: Hertz,
        /// How the frequencies are spaced.
        pub spacing: Spacing,
        /// Which values preferred frequencies have; has to be said with octaves and their parts.
        pub values: Option<PreferredValues>,
        /// Frequencies in a decade, from the lowest on; for a logarithmic spacing.
        pub per_decade: Option<u32>,
        /// Frequencies in all, both ends included; for a logarithmic spacing.
        pub count: Option<u32>,
        /// Amplitude of the motion, the same at all frequencies: acceleration, velocity or displacement, with its kind. Or
        /// "largest": at each frequency as large as stroke, velocity, force, drive, ranges and reserve allow.
        pub amplitude: SeriesAmplitude,
        /// What "largest" goes up to.
        pub at_most: Option<Amplitude>,
        /// Cycles measured, at least; the defaults are 5 below 1 Hz, 10 up to 10 Hz, 1 s above.
        pub dwell_cycles: Option<u32>,
        /// Measurements of each point with the same mounting.
        pub repeats: u32 = 1,
        /// Largest deviation that passes.
        pub tolerance: Option<Fraction>,
        /// Largest distortion of acceleration.
        pub distortion_limit: Option<Fraction>,
    }
}

written_words! {
    /// How the frequencies of a series are spaced.
    pub enum Spacing {
        /// Preferred frequencies an octave apart (ISO 266): 8, 16, 31.5, 63, 125 Hz.
        Octave = "octave",
        /// Preferred frequencies half an octave apart (ISO 266): 16, 22.4, 31.5, 45, 63 Hz.
        HalfOctave = "half_octave",
        /// Preferred frequencies a third of an octave apart (ISO 266): 10, 12.5, 16, 20, 25 Hz.
        ThirdOctave = "third_octave",
        /// Each the same multiple of the one before, to five significant digits.
        Logarithmic = "logarithmic",
    }
}

written_words! {
    /// Which values preferred frequencies have.
    pub enum PreferredValues {
        /// As they are called: 12.5 Hz.
        Nominal = "nominal",
        /// As ISO 266 defines them, with base ten: 10^(11/10) Hz, which is 12.589 Hz.
        Exact = "exact",
    }
}

/// The amplitude of a series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SeriesAmplitude {
    /// The same at all frequencies.
    Fixed(Amplitude),
    /// "largest"
    Largest,
}

const LARGEST: &str = "largest";

impl Written for SeriesAmplitude {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        match node.value {
            DeValue::String(text) if text.trim() == LARGEST => Some(Self::Largest),
            _ => Amplitude::read(node, notes).map(Self::Fixed),
        }
    }

    fn schema() -> serde_json::Value {
        let largest = serde_json::json!({
            "const": LARGEST,
            "description": "As large as stroke, velocity, force, drive, ranges and reserve allow, up to 'at_most'.",
        });
        serde_json::json!({ "anyOf": [Amplitude::schema(), largest], "examples": ["1 g pk", LARGEST] })
    }
}

impl fmt::Display for SeriesAmplitude {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Fixed(amplitude) => amplitude.fmt(f),
            Self::Largest => f.write_str(LARGEST),
        }
    }
}

impl serde::Serialize for SeriesAmplitude {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// The preferred numbers of a decade, twenty of them, as ISO 3 and ISO 266 have them: hundred times the nominal value, and
/// the exact one, 10^(n/20). Every second belongs to third-octaves, every third to half-octaves, every sixth to octaves,
/// each counted from 1 Hz as from 1 kHz.
const PREFERRED: [(u32, f64); 20] = [
    (100, 1.0),
    (112, 1.122_018_454_301_963_3),
    (125, 1.258_925_411_794_167_3),
    (140, 1.412_537_544_622_754_4),
    (160, 1.584_893_192_461_113_4),
    (180, 1.778_279_410_038_922_8),
    (200, 1.995_262_314_968_879_5),
    (224, 2.238_721_138_568_339_4),
    (250, 2.511_886_431_509_58),
    (280, 2.818_382_931_264_453_7),
    (315, 3.162_277_660_168_379_5),
    (355, 3.548_133_892_335_754_6),
    (400, 3.981_071_705_534_972_7),
    (450, 4.466_835_921_509_631),
    (500, 5.011_872_336_272_723),
    (560, 5.623_413_251_903_491),
    (630, 6.309_573_444_801_932_5),
    (710, 7.079_457_843_841_379_5),
    (800, 7.943_282_347_242_815),
    (900, 8.912_509_381_337_456),
];

/// More points than this no series may make.
pub(crate) const MOST_POINTS: u32 = 1000;

/// What a frequency may lie beyond an end by rounding.
const HAIR: f64 = 1e-9;

impl Spacing {
    /// How many twentieths of a decade from one to the next; `None` where it is no preferred frequency.
    fn twentieths(self) -> Option<i32> {
        match self {
            Self::Octave => Some(6),
            Self::HalfOctave => Some(3),
            Self::ThirdOctave => Some(2),
            Self::Logarithmic => None,
        }
    }
}

/// A preferred frequency by its number of twentieths of a decade above 1 Hz: nominal and exact.
fn preferred(number: i32) -> (Hertz, Hertz) {
    let (decade, place) = (number.div_euclid(20), number.rem_euclid(20));
    let (nominal, exact) =
        usize::try_from(place).ok().and_then(|p| PREFERRED.get(p)).copied().unwrap_or((100, 1.0));
    // Powers of ten of whole exponents are exact, so one rounding is left whichever way it goes.
    let scaled = |value: f64, exponent: i32| {
        let power = 10f64.powi(exponent.abs());
        if exponent >= 0 { value * power } else { value / power }
    };
    (Hertz::new(scaled(f64::from(nominal), decade - 2)), Hertz::new(scaled(exact, decade)))
}

impl Series {
    /// About how many frequencies there are: not less than there are.
    pub(crate) fn count_at_most(&self) -> f64 {
        let decades = (self.to.si() / self.from.si()).log10();
        match self.spacing.twentieths() {
            Some(apart) => decades * 20.0 / f64::from(apart) + 1.0,
            None => {
                let by_decade = self.per_decade.map(|n| decades * f64::from(n) + 1.0);
                by_decade.or(self.count.map(f64::from)).unwrap_or(0.0)
            }
        }
    }

    /// The frequencies, rising. None where what is written makes no sense, or makes more than can be meant.
    #[must_use]
    pub fn frequencies(&self) -> Vec<Hertz> {
        let sensible = self.from > Hertz::ZERO && self.from <= self.to && self.to.is_finite();
        if !sensible || self.count_at_most() > f64::from(MOST_POINTS) {
            return Vec::new();
        }
        match self.spacing.twentieths() {
            Some(apart) => self.preferred(apart),
            None => self.logarithmic(),
        }
    }

    fn preferred(&self, apart: i32) -> Vec<Hertz> {
        let Some(values) = self.values else { return Vec::new() };
        #[expect(clippy::cast_possible_truncation, reason = "a logarithm of a positive double is small")]
        let near = |f: Hertz| (f.si().log10() * 20.0).floor() as i32;
        let within = |f: Hertz| f >= self.from * (1.0 - HAIR) && f <= self.to * (1.0 + HAIR);
        (near(self.from) - 1..=near(self.to) + 2)
            .filter(|number| number.rem_euclid(apart) == 0)
            .map(preferred)
            .filter(|(nominal, _)| within(*nominal))
            .map(|(nominal, exact)| match values {
                PreferredValues::Nominal => nominal,
                PreferredValues::Exact => exact,
            })
            .collect()
    }

    fn logarithmic(&self) -> Vec<Hertz> {
        let ratio = self.to / self.from;
        let (steps, factor) = match (self.per_decade, self.count) {
            (Some(n), None) if n > 0 => {
                let n = f64::from(n);
                (ratio.log10() * n + HAIR, move |k: f64| 10f64.powf(k / n))
            }
            (None, Some(n)) if n > 1 => return self.both_ends(n, ratio),
            _ => return Vec::new(),
        };
        let steps = (0..MOST_POINTS).map(f64::from).take_while(|k| *k <= steps);
        steps.map(|k| if k > 0.0 { sayable(self.from * factor(k)) } else { self.from }).collect()
    }

    /// The ends are what was written, to the bit.
    fn both_ends(&self, count: u32, ratio: f64) -> Vec<Hertz> {
        let last = count - 1;
        let at = |k: u32| match k {
            0 => self.from,
            k if k == last => self.to,
            k => sayable(self.from * ratio.powf(f64::from(k) / f64::from(last))),
        };
        (0..count).map(at).collect()
    }
}

/// The frequency in five significant digits: a certificate has to name it, and no instrument sets it better.
fn sayable(frequency: Hertz) -> Hertz {
    let shown = format!("{:.4e}", frequency.si());
    shown.parse().map_or(frequency, Hertz::new)
}

#[cfg(test)]
mod tests;
