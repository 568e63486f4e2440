//! The drive monitor, where a rig has one: what comes out is judged, not what was asked for.
//!
//! Owns: the samples of the monitor against the point's own ceiling of drive, and what it shows of a tone that the source
//! acknowledged. Must not: know the motion. It names the source sooner than any motion can, since no plant lies between.
//!
//! | seen | when | trips |
//! |---|---|---|
//! | a sample beyond the ceiling | leave is given | `drive_limit`; `source_dc` of one that stands still while nothing is acknowledged |
//! | a voltage that stands still for a fifth of a cycle | a tone is acknowledged | `source_dc` |
//! | a direct voltage that holds the armature farther off than is allowed for | a tone, or 0 V, is acknowledged | `source_dc` |
//! | another amplitude | a tone is acknowledged | `source_not_following` |
//! | a tone | 0 V is acknowledged | `source_not_following` |

use super::told::Told;
use super::trip::{Trip, TripReason};
use crate::block::BlockView;
use crate::estimate::Running;
use plan_schema::rig::DrivePoint;
use plan_schema::units::{
    Peak, SampleCount, SampleIndex, SamplesPerSecond, Seconds, Volts, VoltsDc, engineering,
};

/// Share beyond the ceiling of drive from which a sample trips: room for noise and for the gain of the monitor (common
/// practice, no source).
const BEYOND: f64 = 1.05;

/// A voltage stands still if it stays within this share of the amplitude for this share of a cycle: a sine stays within twice a
/// twentieth, about its crest, for 0.12 of one.
const STILL: (f64, f64) = (0.05, 0.2);

/// And for at least so many samples.
const STILL_SAMPLES: f64 = 8.0;

/// Shortest window that an amplitude or an offset is taken from.
const WINDOW: Seconds = Seconds::new(0.01);

/// Standard deviations of what is no tone in a window that an offset has to exceed beside what is allowed.
const CLEAR: f64 = 6.0;

/// Share of an amplitude by which another one counts as another: the monitor and the source agree within a few percent; the
/// knob of an amplifier may stand where it wants.
const fn other_amplitude(shows: DrivePoint) -> f64 {
    match shows {
        DrivePoint::Source => 0.1,
        DrivePoint::Amplifier => 0.5,
    }
}

/// The drive monitor of a rig.
#[derive(Debug, Clone)]
pub struct DriveMonitor {
    /// Its column.
    pub column: usize,
    /// Its name.
    pub name: String,
    /// Where it is connected.
    pub shows: DrivePoint,
    /// Volts of the source for a volt that it shows.
    pub volts_of_source: f64,
    /// The direct voltage of the source that may be there: it holds the armature as far off its centre as is allowed for.
    pub direct: VoltsDc,
    /// Samples per second.
    pub rate: SamplesPerSecond,
}

/// Watches it; one per run.
#[derive(Debug, Clone)]
pub(super) struct Drive {
    monitor: DriveMonitor,
    /// The ceiling in force, and the one that was asked for last.
    ceiling: (Volts<Peak>, Volts<Peak>),
    told: Option<Tone>,
    /// Amplitude of the tone that was acknowledged last.
    last: f64,
}

/// What was acknowledged, from when it counts.
#[derive(Debug, Clone)]
struct Tone {
    amplitude: f64,
    /// The amplitude of the tone before, where it is 0 V now.
    before: f64,
    from: SampleIndex,
    fit: Running,
    window: u64,
    /// Value about which it stands still, in source volts, for so many samples; and the samples that are too many.
    still: (f64, f64, f64),
}

impl Drive {
    pub(super) fn new(monitor: DriveMonitor) -> Self {
        Self { monitor, ceiling: (Volts::ZERO, Volts::ZERO), told: None, last: 0.0 }
    }

    /// Leave was given up to a ceiling: a larger one stays until what was asked for under the new one is in effect.
    pub(super) fn allow(&mut self, ceiling: Volts<Peak>) {
        self.ceiling = (self.ceiling.0.max(ceiling), ceiling);
    }

    /// A command left, or nothing is looked for any more.
    pub(super) fn forget(&mut self) {
        self.told = None;
    }

    /// The source acknowledged a setting.
    pub(super) fn told(&mut self, told: &Told) {
        self.told = None;
        let rate = self.monitor.rate;
        let Ok(fit) = Running::new(told.frequency, rate, 1) else { return };
        let cycle = rate.si() / told.frequency.si();
        let window =
            SampleCount::at_least(Seconds::new((1.0 / told.frequency.si()).max(WINDOW.si())), rate).0 + 1;
        let (amplitude, before) = (told.drive.si(), self.last);
        if amplitude > 0.0 {
            self.last = amplitude;
        }
        let still = (f64::NAN, 0.0, (STILL.1 * cycle).max(STILL_SAMPLES));
        self.told = Some(Tone { amplitude, before, from: told.from, fit, window, still });
    }

    /// Samples are missing before this one.
    pub(super) fn gap(&mut self, first: SampleIndex) {
        if let Some(tone) = &mut self.told {
            tone.from = tone.from.max(first);
            tone.fit.reset();
            tone.still.1 = 0.0;
        }
    }

    /// Looks at a block; `driving` says whether leave is given. The first thing that is wrong with it.
    pub(super) fn look(&mut self, block: &BlockView<'_>, driving: bool) -> Option<Trip> {
        let samples = block.channels.get(self.monitor.column)?;
        let beyond = if driving { self.beyond(block.first_sample, samples) } else { None };
        let trip = beyond.or_else(|| {
            let monitor = &self.monitor;
            let tone = self.told.as_mut()?;
            let skip =
                usize::try_from(tone.from.0.saturating_sub(block.first_sample.0)).unwrap_or(usize::MAX);
            let fresh = samples.get(skip..).filter(|fresh| !fresh.is_empty())?;
            self.ceiling.0 = self.ceiling.1;
            let first = block.first_sample + SampleCount(skip as u64);
            tone.stands_still(monitor, first, fresh).or_else(|| tone.is_another(monitor, first, fresh))
        })?;
        Some(Trip { channel: Some(self.monitor.name.clone()), ..trip })
    }

