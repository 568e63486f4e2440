//! Why a budget or a certificate can't be used.

use plan_schema::units::Hertz;
use std::fmt;

/// What is wrong with a budget, a component or the reference's certificate.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum UncertaintyError {
    /// A stated value is negative or not finite.
    StatedValue {
        /// Name of the component.
        component: String,
        /// The value.
        stated: f64,
    },
    /// A coverage factor is not positive and finite.
    CoverageFactor {
        /// Name of the component or certificate.
        component: String,
        /// The factor.
        k: f64,
    },
    /// Degrees of freedom below 1 or not a number; infinite is allowed.
    DegreesOfFreedom {
        /// Name of the component.
        component: String,
        /// The degrees of freedom.
        dof: f64,
    },
    /// A correlation outside 0 … 1.
    Correlation {
        /// Name of the component.
        component: String,
        /// The correlation.
        r: f64,
    },
    /// Two components of one budget bear the same name.
    RepeatedName {
        /// The name.
        component: String,
    },
    /// Two budgets that are compared state different correlations for a component.
    CorrelationsDisagree {
        /// Name of the component.
        component: String,
    },
    /// Two budgets that are compared are not of the same kind.
    KindsDisagree,
    /// A budget could not be simulated.
    Simulation {
        /// Why.
        what: String,
    },
    /// The certificate has no point, or points that are not in rising order of positive frequency, or a value in
    /// them that is no usable number.
    Certificate {
        /// Position of the point, from 0.
        point: usize,
        /// What is wrong with it.
        what: &'static str,
    },
    /// The certificate does not reach this frequency. It is never extrapolated.
    OutsideCertificate {
        /// Frequency asked for.
        frequency: Hertz,
        /// Lowest frequency of the certificate.
        lowest: Hertz,
        /// Highest frequency of the certificate.
        highest: Hertz,
    },
}

impl fmt::Display for UncertaintyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::StatedValue { component, stated } => {
                write!(f, "'{component}': {stated} is no uncertainty; it must be finite and not negative")
            }
            Self::CoverageFactor { component, k } => {
                write!(f, "'{component}': coverage factor {k}; it must be positive and finite")
            }
            Self::DegreesOfFreedom { component, dof } => {
                write!(f, "'{component}': {dof} degrees of freedom; there must be at least 1")
            }
            Self::Correlation { component, r } => {
                write!(f, "'{component}': correlation {r}; it must lie between 0 and 1")
            }
            Self::RepeatedName { component } => {
                write!(f, "the budget has two components named '{component}'; names must differ")
            }
            Self::CorrelationsDisagree { component } => {
                write!(f, "'{component}' has another correlation at the reference frequency")
            }
            Self::KindsDisagree => write!(f, "a budget of magnitude can't be compared with one of phase"),
            Self::Simulation { what } => write!(f, "the budget can't be simulated: {what}"),
            Self::Certificate { point, what } => {
                write!(f, "point {} of the reference's certificate: {what}", point + 1)
            }
            Self::OutsideCertificate { frequency, lowest, highest } => write!(
                f,
                "the reference's certificate reaches from {lowest} to {highest}, not to {frequency}; it is not extrapolated"
            ),
        }
    }
}

impl std::error::Error for UncertaintyError {}
