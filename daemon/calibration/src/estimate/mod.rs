//! Estimation: from samples to complex amplitudes, ratios and what is known of their scatter.
//!
//! Owns: the dwell that grows and may be looked at ([`DwellFit`], [`dwell`], [`gated`] for one with gaps), when a dwell
//! may end ([`may_stop`]), the running amplitude while it settles ([`Running`]), and channels at rest ([`quiet`]). Must
//! not know sensitivities, tolerances or what a bad figure means for a point.
//!
//! Every function here depends on its arguments alone and adds in a fixed order, however the samples come in: the same
//! samples give the same bits again, which recomputing a run relies on.
//!
//! ```text
//! samples ─ table: a block against constant columns      all the work per sample
//!         └ sums: blocks kept; turned to their place ─── right-hand sides at any frequency nearby
//! terms ─── powersum: Gram matrix in closed form ──────┐
//! frequency: segments ─ phase progression ─ Gauss–Newton on the reference
//! fit ───── all channels at that frequency ── ratio: segments, type A ── dwell
//! ```

mod dwell;
mod error;
mod fit;
mod frequency;
mod gated;
mod look;
mod model;
mod normal;
mod options;
mod powersum;
mod quiet;
mod ratio;
mod running;
mod segments;
mod stop;
mod sums;
mod table;
mod terms;

pub use dwell::{DwellEstimate, DwellFit, FrequencyBasis, Trend, dwell};
pub use error::EstimateError;
pub use fit::ChannelEstimate;
pub use gated::gated;
pub use nalgebra::Complex;
pub use options::{DwellOptions, FrequencySearch};
pub use quiet::{AtRest, Quiet, at_rest, quiet};
pub use ratio::{RatioEstimate, TypeABasis};
pub use running::{Running, RunningEstimate};
pub use stop::{LENGTHS, may_stop};

#[cfg(test)]
mod tests;
