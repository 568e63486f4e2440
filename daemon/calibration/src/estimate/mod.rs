//! Estimation: from the samples of a dwell to complex amplitudes, ratios and what is known of their scatter.
//!
//! Owns: the sine fit with harmonics, offset and drift ([`fit`]), the dwell with measured frequency and type A
//! uncertainty ([`dwell`]), the running amplitude for the control loop ([`SineWindow`]), and channels at rest
//! ([`at_rest`]). Must not know sensitivities, tolerances or what a bad figure means for a point.
//!
//! Every function here depends on its arguments alone and adds in a fixed order: the same samples give the same
//! bits again, which recomputing a run relies on.
//!
//! ```text
//! dwell ── frequency: segments ─ phase progression ─ Gauss–Newton        reference alone
//!       ├─ fit: one pass, all channels, at the measured frequency
//!       └─ residuals: one pass, squares and departures by segment ─ ratios, type A
//! ```

mod dwell;
mod error;
mod fit;
mod frequency;
mod normal;
mod quiet;
mod regressors;
mod segments;
mod window;

pub use dwell::{
    DwellEstimate, DwellOptions, FrequencyBasis, FrequencySearch, RatioEstimate, TypeABasis, dwell,
};
pub use error::EstimateError;
pub use fit::{ChannelEstimate, fit};
pub use nalgebra::Complex;
pub use quiet::{AtRest, at_rest};
pub use regressors::Model;
pub use window::SineWindow;

#[cfg(test)]
mod tests;
