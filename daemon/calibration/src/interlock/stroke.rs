//! The stroke monitor: what watches the displacement of the armature, from the first leave to the end of the last brake.
//!
//! Owns: which ceiling of stroke is in force at which sample, and the order of looking. Where the rig has a displacement
//! channel every sample of it is judged ([`DisplacementChannel`]); where it has none the observer's estimate is, with the
//! bound on its error and the static allowance ([`Observer`]). Either way an acceleration that leaves what was foreseen
//! trips. Must not: hold leave, or know what a point is.

mod cause;
mod ceilings;
mod recent;
#[cfg(test)]
mod tests;

use super::displacement::{BEYOND_CEILING, DisplacementChannel};
use super::observer::{Commanded, Departure, Observed, Observer, Others};
use super::told::Other;
use super::trip::{Trip, TripReason};
use super::{reference, source};
use crate::block::BlockView;
use cause::{Bench, Cause};
use ceilings::Ceilings;
use nalgebra::Complex;
use plan_schema::units::{Displacement, Peak, SampleCount, SampleIndex, Volts, engineering};
use recent::Recent;

/// What limits the stroke on a rig, whatever the point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StrokeLimits {
    /// Displacement beyond which it trips.
    pub trip: Displacement<Peak>,
    /// The mechanical stop.
    pub stop: Displacement<Peak>,
    /// How far the armature may lie off its centre without any drive.
    pub rest: Displacement<Peak>,
    /// How far a stop that brakes may let the armature go: the farthest coast foreseen of the job's points.
    pub coast: Displacement<Peak>,
    /// Share of the way from a point's ceiling to the stop that the observer's bound may take.
    pub observer_share: f64,
}

/// Watches the displacement. One per run.
#[derive(Debug, Clone)]
pub struct StrokeMonitor {
    limits: StrokeLimits,
    channel: Option<DisplacementChannel>,
    observer: Option<Observer>,
    others: Others,
    recent: Recent,
    /// Column and name of the reference.
    reference: (usize, String),
    ceilings: Ceilings,
    braking: bool,
}

impl StrokeMonitor {
    /// A monitor that has seen nothing; `reference` is the reference's column and its name.
    #[must_use]
    pub fn new(
        limits: StrokeLimits,
        channel: Option<DisplacementChannel>,
        reference: (usize, String),
    ) -> Self {
        let ceilings = Ceilings::new(limits.rest);
        let others = Others::default();
        Self {
            limits,
            channel,
            observer: None,
            others,
            recent: Recent::new(),
            reference,
            ceilings,
            braking: false,
        }
    }

    /// What the reference shows at rest is known: the observer watches from now on.
    pub fn observe(&mut self, observer: Observer) {
        self.observer = Some(observer);
    }

    /// The observer, once there is one.
    #[must_use]
    pub fn observer(&self) -> Option<&Observer> {
        self.observer.as_ref()
    }

    /// The ceiling of stroke that is in force.
    #[must_use]
    pub fn ceiling(&self) -> Displacement<Peak> {
        self.ceilings.now()
    }

    /// Leave was given up to a ceiling of stroke, static part and all. A larger one that is in force stays so until the
    /// setting that was asked for under the new one is in effect.
    pub fn allow(&mut self, ceiling: Displacement<Peak>) {
        self.ceilings.ask(ceiling);
        self.braking = false;
    }

    /// The source took a tone. `sensitivity` is the reference's there, V/(m/s²), and `others` are the channels that show
    /// the motion beside it.
    pub fn commanded(&mut self, tone: &Commanded, sensitivity: Complex<f64>, others: &[Other]) {
        self.ceilings.applied(tone.begins.1 + tone.way + tone.follows);
        // The reply to a ramp that a stop overtook foretells nothing.
        if self.braking {
            return;
        }
        if let Some(observer) = &mut self.observer {
            observer.commanded(tone, sensitivity);
            if tone.amplitude > Volts::ZERO {
                let (group, tuning) = observer.tuning();
                self.others.tuned(others, tuning, sensitivity.norm(), group);
            }
        }
    }

    /// The reference's channel shows something else than its motion: nothing is estimated from it any more. A displacement
    /// channel goes on being judged.
    pub fn blind(&mut self) {
        self.observer = None;
    }

    /// Some monitor tripped.
    pub fn tripped(&mut self) {
        if let Some(observer) = &mut self.observer {
            observer.tripped();
        }
    }

