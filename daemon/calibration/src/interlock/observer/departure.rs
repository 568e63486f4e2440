//! When the acceleration leaves what was foreseen.
//!
//! Owns: the watch over what the reference shows beside a steady tone and the model, and how much of that is allowed. It is
//! the fastest notice of a gain that jumps, a source that stops or holds, a reference that opens or turns round: the
//! acceleration changes with the drive, long before the displacement has. Must not: name a cause; see [`Departure`].

use super::notch::Notch;
use plan_schema::units::{AccelDc, SampleIndex};

/// Share of a tone's acceleration by which it may leave what was foreseen (common practice, no source): distortion stays
/// well below, and so does what an amplitude that is corrected by a few percent makes.
pub(crate) const SHARE: f64 = 0.3;

/// The same while a change of drive is on its way, as a share of the larger tone: with a model of the way, and without.
const ON_THE_WAY: (f64, f64) = (0.8, 2.5);

/// Cycles for which a change of drive is still seen in a steady tone's notch.
pub(super) const TAIL_CYCLES: f64 = 2.5;

/// Samples are averaged over this share of a cycle, so that noise far above the tone does not count as motion.
pub(crate) const GROUP_CYCLES: f64 = 1.0 / 200.0;

/// But over no longer than this, in s.
pub(crate) const GROUP_MOST: f64 = 0.0005;

/// The acceleration left what was foreseen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Departure {
    /// The sample at which it was beyond what is allowed.
    pub at: SampleIndex,
    /// What the reference shows.
    pub seen: AccelDc,
    /// What it should show there: the tone as it stood still, or the model on its way.
    pub foreseen: AccelDc,
    /// How far the two may be apart.
    pub allowed: AccelDc,
    /// True if a change of drive was on its way.
    pub on_the_way: bool,
}

/// Watches the acceleration.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Departures {
    notch: Notch,
    /// Allowed of a steady tone and on the way to it, m/s².
    steady: f64,
    way: f64,
    /// The first sample at which it counts as steady.
    steady_from: f64,
    group: u32,
    sums: (f64, f64),
    count: u32,
}

/// Length of a group at a frequency.
#[must_use]
pub(super) fn group(frequency: f64, rate: f64) -> u32 {
    let seconds = (GROUP_CYCLES / frequency).min(GROUP_MOST);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped")]
    let samples = (seconds * rate).floor().clamp(1.0, 1e6) as u32;
    samples
}

impl Departures {
    /// Nothing to watch yet.
    #[must_use]
    pub(super) fn at_rest(period: f64) -> Self {
        let notch = Notch::new(1.0, period);
        let (sums, never) = ((0.0, 0.0), f64::INFINITY);
        Self { notch, steady: never, way: never, steady_from: 0.0, group: 1, sums, count: 0 }
    }

    /// A tone was commanded: the larger of the accelerations before and after it, m/s², and the new one's; the noise that
    /// a group may show; whether a model tells the way; and when it counts as steady.
    pub(super) fn commanded(
        &mut self,
        (notch, group): (Option<Notch>, u32),
        (larger, new): (f64, f64),
        noise: f64,
        modelled: bool,
        steady_from: f64,
    ) {
        self.notch = notch.unwrap_or(self.notch);
        let way = if modelled { ON_THE_WAY.0 } else { ON_THE_WAY.1 };
        // Without a tone there is nothing to leave.
        self.steady = if new > 0.0 { SHARE * new + noise } else { f64::INFINITY };
        self.way = way * larger + noise;
        self.steady_from = steady_from;
        self.group = group;
        (self.sums, self.count) = ((0.0, 0.0), 0);
    }

    /// True until the tone counts as steady.
    pub(super) fn is_on_the_way(&self, sample: f64) -> bool {
        sample < self.steady_from
    }

    /// Takes a sample: what the reference shows, and that less the model. A departure at the end of a group.
    #[inline]
    pub(super) fn pass(&mut self, sample: f64, seen: f64, beside: f64) -> Option<Departure> {
        let news = self.notch.pass(beside);
        self.sums = (self.sums.0 + seen, self.sums.1 + news);
        self.count += 1;
        if self.count < self.group {
            return None;
        }
        let share = 1.0 / f64::from(self.count);
        let (seen, news) = (self.sums.0 * share, self.sums.1 * share);
        (self.sums, self.count) = ((0.0, 0.0), 0);
        let on_the_way = self.is_on_the_way(sample);
        let allowed = if on_the_way { self.way } else { self.steady };
        // Not a comparison with `>`: what is no number must not pass.
        if news.abs() <= allowed || allowed.is_infinite() {
            return None;
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "an index of a sample")]
        let at = SampleIndex(sample as u64);
        let of = AccelDc::new;
        Some(Departure { at, seen: of(seen), foreseen: of(seen - news), allowed: of(allowed), on_the_way })
    }
}
