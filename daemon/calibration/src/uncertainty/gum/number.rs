//! Numbers that a model is written for: real ones, and dual ones that carry a derivative along exactly.
//!
//! A dual number over dual numbers carries second derivatives, one over those third ones (forward-mode automatic
//! differentiation; Griewank and Walther, *Evaluating Derivatives*, chapters 3 and 13).

use std::ops::{Add, Div, Mul, Neg, Sub};

/// What a model may do with its inputs. Angles in rad.
pub trait Number:
    Copy + Add<Output = Self> + Sub<Output = Self> + Mul<Output = Self> + Div<Output = Self> + Neg<Output = Self>
{
    /// A number that depends on no input.
    fn constant(value: f64) -> Self;
    /// Its value, without derivatives.
    fn value(self) -> f64;
    /// Sine.
    #[must_use]
    fn sin(self) -> Self;
    /// Cosine.
    #[must_use]
    fn cos(self) -> Self;
    /// Arc tangent.
    #[must_use]
    fn atan(self) -> Self;
    /// Exponential.
    #[must_use]
    fn exp(self) -> Self;
    /// Natural logarithm.
    #[must_use]
    fn ln(self) -> Self;
    /// Square root.
    #[must_use]
    fn sqrt(self) -> Self;

    /// A whole power.
    #[must_use]
    fn powi(self, exponent: u32) -> Self {
        (0..exponent).fold(Self::constant(1.0), |product, _| product * self)
    }

    /// A multiple.
    #[must_use]
    fn times(self, factor: f64) -> Self {
        self * Self::constant(factor)
    }

    /// The sum with a constant.
    #[must_use]
    fn plus(self, constant: f64) -> Self {
        self + Self::constant(constant)
    }
}

impl Number for f64 {
    fn constant(value: f64) -> Self {
        value
    }
    fn value(self) -> f64 {
        self
    }
    fn sin(self) -> Self {
        Self::sin(self)
    }
    fn cos(self) -> Self {
        Self::cos(self)
    }
    fn atan(self) -> Self {
        Self::atan(self)
    }
    fn exp(self) -> Self {
        Self::exp(self)
    }
    fn ln(self) -> Self {
        Self::ln(self)
    }
    fn sqrt(self) -> Self {
        Self::sqrt(self)
    }
}

/// A value with its derivative in one direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dual<N> {
    /// The value.
    pub real: N,
    /// Its derivative.
    pub slope: N,
}

impl<N: Number> Dual<N> {
    /// An input in whose direction is differentiated.
    #[must_use]
    pub fn variable(real: N) -> Self {
        Self { real, slope: N::constant(1.0) }
    }

    /// A number that does not change in that direction.
    #[must_use]
    pub fn fixed(real: N) -> Self {
        Self { real, slope: N::constant(0.0) }
    }

    /// `f` of it, by the chain rule.
    fn chain(self, value: N, slope: N) -> Self {
        Self { real: value, slope: slope * self.slope }
    }
}

impl<N: Number> Add for Dual<N> {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self { real: self.real + other.real, slope: self.slope + other.slope }
    }
}

impl<N: Number> Sub for Dual<N> {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self { real: self.real - other.real, slope: self.slope - other.slope }
    }
}

impl<N: Number> Mul for Dual<N> {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        Self { real: self.real * other.real, slope: self.slope * other.real + self.real * other.slope }
    }
}

impl<N: Number> Div for Dual<N> {
    type Output = Self;
    fn div(self, other: Self) -> Self {
        let quotient = self.real / other.real;
        Self { real: quotient, slope: (self.slope - quotient * other.slope) / other.real }
    }
}

impl<N: Number> Neg for Dual<N> {
    type Output = Self;
    fn neg(self) -> Self {
        Self { real: -self.real, slope: -self.slope }
    }
}

impl<N: Number> Number for Dual<N> {
    fn constant(value: f64) -> Self {
        Self::fixed(N::constant(value))
    }
    fn value(self) -> f64 {
        self.real.value()
    }
    fn sin(self) -> Self {
        self.chain(self.real.sin(), self.real.cos())
    }
    fn cos(self) -> Self {
        self.chain(self.real.cos(), -self.real.sin())
    }
    fn atan(self) -> Self {
        self.chain(self.real.atan(), N::constant(1.0) / (self.real * self.real).plus(1.0))
    }
    fn exp(self) -> Self {
        let value = self.real.exp();
        self.chain(value, value)
    }
    fn ln(self) -> Self {
        self.chain(self.real.ln(), N::constant(1.0) / self.real)
    }
    fn sqrt(self) -> Self {
        let value = self.real.sqrt();
        self.chain(value, N::constant(0.5) / value)
    }
}