    /// A stop brakes from now on: the armature coasts as was foreseen of it.
    pub fn brakes(&mut self) {
        if let Some(observer) = self.observer.as_mut().filter(|_| !self.braking) {
            observer.brakes();
        }
        self.braking = true;
    }

    /// Looks at a block; a trip at the first sample that shows too much. `told` gets what the observer says at each
    /// sample.
    pub fn look(
        &mut self,
        block: &BlockView<'_>,
        mut told: impl FnMut(SampleIndex, Observed),
    ) -> Option<Trip> {
        self.ceilings.advance(block.first_sample);
        let ceiling = self.ceilings.now();
        let mut found = self.channel.as_ref().and_then(|channel| channel.look(block, ceiling, self.braking));
        let Some(observer) = self.observer.as_mut() else { return found };
        let Some(samples) = block.channels.get(self.reference.0) else { return found };
        if block.gap_before > SampleCount(0) {
            observer.interrupted();
        }
        let mut after_departure = 0.0;
        let mut departed: Option<(Departure, bool, Afterwards)> = None;
        for (n, volts) in samples.iter().enumerate() {
            let at = block.first_sample + SampleCount(n as u64);
            let was_lost = observer.departure().is_some();
            self.others.pass(block.channels, n);
            let observed = observer.pass(at, *volts, |departure| self.others.show(departure));
            told(at, observed);
            let (group, _) = observer.tuning();
            let foretold = || observer.foretold(at);
            if after_departure < group * cause::AFTER as f64 {
                self.recent.take(group, at, observer.seen(), foretold, || self.others.motion());
            }
            if found.is_none()
                && departed.is_none()
                && let Some((off, allowed)) = observer.wanders()
            {
                found = Some(Trip { at_sample: Some(at), ..source::wanders(off, allowed) });
            }
            if let Some((_, _, after)) = &mut departed {
                after_departure += 1.0;
                after.take(observer.seen());
            } else if let Some(departure) =
                observer.departure().filter(|d| !was_lost && !d.at_rest && found.is_none())
            {
                let moves = self.others.show(departure);
                departed = Some((*departure, moves, Afterwards::default()));
            } else if self.channel.is_none() && observed.bound.si().is_finite() && found.is_none() {
                let on_the_way = observer.is_on_the_way(at);
                found = beyond(&self.limits, ceiling, &observed, on_the_way, self.braking).map(|trip| Trip {
                    at_sample: Some(at),
                    channel: Some(self.reference.1.clone()),
                    ..trip
                });
            }
        }
        if let Some((departure, moves, after)) = departed {
            let gone = after.gone(observer);
            let (machine, period, line_at_zero) = observer.bench();
            let bench = Bench { machine, period, line_at_zero };
            let trip = match cause::cause(&bench, &self.recent, &departure) {
                Some(cause) => named(cause),
                None => {
                    left_what_was_foreseen(&departure, moves, gone, (observer.before(), observer.tone().1))
                }
            };
            let trip = with_what_was_seen(trip, &departure);
            let of_source = matches!(trip.reason, TripReason::SourceDc | TripReason::SourceNotFollowing);
            let channel = (!of_source).then(|| self.reference.1.clone());
            // A displacement channel may show in the same block where that led to.
            let first = found.as_ref().is_none_or(|found| found.at_sample > Some(departure.at));
            found = if first { Some(Trip { channel, ..trip }) } else { found };
        }
        found
    }
}

/// What the reference shows in the rest of a block after a departure: it is there, and tells more of the cause.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Afterwards {
    count: f64,
    sum: f64,
    squares: f64,
}

impl Afterwards {
    fn take(&mut self, seen: f64) {
        self.count += 1.0;
        self.sum += seen;
        self.squares += seen * seen;
    }

    /// Whether less than half of the tone is left; `None` of less than half a cycle.
    fn gone(&self, observer: &Observer) -> Option<bool> {
        let (samples, amplitude) = observer.tone();
        let mean = self.sum / self.count;
        let variance = (self.squares / self.count - mean * mean).max(0.0);
        (2.0 * self.count >= samples).then(|| (2.0 * variance).sqrt() < 0.5 * amplitude)
    }
}

