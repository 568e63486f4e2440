//! One component of a budget: what is stated, how it is distributed, where it comes from.

use super::UncertaintyError;

/// Where a component comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ComponentSource {
    /// Measured in this run.
    ThisRun,
    /// Stated in the reference's calibration certificate.
    ReferenceCertificate,
    /// Stated in the rig file.
    RigFile,
    /// Stated in a register of sensors or references.
    Register,
}

/// What the stated value means, and so by what it is divided to give a standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Distribution {
    /// An expanded uncertainty with its coverage factor: divided by k.
    Normal {
        /// Coverage factor.
        k: f64,
    },
    /// Limits between which every value is as likely: half-width over √3 (GUM 4.3.7).
    Rectangular,
    /// Limits with the middle likeliest: half-width over √6 (GUM 4.3.9).
    Triangular,
    /// A value that swings between limits: half-width over √2 (GUM H.1.3.4).
    Arcsine,
    /// Transverse motion on transverse sensitivity: the product of both limits, each rectangular (√3), times the
    /// cosine of an angle of which nothing is known (√2): over √18.
    Transverse,
    /// A standard uncertainty from repeated observation: divided by 1.
    TypeA,
}

impl Distribution {
    /// What the stated value is divided by.
    #[must_use]
    pub fn divisor(self) -> f64 {
        match self {
            Self::Normal { k } => k,
            Self::Rectangular => 3.0_f64.sqrt(),
            Self::Triangular => 6.0_f64.sqrt(),
            Self::Arcsine => 2.0_f64.sqrt(),
            Self::Transverse => 18.0_f64.sqrt(),
            Self::TypeA => 1.0,
        }
    }
}

/// One component. Values are relative for a magnitude and in rad for a phase.
#[derive(Debug, Clone, PartialEq)]
pub struct Component {
    // Invariant: stated ≥ 0 and finite, divisor > 0 and finite, dof ≥ 1 (infinite allowed), 0 ≤ correlation ≤ 1.
    name: String,
    source: ComponentSource,
    distribution: Distribution,
    stated: f64,
    dof: f64,
    correlation: f64,
}

impl Component {
    /// A component as stated: the expanded uncertainty (`Normal`), the half-width of the limits, the product of
    /// sensitivity and motion (`Transverse`) or the standard uncertainty (`TypeA`). Degrees of freedom are infinite
    /// and frequencies independent until said otherwise.
    ///
    /// # Errors
    /// `StatedValue`, `CoverageFactor`.
    pub fn new(
        name: impl Into<String>,
        source: ComponentSource,
        distribution: Distribution,
        stated: f64,
    ) -> Result<Self, UncertaintyError> {
        let name = name.into();
        if !(stated.is_finite() && stated >= 0.0) {
            return Err(UncertaintyError::StatedValue { component: name, stated });
        }
        let divisor = distribution.divisor();
        if !(divisor.is_finite() && divisor > 0.0) {
            return Err(UncertaintyError::CoverageFactor { component: name, k: divisor });
        }
        Ok(Self { name, source, distribution, stated, dof: f64::INFINITY, correlation: 0.0 })
    }

    /// A standard uncertainty from repeated observation in this run.
    ///
    /// # Errors
    /// `StatedValue`, `DegreesOfFreedom`.
    pub fn type_a(name: impl Into<String>, standard: f64, dof: f64) -> Result<Self, UncertaintyError> {
        Self::new(name, ComponentSource::ThisRun, Distribution::TypeA, standard)?.with_dof(dof)
    }

    /// Transverse motion (share of the motion along the axis) on transverse sensitivity (share of that along the
    /// axis); both are limits.
    ///
    /// # Errors
    /// `StatedValue`.
    pub fn transverse(
        name: impl Into<String>,
        source: ComponentSource,
        sensitivity: f64,
        motion: f64,
    ) -> Result<Self, UncertaintyError> {
        Self::new(name, source, Distribution::Transverse, sensitivity * motion)
    }

    /// The same with degrees of freedom, at least 1.
    ///
    /// # Errors
    /// `DegreesOfFreedom`.
    pub fn with_dof(self, dof: f64) -> Result<Self, UncertaintyError> {
        if dof >= 1.0 {
            Ok(Self { dof, ..self })
        } else {
            Err(UncertaintyError::DegreesOfFreedom { component: self.name, dof })
        }
    }

    /// The same with the correlation of its error between this frequency and the reference frequency: 0 for
    /// independent, 1 for the same error at both.
    ///
    /// # Errors
    /// `Correlation`.
    pub fn with_correlation(self, r: f64) -> Result<Self, UncertaintyError> {
        if (0.0..=1.0).contains(&r) {
            Ok(Self { correlation: r, ..self })
        } else {
            Err(UncertaintyError::Correlation { component: self.name, r })
        }
    }

    /// The same under another name.
    pub(super) fn renamed(self, name: String) -> Self {
        Self { name, ..self }
    }

    /// What it is called.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Where it comes from.
    #[must_use]
    pub fn source(&self) -> ComponentSource {
        self.source
    }

    /// How it is distributed.
    #[must_use]
    pub fn distribution(&self) -> Distribution {
        self.distribution
    }

    /// The value as stated.
    #[must_use]
    pub fn stated(&self) -> f64 {
        self.stated
    }

    /// Standard uncertainty: stated value over divisor.
    #[must_use]
    pub fn standard(&self) -> f64 {
        self.stated / self.distribution.divisor()
    }

    /// Degrees of freedom, at least 1; infinite if the value is taken as exactly known.
    #[must_use]
    pub fn dof(&self) -> f64 {
        self.dof
    }

    /// Correlation of its error between this frequency and the reference frequency.
    #[must_use]
    pub fn correlation_over_frequency(&self) -> f64 {
        self.correlation
    }
}
