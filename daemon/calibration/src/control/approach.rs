//! One point's way to its amplitude: the first move, what a running fit says, settled or one correction.
//!
//! Owns: how boldly the first move is made, when an amplitude counts as settled, the correction. Must not: read samples,
//! know the plant, or count time; whoever drives it gives up when the time for settling is over.
//!
//! The caller fits one window that begins when a setting is in effect and the armature has followed. It is first looked at
//! when it is [`window`] long; as long as the machine says [`Progress::Look`] it grows by quarters of that, up to four.

use super::transition::is_small;
use plan_schema::units::{Accel, Hertz, Peak, Seconds, Volts};

/// What the approach wants next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Progress {
    /// More samples into the same window: another quarter of its first length.
    Look,
    /// A new window from here on, at the same drive: what this one saw did not stand still.
    Anew,
    /// Go to this drive; a small change needs only a short transition.
    Drive {
        /// Where to go.
        drive: Volts<Peak>,
        /// At most 5 % of the larger of the two drives.
        small: bool,
    },
    /// The amplitude is there and stands still.
    Settled(Settled),
    /// The largest drive that is allowed gives too little.
    AtCeiling(Settled),
}

/// The amplitude at the moment it counted as settled, or as not to be had.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settled {
    /// Amplitude of the last window.
    pub amplitude: Accel<Peak>,
    /// Deviation from the target as a share of it.
    pub error: f64,
}

/// What a running fit says of the amplitude.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Amplitude over the window.
    pub amplitude: Accel<Peak>,
    /// Its standard deviation; in white noise σ √(2/N) for N samples (IEEE 1057).
    pub deviation: Accel<Peak>,
    /// Change of the amplitude, as a share of it per second.
    pub trend: f64,
    /// Standard deviation of the trend, per second; in white noise √12/T times that of the amplitude (slope of a straight
    /// line), as a share.
    pub trend_deviation: f64,
    /// Length of the window so far.
    pub window: Seconds,
}

/// What is to be reached, and within what.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Goal {
    /// Amplitude to be reached.
    pub target: Accel<Peak>,
    /// Frequency as the source applied it.
    pub frequency: Hertz,
    /// Settle band as a share of the target.
    pub band: f64,
    /// How long is measured once it is settled.
    pub dwell: Seconds,
    /// Overshoot that is allowed, as a share of the target.
    pub overshoot: f64,
    /// Largest drive that is allowed.
    pub ceiling: Volts<Peak>,
    /// Local exponent d ln a / d ln u of the plant at the target.
    pub exponent: f64,
}

/// The way of one point to its amplitude.
#[derive(Debug, Clone, PartialEq)]
pub struct Approach {
    goal: Goal,
    drive: Volts<Peak>,
}

/// Largest change of amplitude over a dwell that counts as standing still.
const TREND_LIMIT: f64 = 0.003;

/// A window grows to this many times its first length.
const LONGEST: f64 = 4.0;

/// What is allowed as overshoot is used up by no more than this share of it at three standard deviations.
const SPARED: f64 = 1.5;

/// A correction changes the amplitude by at most this factor: what is seen at a tiny amplitude may be noise.
const BOLDEST: f64 = 5.0;

/// Share of the target that a first move aims at, for a forecast of some relative standard deviation σ: the whole where
/// 3 σ stays well within the overshoot allowed, else so little that an amplitude 3 σ above the forecast is the target.
#[must_use]
pub fn first_share(deviation: f64, overshoot: f64) -> f64 {
    if 3.0 * deviation <= overshoot / SPARED { 1.0 } else { 1.0 / (1.0 + 3.0 * deviation) }
}

impl Approach {
    /// An approach to a goal. `foreseen` is the drive that should give the target, with the relative standard deviation
    /// of the amplitude that it will give.
    #[must_use]
    pub fn new(goal: Goal, (foreseen, deviation): (Volts<Peak>, f64)) -> Self {
        let share = first_share(deviation, goal.overshoot).powf(1.0 / goal.exponent);
        Self { drive: (foreseen * share).min(goal.ceiling), goal }
    }