/// What is said of an estimate: beyond the trip stroke if it may be, and beyond the point's own ceiling or, while a stop
/// brakes, beyond the coast if it must be.
fn beyond(
    limits: &StrokeLimits,
    ceiling: Displacement<Peak>,
    observed: &Observed,
    on_the_way: bool,
    braking: bool,
) -> Option<Trip> {
    let (estimate, bound, rest) = (observed.estimate.si().abs(), observed.bound.si(), limits.rest.si());
    // On the way the moment of the switch is not known, and the bound covers that too; the departures watch over it.
    let most = limits.observer_share * (limits.stop.si() - ceiling.si());
    let counted = if on_the_way { bound.min(most) } else { bound };
    let own = BEYOND_CEILING * (ceiling.si() - rest);
    let coast = limits.coast.max(limits.trip).si() - rest;
    let (value, limit) = if braking {
        (estimate - bound, coast)
    } else if estimate + counted > limits.trip.si() - rest {
        (estimate + counted, limits.trip.si() - rest)
    } else {
        (estimate - bound, own)
    };
    // Not a comparison with `>`: what is no number must not pass.
    if value <= limit {
        return None;
    }
    let shown = [estimate, bound, limit].map(|v| engineering(v, "m"));
    let message = format!(
        "the displacement about its centre is {}, known within {}, where {} pk is the limit. The amplifier's gain, the \
         payload or the reference may have changed. Check them, then acknowledge.",
        shown[0], shown[1], shown[2]
    );
    Some(Trip::beyond(TripReason::StrokeLimit, value, limit, "m", message))
}

/// On the way between settings a motion that passes the tone before so many times is not that tone any more.
const BEFORE: f64 = 1.15;

/// On the way between settings a motion that passes the larger tone so many times is more than either.
const MORE: f64 = 1.5;

/// The trip of a departure. Where nothing else shows it, it is the reference's: of a line that is open nothing is left, of one
/// that turned round the same with the other sign. `ceased` says whether the tone was gone afterwards, where that is known.
/// Of the motion more than was foreseen is a limit that is passed, and less
/// says that the drive is not what was commanded.
fn left_what_was_foreseen(
    departure: &Departure,
    moves: bool,
    ceased: Option<bool>,
    (before, after): (f64, f64),
) -> Trip {
    let (seen, foreseen) = (departure.seen.si(), departure.foreseen.si());
    // Whatever the others say, a reference that shows neither nothing nor the opposite is no broken line.
    let gone = ceased.unwrap_or(seen.abs() <= 0.5 * foreseen.abs());
    // On the way its size is not known well enough to be compared, but something has to be there, and to be foreseen.
    let something = seen.abs().min(foreseen.abs()) >= 0.2 * (seen - foreseen).abs();
    let opposite =
        (departure.on_the_way && !moves && something) || (seen + foreseen).abs() <= 0.5 * foreseen.abs();
    let turned = seen * foreseen < 0.0 && opposite;
    let moves = moves || !(gone || turned);
    // A source that stays behind or stops leaves no more than what was before.
    let farther = seen * foreseen > 0.0 && seen.abs() > foreseen.abs() && seen.abs() > BEFORE * before;
    let more = departure.on_the_way && (farther || seen.abs() > MORE * before.max(after));
    if moves && departure.on_the_way && !more {
        named(Cause::NotFollowing)
    } else if moves && (more || !ceased.unwrap_or(seen.abs() <= foreseen.abs())) {
        named(Cause::More)
    } else if moves {
        named(Cause::Ceased)
    } else if turned {
        named(Cause::Reversed)
    } else {
        named(Cause::Open)
    }
}

fn named(cause: Cause) -> Trip {
    match cause {
        Cause::Open => reference::open(),
        Cause::Reversed => reference::reversed(),
        Cause::NotFollowing => source::not_following("the motion is not the one of the setting that it took"),
        Cause::Ceased => source::ceased(),
        Cause::More => {
            let next = "The amplifier's gain or the payload may have changed. Check them, then acknowledge.";
            Trip::plain(TripReason::AccelerationLimit, format!("the motion is more than it was. {next}"))
        }
    }
}

fn with_what_was_seen(trip: Trip, departure: &Departure) -> Trip {
    let (seen, foreseen, allowed) = (departure.seen.si(), departure.foreseen.si(), departure.allowed.si());
    let shown = [seen, foreseen, allowed].map(|v| engineering(v, "m/s²"));
    Trip {
        at_sample: Some(departure.at),
        value: Some((seen - foreseen).abs()),
        limit: Some(allowed),
        unit: Some("mps2"),
        message: format!(
            "the reference shows {} where {} within {} was foreseen: {}",
            shown[0], shown[1], shown[2], trip.message
        ),
        ..trip
    }
}
