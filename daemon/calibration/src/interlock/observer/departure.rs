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

/// The same while a change of drive is on its way that nothing but its size foretells, as a share of the larger tone: with a
/// model of the plant, and without.
const ON_THE_WAY: (f64, f64) = (0.8, 2.5);

/// Time constant of the mean from which a step is told while there is no tone, s.
const SLOW: f64 = 0.2;

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
    /// What it should show there: the tone as it stood still or goes its way, or the model.
    pub foreseen: AccelDc,
    /// How far the two may be apart.
    pub allowed: AccelDc,
    /// True if a change of drive was on its way.
    pub on_the_way: bool,
    /// True if there was no tone, and it had died away.
    pub at_rest: bool,
}

/// Watches the acceleration.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Departures {
    notch: Notch,
    /// Allowed of a steady tone, or without one beside its mean, m/s².
    steady: f64,
    /// The larger of the tones before and after a change, and the noise, m/s².
    larger: f64,
    noise: f64,
    /// Without a tone: the mean, and the weight of a new sample in it.
    mean: Option<f64>,
    slow: f64,
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
        let slow = (period / SLOW).min(1.0);
        let (larger, noise, mean) = (0.0, never, None);
        Self { notch, steady: never, larger, noise, mean, slow, steady_from: 0.0, group: 1, sums, count: 0 }
    }

    /// A tone was commanded: the larger of the accelerations before and after it, m/s², and the new one's; the noise that
    /// a group may show, and the step that counts without a tone; and when it counts as steady.
    pub(super) fn commanded(
        &mut self,
        (notch, group): (Option<Notch>, u32),
        (larger, new): (f64, f64),
        (noise, step): (f64, f64),
        steady_from: f64,
    ) {
        self.notch = notch.unwrap_or(self.notch);
        self.steady = noise + if new > 0.0 { SHARE * new } else { step };
        self.mean = if new > 0.0 { None } else { self.mean };
        (self.larger, self.noise) = (larger, noise);
        self.steady_from = steady_from;
        self.group = group;
        (self.sums, self.count) = ((0.0, 0.0), 0);
    }

    /// There is no tone any more, and nothing is to follow: what stays is a mean.
    #[inline]
    pub(super) fn rests(&mut self, seen: f64) {
        let mean = self.mean.unwrap_or(seen);
        self.mean = Some(mean + self.slow * (seen - mean));
    }

    /// The mean that is seen where there is no tone any more.
    pub(super) fn rest(&self) -> Option<f64> {
        self.mean
    }

    /// True until the tone counts as steady.
    pub(super) fn is_on_the_way(&self, sample: f64) -> bool {
        sample < self.steady_from
    }

    /// How far what is seen on a way may be from what is foreseen of it, noise apart, m/s².
    #[inline]
    pub(super) fn allowed(&self, way: Way) -> f64 {
        let (with_model, without) = ON_THE_WAY;
        match way {
            Way::ByTone { tone, open, .. } => SHARE * self.larger.max(tone) + open,
            Way::BySize { modelled } => self.larger * if modelled { with_model } else { without },
        }
    }

    /// Takes a sample: what the reference shows, and that less the model; and how the way is foretold while it is on one. A
    /// departure at the end of a group.
    #[inline]
    pub(super) fn pass(
        &mut self,
        sample: f64,
        (seen, beside): (f64, f64),
        way: Option<Way>,
    ) -> Option<Departure> {
        let left = self.notch.pass(beside);
        let (on_the_way, at_rest) = (way.is_some(), way.is_none() && self.mean.is_some());
        let (news, allowed) = match (way, self.mean) {
            (Some(way), _) => (way.news().unwrap_or(left), self.allowed(way) + self.noise),
            (None, Some(mean)) => (seen - mean, self.steady),
            (None, None) => (left, self.steady),
        };
        self.sums = (self.sums.0 + seen, self.sums.1 + news);
        self.count += 1;
        if self.count < self.group {
            return None;
        }
        let share = 1.0 / f64::from(self.count);
        let (seen, news) = (self.sums.0 * share, self.sums.1 * share);
        (self.sums, self.count) = ((0.0, 0.0), 0);
        // Not a comparison with `>`: what is no number must not pass.
        if news.abs() <= allowed || allowed.is_infinite() {
            return None;
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "an index of a sample")]
        let at = SampleIndex(sample as u64);
        let of = AccelDc::new;
        Some(Departure {
            at,
            seen: of(seen),
            foreseen: of(seen - news),
            allowed: of(allowed),
            on_the_way,
            at_rest,
        })
    }
}

/// What foretells a change of drive on its way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Way {
    /// The tone as it stood still before, whose phase a source keeps: the larger of before and after by it, what is seen
    /// beside it, and how much of it the moment of the change leaves open, m/s².
    ByTone {
        /// The larger tone.
        tone: f64,
        /// Seen beside it.
        news: f64,
        /// Left open.
        open: f64,
    },
    /// Nothing but the size of what was commanded, perhaps with a model of the plant.
    BySize {
        /// Whether the model is of use.
        modelled: bool,
    },
}

impl Way {
    fn news(self) -> Option<f64> {
        match self {
            Self::ByTone { news, .. } => Some(news),
            Self::BySize { .. } => None,
        }
    }
}
