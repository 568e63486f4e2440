//! Displacement, velocity and acceleration of a sine: `a = (2πf)² x = 2πf v`.

use super::{Accel, Acceleration, Dimension, Displacement, Hertz, Peak, QuantityError, Velocity};
use std::f64::consts::TAU;
use std::fmt;
use std::str::FromStr;

impl Accel<Peak> {
    /// Peak displacement of a sine of this acceleration at `frequency`.
    #[must_use]
    pub fn displacement_at(self, frequency: Hertz) -> Displacement<Peak> {
        Displacement::new(self.si() / (TAU * frequency.si()).powi(2))
    }

    /// Peak velocity of a sine of this acceleration at `frequency`.
    #[must_use]
    pub fn velocity_at(self, frequency: Hertz) -> Velocity<Peak> {
        Velocity::new(self.si() / (TAU * frequency.si()))
    }
}

impl Displacement<Peak> {
    /// Peak acceleration of a sine of this displacement at `frequency`.
    #[must_use]
    pub fn acceleration_at(self, frequency: Hertz) -> Accel<Peak> {
        Accel::new(self.si() * (TAU * frequency.si()).powi(2))
    }
}

impl Velocity<Peak> {
    /// Peak acceleration of a sine of this velocity at `frequency`.
    #[must_use]
    pub fn acceleration_at(self, frequency: Hertz) -> Accel<Peak> {
        Accel::new(self.si() * TAU * frequency.si())
    }
}

/// The amplitude of a point as people state it: acceleration, velocity or displacement of a sine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Amplitude {
    /// "1 g pk", "10 m/s² rms"
    Acceleration(Accel<Peak>),
    /// "0.1 m/s pk"
    Velocity(Velocity<Peak>),
    /// "8 mm pk-pk"
    Displacement(Displacement<Peak>),
}

impl Amplitude {
    /// The peak acceleration that this amplitude means at `frequency`.
    #[must_use]
    pub fn acceleration_at(self, frequency: Hertz) -> Accel<Peak> {
        match self {
            Self::Acceleration(a) => a,
            Self::Velocity(v) => v.acceleration_at(frequency),
            Self::Displacement(x) => x.acceleration_at(frequency),
        }
    }

    /// The stored number, positive for a usable amplitude.
    #[must_use]
    pub fn si(self) -> f64 {
        match self {
            Self::Acceleration(a) => a.si(),
            Self::Velocity(v) => v.si(),
            Self::Displacement(x) => x.si(),
        }
    }
}

impl fmt::Display for Amplitude {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Acceleration(a) => a.fmt(f),
            Self::Velocity(v) => v.fmt(f),
            Self::Displacement(x) => x.fmt(f),
        }
    }
}

impl FromStr for Amplitude {
    type Err = QuantityError;

    /// Tries acceleration first: its message is the one shown when no dimension fits.
    fn from_str(text: &str) -> Result<Self, QuantityError> {
        text.parse().map(Self::Acceleration).or_else(|error: QuantityError| {
            if !error.is_unknown_unit() {
                return Err(error);
            }
            let other = text.parse().map(Self::Velocity).or_else(|e: QuantityError| {
                if e.is_unknown_unit() { text.parse().map(Self::Displacement) } else { Err(e) }
            });
            other.map_err(|e| if e.is_unknown_unit() { no_amplitude(error) } else { e })
        })
    }
}

/// What is said where the unit belongs to none of the three.
fn no_amplitude(mut error: QuantityError) -> QuantityError {
    error.message = error.message.replace(Acceleration::NAME, "an amplitude");
    error.remedy = "use g or m/s2, m/s or mm/s, mm or um, such as \"1 g pk\"".to_owned();
    error
}

impl serde::Serialize for Amplitude {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}
