//! The run machine against a bench of a few lines.

#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_precision_loss,
    reason = "samples are f32, counts are small"
)]

mod before_motion;
pub(crate) mod bench;
mod channel_ratio;
mod dwells;
mod first_motion;
mod opening;
mod order;
mod quality;
mod random;
mod room;
mod substitution;
mod unkept;
mod whole;
