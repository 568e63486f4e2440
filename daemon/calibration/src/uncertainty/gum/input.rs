//! What enters a model: a named quantity with its best estimate and the distribution of what it may be.

use super::GumError;
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};
use std::f64::consts::PI;

/// How the possible values of an input lie about its estimate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// Normal, with this standard deviation.
    Normal {
        /// Standard deviation.
        standard: f64,
    },
    /// As likely anywhere between two limits (GUM 4.3.7).
    Rectangular {
        /// Half of the distance of the limits.
        half_width: f64,
    },
    /// Between two limits, the middle likeliest (GUM 4.3.9).
    Triangular {
        /// Half of the distance of the limits.
        half_width: f64,
    },
    /// A value that swings between two limits like a sine (GUM H.1.3.4).
    Arcsine {
        /// Half of the distance of the limits.
        half_width: f64,
    },
    /// Student's distribution, scaled: what is known after few observations (JCGM 101, 6.4.9).
    Student {
        /// Scale: the standard uncertainty that enters the law of propagation. The standard deviation of the distribution
        /// is larger, by √(ν/(ν − 2)).
        scale: f64,
        /// Degrees of freedom, at least 1.
        dof: f64,
    },
}

impl Shape {
    /// The standard uncertainty that enters the law of propagation.
    #[must_use]
    pub fn standard(self) -> f64 {
        match self {
            Self::Normal { standard } => standard,
            Self::Rectangular { half_width } => half_width / 3.0_f64.sqrt(),
            Self::Triangular { half_width } => half_width / 6.0_f64.sqrt(),
            Self::Arcsine { half_width } => half_width / 2.0_f64.sqrt(),
            Self::Student { scale, .. } => scale,
        }
    }

    fn size(self) -> f64 {
        match self {
            Self::Normal { standard: size }
            | Self::Student { scale: size, .. }
            | Self::Rectangular { half_width: size }
            | Self::Triangular { half_width: size }
            | Self::Arcsine { half_width: size } => size,
        }
    }

    /// The value below which it lies with probability `p`, about an estimate of 0.
    #[must_use]
    pub fn quantile(self, p: f64) -> f64 {
        match self {
            Self::Normal { standard } => standard * normal_quantile(p),
            Self::Rectangular { half_width } => half_width * (2.0 * p - 1.0),
            Self::Triangular { half_width } if p < 0.5 => half_width * ((2.0 * p).sqrt() - 1.0),
            Self::Triangular { half_width } => half_width * (1.0 - (2.0 * (1.0 - p)).sqrt()),
            Self::Arcsine { half_width } => -half_width * (PI * p).cos(),
            Self::Student { scale, dof } => {
                scale * StudentsT::new(0.0, 1.0, dof).map_or(f64::NAN, |t| t.inverse_cdf(p))
            }
        }
    }
}

/// One input of a model.
#[derive(Debug, Clone, PartialEq)]
pub struct Input {
    // Invariant: value finite; size of the shape finite and ≥ 0; dof ≥ 1, infinite allowed.
    name: String,
    value: f64,
    shape: Shape,
    dof: f64,
}

impl Input {
    /// An input with its estimate and distribution. Degrees of freedom are those of a Student distribution, else
    /// infinite until said otherwise.
    ///
    /// # Errors
    /// `Input` where a number is not usable.
    pub fn new(name: impl Into<String>, value: f64, shape: Shape) -> Result<Self, GumError> {
        let name = name.into();
        let fault = if !value.is_finite() {
            Some("its value must be finite")
        } else if !(shape.size().is_finite() && shape.size() >= 0.0) {
            Some("its spread must be finite and not negative")
        } else {
            None
        };
        if let Some(what) = fault {
            return Err(GumError::Input { name, what });
        }
        let input = Self { name, value, shape, dof: f64::INFINITY };
        match shape {
            Shape::Student { dof, .. } => input.with_dof(dof),
            _ => Ok(input),
        }
    }

    /// The same with degrees of freedom of its standard uncertainty: how well that is known (GUM G.3, G.4.2).
    ///
    /// # Errors
    /// `Input` below 1.
    pub fn with_dof(self, dof: f64) -> Result<Self, GumError> {
        if dof >= 1.0 {
            Ok(Self { dof, ..self })
        } else {
            Err(GumError::Input { name: self.name, what: "it must have at least 1 degree of freedom" })
        }
    }

    /// What it is called.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Best estimate.
    #[must_use]
    pub fn value(&self) -> f64 {
        self.value
    }

    /// Distribution about the estimate.
    #[must_use]
    pub fn shape(&self) -> Shape {
        self.shape
    }

    /// Standard uncertainty.
    #[must_use]
    pub fn standard(&self) -> f64 {
        self.shape.standard()
    }

    /// Degrees of freedom of its standard uncertainty.
    #[must_use]
    pub fn dof(&self) -> f64 {
        self.dof
    }
}

/// The standard normal quantile.
#[must_use]
pub fn normal_quantile(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p)
}

/// The standard normal distribution function.
#[must_use]
pub fn normal_cdf(x: f64) -> f64 {
    Normal::standard().cdf(x)
}
