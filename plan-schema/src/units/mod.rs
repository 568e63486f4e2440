//! Quantities with their unit in the type.
//!
//! Owns: [`Quantity`] and the aliases in daily use, the statistic of an amplitude as a type parameter
//! ([`Peak`], [`Rms`]), sample counts and indices, and the monotonic time that is handed to the pure core.
//! Invariant: a value is stored in the coherent SI unit, and only [`Quantity::new`] puts a bare number in.
//! There is no `Deref` and no `From<f64>`: a factor of 1.414 or 9.80665 must not be able to slip through.

mod dimension;
mod every;
mod kinematics;
mod mistake;
mod spelling;
mod text;
mod time;

pub use dimension::*;
pub use kinematics::Amplitude;
pub(crate) use mistake::as_percent;
pub(crate) use text::pattern;
pub use text::{QuantityError, engineering};
pub use time::{Mono, SampleCount, SampleIndex};

use std::cmp::Ordering;
use std::fmt;
use std::marker::PhantomData;
use std::ops::{Add, Div, Mul, Neg, Sub};

/// Standard gravity in m/s², exact by definition (CGPM 1901; a conversion constant, not local gravity).
pub const STANDARD_GRAVITY: f64 = 9.80665;

/// A value of dimension `D`, stored in the coherent SI unit of that dimension.
pub struct Quantity<D> {
    si: f64,
    dimension: PhantomData<fn() -> D>,
}

impl<D> Quantity<D> {
    /// Makes a quantity from a number in the coherent SI unit of `D`.
    #[must_use]
    pub const fn new(si: f64) -> Self {
        Self { si, dimension: PhantomData }
    }

    /// Zero of this dimension.
    pub const ZERO: Self = Self::new(0.0);

    /// The number in the coherent SI unit of `D`.
    #[must_use]
    pub const fn si(self) -> f64 {
        self.si
    }

    /// Magnitude without sign.
    #[must_use]
    pub fn abs(self) -> Self {
        Self::new(self.si.abs())
    }

    /// The smaller of two; NaN loses.
    #[must_use]
    pub fn min(self, other: Self) -> Self {
        Self::new(self.si.min(other.si))
    }

    /// The larger of two; NaN loses.
    #[must_use]
    pub fn max(self, other: Self) -> Self {
        Self::new(self.si.max(other.si))
    }

    /// True for a number that is neither infinite nor NaN.
    #[must_use]
    pub fn is_finite(self) -> bool {
        self.si.is_finite()
    }
}

impl<D> Clone for Quantity<D> {
    fn clone(&self) -> Self {
        *self
    }
}
impl<D> Copy for Quantity<D> {}
impl<D> PartialEq for Quantity<D> {
    fn eq(&self, other: &Self) -> bool {
        self.si == other.si
    }
}
impl<D> PartialOrd for Quantity<D> {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        self.si.partial_cmp(&other.si)
    }
}
impl<D> Add for Quantity<D> {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self::new(self.si + other.si)
    }
}
impl<D> Sub for Quantity<D> {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self::new(self.si - other.si)
    }
}
impl<D> Neg for Quantity<D> {
    type Output = Self;
    fn neg(self) -> Self {
        Self::new(-self.si)
    }
}
impl<D> Mul<f64> for Quantity<D> {
    type Output = Self;
    fn mul(self, factor: f64) -> Self {
        Self::new(self.si * factor)
    }
}
impl<D> Div<f64> for Quantity<D> {
    type Output = Self;
    fn div(self, divisor: f64) -> Self {
        Self::new(self.si / divisor)
    }
}
/// The ratio of two quantities of one dimension is a plain number.
impl<D> Div for Quantity<D> {
    type Output = f64;
    fn div(self, other: Self) -> f64 {
        self.si / other.si
    }
}
impl<D: Dimension> fmt::Debug for Quantity<D> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}
/// Prints in SI so that reading the text back gives the same bits ("0.075 m pk").
impl<D: Dimension> fmt::Display for Quantity<D> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        text::write_exact::<D>(self.si, f)
    }
}
impl<D: Dimension> std::str::FromStr for Quantity<D> {
    type Err = QuantityError;
    fn from_str(text: &str) -> Result<Self, QuantityError> {
        text::parse::<D>(text).map(Self::new)
    }
}
impl<D: Dimension> serde::Serialize for Quantity<D> {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

#[cfg(test)]
mod tests;