    fn beyond(&self, first: SampleIndex, samples: &[f32]) -> Option<Trip> {
        let limit = self.ceiling.0.si() * BEYOND + self.monitor.direct.si();
        let scale = self.monitor.volts_of_source.abs();
        // Not a comparison with `>`: what is no number must not pass.
        let (at, seen) = samples.iter().enumerate().find(|(_, s)| {
            let within = f64::from(s.abs()) * scale <= limit;
            !within
        })?;
        if self.told.is_none()
            && let Some(volts) = standing(samples.get(at..).unwrap_or_default())
        {
            let trip = direct(volts * self.monitor.volts_of_source, self.monitor.direct.si());
            return Some(Trip { at_sample: Some(first + SampleCount(at as u64)), ..trip });
        }
        let seen = f64::from(seen.abs()) * scale;
        let shown = (engineering(seen, "V"), engineering(limit, "V"));
        let message = format!(
            "the drive monitor shows a drive of {} where {} is the limit. The source puts out more than it was asked for, or \
             the gain of the amplifier is another one. Check both, then acknowledge.",
            shown.0, shown.1
        );
        let trip = Trip::beyond(TripReason::DriveLimit, seen, limit, "v", message);
        Some(Trip { at_sample: Some(first + SampleCount(at as u64)), ..trip })
    }
}

impl Tone {
    /// A tone that stands still although it is on. What is held below what is allowed as a direct voltage is harmless.
    fn stands_still(&mut self, monitor: &DriveMonitor, first: SampleIndex, samples: &[f32]) -> Option<Trip> {
        if self.amplitude <= monitor.direct.si() {
            return None;
        }
        let (mut about, mut count, most) = self.still;
        let mut found = None;
        for (n, sample) in samples.iter().enumerate() {
            let volts = f64::from(*sample) * monitor.volts_of_source;
            let stays = (volts - about).abs() <= STILL.0 * self.amplitude;
            (about, count) = if stays { (about, count + 1.0) } else { (volts, 0.0) };
            if count > most {
                let tone = engineering(self.amplitude, "V");
                let message = format!(
                    "the drive monitor stands still at {} of drive where a tone of {tone} pk is acknowledged: the source holds \
                     a direct voltage, or its cable is off. The amplifier is muted. Check both, then acknowledge.",
                    engineering(about, "V")
                );
                let limit = STILL.0 * self.amplitude;
                let trip = Trip::beyond(TripReason::SourceDc, about, limit, "v", message);
                found = Some(Trip { at_sample: Some(first + SampleCount(n as u64)), ..trip });
                break;
            }
        }
        self.still = (about, count, most);
        found
    }

    /// Offset and amplitude, window by window.
    fn is_another(&mut self, monitor: &DriveMonitor, first: SampleIndex, samples: &[f32]) -> Option<Trip> {
        self.fit.push(samples);
        if self.fit.samples().0 < self.window {
            return None;
        }
        let scale = monitor.volts_of_source;
        let seen = self.fit.estimate();
        self.fit.reset();
        let seen = seen?;
        let (offset, amplitude) = (seen.offset.si() * scale, seen.amplitude.norm() * scale.abs());
        // What changes within a window makes an offset that is none.
        let unclear = CLEAR * seen.deviation * scale.abs();
        let trip = if offset.abs() > monitor.direct.si() + unclear {
            Some(direct(offset, monitor.direct.si()))
        } else if self.amplitude > monitor.direct.si() {
            let off = (amplitude / self.amplitude - 1.0).abs();
            let other = off > other_amplitude(monitor.shows);
            other.then(|| not_following(amplitude, self.amplitude))
        } else {
            // Told to be at 0 V: no tone may be left.
            let allowed = monitor.direct.si().max(other_amplitude(monitor.shows) * self.before);
            (amplitude > allowed).then(|| not_following(amplitude, self.amplitude))
        };
        Some(Trip { at_sample: Some(first), ..trip? })
    }
}

/// The mean of samples that stand still, V: they stay within a tenth of it.
fn standing(samples: &[f32]) -> Option<f64> {
    let (least, most) = samples.iter().fold((f32::MAX, f32::MIN), |(l, m), s| (l.min(*s), m.max(*s)));
    let mean = 0.5 * (f64::from(least) + f64::from(most));
    (f64::from(most) - f64::from(least) <= 0.1 * mean.abs()).then_some(mean)
}

fn direct(seen: f64, limit: f64) -> Trip {
    let message = format!(
        "the drive monitor shows a direct voltage of {} of drive where {} are allowed for. The amplifier is muted. Measure the \
         source's output and the amplifier's offset, then acknowledge.",
        engineering(seen, "V"),
        engineering(limit, "V")
    );
    Trip::beyond(TripReason::SourceDc, seen.abs(), limit, "v", message)
}

fn not_following(seen: f64, acknowledged: f64) -> Trip {
    let message = format!(
        "the drive monitor shows a tone of {} pk of drive where the source acknowledged {} pk. The amplifier is muted. Check the \
         source and its link, and the amplifier's gain, then acknowledge.",
        engineering(seen, "V"),
        engineering(acknowledged, "V")
    );
    Trip::beyond(TripReason::SourceNotFollowing, seen, acknowledged, "v", message)
}

#[cfg(test)]
mod tests;
