//! The two clocks of the house: the index of a sample, and monotonic time for liveness.

use super::{SamplesPerSecond, Seconds};
use std::ops::{Add, AddAssign, Sub};

/// Position of a sample since the acquisition was started. All judgement of the signal is in these.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct SampleIndex(pub u64);

/// A number of samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct SampleCount(pub u64);

impl SampleCount {
    /// Samples in `time` at `rate`, rounded up: at least as long as asked for.
    #[must_use]
    pub fn at_least(time: Seconds, rate: SamplesPerSecond) -> Self {
        Self::whole((time.si() * rate.si()).ceil())
    }

    /// Samples in a time, to the nearest whole number.
    #[must_use]
    pub fn nearest(time: Seconds, rate: SamplesPerSecond) -> Self {
        Self::whole((time.si() * rate.si()).round())
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the range of u64"
    )]
    fn whole(samples: f64) -> Self {
        Self(samples.clamp(0.0, 9.0e15) as u64)
    }

    /// How long this many samples last.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "exact below 2^53 samples: 28,000 years at 10 kS/s")]
    pub fn duration(self, rate: SamplesPerSecond) -> Seconds {
        Seconds::new(self.0 as f64 / rate.si())
    }
}

impl Add for SampleCount {
    type Output = Self;
    fn add(self, more: Self) -> Self {
        Self(self.0.saturating_add(more.0))
    }
}

impl AddAssign for SampleCount {
    fn add_assign(&mut self, more: Self) {
        *self = *self + more;
    }
}

impl Add<SampleCount> for SampleIndex {
    type Output = Self;
    fn add(self, count: SampleCount) -> Self {
        Self(self.0.saturating_add(count.0))
    }
}

impl Sub for SampleIndex {
    type Output = SampleCount;
    /// Samples from `earlier` to `self`; zero if `earlier` is not earlier.
    fn sub(self, earlier: Self) -> SampleCount {
        SampleCount(self.0.saturating_sub(earlier.0))
    }
}

/// Monotonic time in nanoseconds since the station started. Only for liveness: replies, blocks, contacts,
/// heartbeats. The core never reads a clock; the shell hands this in with every input.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Mono(pub u64);

impl Mono {
    /// Time that passed since `earlier`; zero if `earlier` lies ahead.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "liveness does not need more than 53 bits")]
    pub fn since(self, earlier: Self) -> Seconds {
        Seconds::new(self.0.saturating_sub(earlier.0) as f64 * 1e-9)
    }

    /// The moment `time` after this one.
    #[must_use]
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the range of u64"
    )]
    pub fn after(self, time: Seconds) -> Self {
        Self(self.0.saturating_add((time.si() * 1e9).clamp(0.0, 9.0e18) as u64))
    }
}