    /// The drive in force, or wanted first.
    #[must_use]
    pub fn drive(&self) -> Volts<Peak> {
        self.drive
    }

    /// What was really applied: sources have steps.
    pub fn applied(&mut self, drive: Volts<Peak>) {
        self.drive = drive;
    }

    /// True for an amplitude over a dwell that needs no other drive: a dwell may drift a little beyond the band that it began
    /// within.
    #[must_use]
    pub fn is_near(&self, amplitude: Accel<Peak>) -> bool {
        let error = (amplitude - self.goal.target) / self.goal.target;
        error.abs() <= 2.0 * self.goal.band
    }

    /// Takes what the window says by now and answers with what to do.
    ///
    /// Settled: `|error| + 2 s ≤ band`, and no trend that shows by two standard deviations beyond 0.3 % over the dwell.
    /// Outside: `|error| − 2 s > band`; at the longest window whatever is not inside counts as outside.
    #[must_use]
    pub fn observe(&self, seen: &Seen) -> Progress {
        let target = self.goal.target;
        let error = (seen.amplitude - target) / target;
        let noise = 2.0 * (seen.deviation / target);
        let longest = seen.window.si() >= LONGEST * window(self.goal.frequency).si() * (1.0 - 1e-9);
        let band = self.goal.band;
        if error.abs() + noise <= band {
            self.stands_still(seen, error, longest)
        } else if error.abs() - noise > band {
            if comes_by_itself(seen, error) { Progress::Anew } else { self.correct(seen, error) }
        } else if !longest {
            Progress::Look
        } else if error.abs() > noise / 2.0 {
            self.correct(seen, error)
        } else {
            // Nothing to correct that could be told from noise: only another window can tell.
            Progress::Anew
        }
    }

    /// A window of a cycle tells a trend over ten of them badly. What it can't resolve is left to the dwell, which measures
    /// the trend over its own length and says if the amplitude did not stand still; waiting here would cost more.
    fn stands_still(&self, seen: &Seen, error: f64, longest: bool) -> Progress {
        let trend = seen.trend.abs() * self.goal.dwell.si();
        let noise = 2.0 * seen.trend_deviation * self.goal.dwell.si();
        if trend - noise > TREND_LIMIT {
            // A window that is no whole number of cycles of the mains shows hum as a trend; a longer one does not.
            if longest { Progress::Anew } else { Progress::Look }
        } else {
            Progress::Settled(Settled { amplitude: seen.amplitude, error })
        }
    }

    /// In proportion, with the plant's local exponent, to the full target.
    fn correct(&self, seen: &Seen, error: f64) -> Progress {
        let ratio = self.goal.target / seen.amplitude;
        let factor = if seen.amplitude.si() > 0.0 { ratio.clamp(1.0 / BOLDEST, BOLDEST) } else { BOLDEST };
        let drive = (self.drive * factor.powf(1.0 / self.goal.exponent)).min(self.goal.ceiling);
        let change = (drive - self.drive).abs().si();
        if error < 0.0 && change <= self.drive.si() * 1e-6 {
            return Progress::AtCeiling(Settled { amplitude: seen.amplitude, error });
        }
        Progress::Drive { drive, small: is_small(self.drive, drive) }
    }
}

/// Still on its way up by itself: the window's trend alone makes up for a good part of what is missing.
fn comes_by_itself(seen: &Seen, error: f64) -> bool {
    let rising = (seen.trend - 2.0 * seen.trend_deviation) * seen.window.si();
    error < 0.0 && rising > -error / 2.0
}

/// First length of the window that amplitude and settling are judged by: max(1 cycle, 0.25 s), in whole cycles.
#[must_use]
pub fn window(frequency: Hertz) -> Seconds {
    let cycles = (0.25 * frequency.si()).ceil().max(1.0);
    Seconds::new(cycles / frequency.si())
}

#[cfg(test)]
mod tests;
