//! The monitors of reference, source and coil: what is seen of a tone beside what the source acknowledged.
//!
//! Owns: which of them looks when, and what it means when the tone is gone from one channel or from all. Must not: command
//! anything, or judge a sensor.
//!
//! ```text
//!  commanded → told ── one stretch ──→ amplitude and sign as foreseen? → the reference's tone goes on, look by look
//!      └─ nothing is judged ─┘ └─ is the tone before gone? ─┘
//! ```

use super::agreement::Agreement;
use super::follow::{Follow, Line, Look, News};
use super::reference::{self, Stuck};
use super::source::{self, Base, Before, Old, OldTone, Silent};
use super::thermal::Thermal;
use super::told::{Coil, Told};
use super::trip::Trip;
use crate::block::BlockView;
use plan_schema::units::{Amperes, SampleCount, SampleIndex, SamplesPerSecond};

/// Share of what is foreseen below which a tone did not come.
const NOTHING_CAME: f64 = 0.1;

/// Share of what is foreseen on another channel from which the motion is there.
const MOVES: f64 = 0.3;

/// Watches tones; one per run.
#[derive(Debug, Clone)]
pub struct Tones {
    rate: SamplesPerSecond,
    reference: usize,
    names: Vec<String>,
    told: Option<Told>,
    follow: Option<Follow>,
    /// The tone that was seen last.
    before: Option<Before>,
    old: Option<Old>,
    silent: Option<Silent>,
    base: Option<Base>,
    agreement: Agreement,
    stuck: Stuck,
    thermal: Thermal,
    /// The group from which on the reference is silent and the others have not told why, and how many it was seen by.
    silent_from: Option<(usize, usize)>,
}

impl Tones {
    /// Monitors for a rig; `names` are those of the columns, `reference` is the reference's column.
    #[must_use]
    pub fn new(rate: SamplesPerSecond, reference: usize, names: Vec<String>, coil: Coil) -> Self {
        Self {
            rate,
            reference,
            names,
            told: None,
            follow: None,
            before: None,
            old: None,
            silent: None,
            base: None,
            agreement: Agreement::default(),
            stuck: Stuck::default(),
            thermal: Thermal::new(coil),
            silent_from: None,
        }
    }

    /// A command left: until it is acknowledged nothing is known of the tone.
    pub(super) fn commanded(&mut self) {
        self.told = None;
        self.follow = None;
        self.old = None;
        self.silent = None;
        self.silent_from = None;
    }

    /// The amplifier was muted, or nothing moves for another reason: what was before means nothing any more.
    pub(super) fn at_rest(&mut self) {
        self.commanded();
        self.before = None;
        self.base = None;
        let _ = self.thermal.current(Amperes::ZERO);
    }

    /// The source acknowledged a setting; a trip where it asks too much of the coil.
    pub(super) fn told(&mut self, told: Told) -> Option<Trip> {
        let (frequency, from) = (told.frequency, told.from);
        if told.drive.si() > 0.0 {
            self.follow = Some(Follow::new(frequency, self.rate, self.names.len(), from));
            self.old = self.before.and_then(|before| Old::new(before, frequency, self.rate, from));
            self.silent = None;
            self.agreement = Agreement::default();
            self.stuck = Stuck::default();
            if self.base.is_some_and(|base| (base.frequency / frequency - 1.0).abs() > 1e-6) {
                self.base = None;
            }
        } else {
            self.silent = self.before.map(|b| Silent::new(b, told.zero.si(), self.rate, from));
            self.base = None;
        }
        let foreseen = told.foreseen.map_or(0.0, |a| a.si());
        let current = Amperes::new(foreseen * told.current_per_acceleration);
        self.told = Some(told);
        self.thermal.current(current)
    }

    /// Samples are missing before this one: phases are not joined across that, so the tone is learned anew, and whether it is
    /// there at all is told by the first stretch of each block.
    pub(super) fn gap(&mut self, first: SampleIndex) {
        self.old = None;
        self.silent_from = None;
        if let (Some(told), Some(_)) = (&self.told, &self.follow) {
            let from = told.from.max(first);
            self.follow = Some(Follow::new(told.frequency, self.rate, self.names.len(), from));
        }
    }

    /// Looks at a block; the first thing that is wrong with it.
    pub(super) fn look(&mut self, block: &BlockView<'_>) -> Option<Trip> {
        // The coil goes on to warm in a gap.
        let time = SampleCount(block.frames() as u64 + block.gap_before.0).duration(self.rate);
        let told = self.told.as_ref().filter(|told| block.first_sample >= told.from).cloned();
        let tone = told.filter(|told| told.drive.si() > 0.0);
        if tone.is_some_and(|told| self.stuck.look(block, self.reference, told.frequency, self.rate)) {
            return Some(self.of_reference(reference::stuck(), block.first_sample));
        }
        self.follow(block)
            .or_else(|| self.tone_before(block))
            .or_else(|| self.silence(block))
            .or_else(|| self.thermal.passed(time))
    }

    fn follow(&mut self, block: &BlockView<'_>) -> Option<Trip> {
        let mut follow = self.follow.take()?;
        let mut at = 0;
        let trip = loop {
            let (next, news) = follow.advance(block, at);
            at = next;
            let trip = match news {
                News::None => break None,
                News::Learned => self.learned(&follow),
                News::Look => self.looked(&follow),
            };
            if trip.is_some() {
                break trip;
            }
        };
        self.follow = Some(follow);
        trip
    }

    /// A whole stretch of the tone is known.
    fn learned(&mut self, follow: &Follow) -> Option<Trip> {
        let lines = follow.latest()?;
        let line = *lines.get(self.reference)?;
        let (told, reference) = (self.told.clone()?, self.reference);
        let amplitude = line.phasor.norm();
        if follow.stretches() == 1
            && let Some(trip) = self.nothing_came(&told, lines, &line, follow.since(1))
        {
            return Some(trip);
        }
        // Before anything is known of the plant the first motion has a verdict of its own.
        if told.foreseen.is_some()
            && let Some(trip) = self.agreement.judge(lines, reference, &told.others)
        {
            return Some(self.of_reference(trip, follow.since(1)));
        }
        if amplitude < 10.0 * line.deviation {
            return None;
        }
        // From one setting to the next: over a longer time the response of a coil that warms may change as much.
        let base = self.base.replace(Base { frequency: told.frequency, drive: told.drive, amplitude });
        let deviation = line.deviation / amplitude;
        if base.and_then(|base| base.followed(told.drive, amplitude, deviation)) == Some(false) {
            let trip = source::not_following("the amplitude stays what it was");
            return Some(Trip { at_sample: Some(follow.since(1)), ..trip });
        }
        self.before = Some(Before { frequency: told.frequency, amplitude, noise: line.variance.sqrt() });
        let acceleration = amplitude / told.sensitivity.si();
        let trip = self.thermal.current(Amperes::new(acceleration * told.current_per_acceleration))?;
        Some(Trip { at_sample: Some(follow.since(1)), ..trip })
    }

    /// The first stretch of a tone shows next to nothing of what is foreseen: what the others show tells why.
    fn nothing_came(&self, told: &Told, lines: &[Line], line: &Line, at: SampleIndex) -> Option<Trip> {
        let foreseen = told.foreseen?.si() * told.sensitivity.si();
        let clear = line.deviation < 0.3 * NOTHING_CAME * foreseen;
        // Something else moves: whether that is the tone before is looked at by itself.
        let else_moves = self.old.is_some() && line.variance.sqrt() > NOTHING_CAME * foreseen;
        if !clear || line.phasor.norm() > NOTHING_CAME * foreseen || else_moves {
            return None;
        }
        let moves = told.others.iter().any(|other| {
            let seen = lines.get(other.column).map_or(0.0, |l| l.phasor.norm());
            seen > MOVES * other.ratio.norm() * foreseen
        });
        if moves {
            return Some(self.of_reference(reference::open(), at));
        }
        let trip = source::not_following("the tone did not come");
        Some(Trip { at_sample: Some(at), ..trip })
    }

    /// Time for a look at the reference.
    fn looked(&mut self, follow: &Follow) -> Option<Trip> {
        let (look, window) = follow.look(self.reference, follow.silence());
        // The others are looked at over the silence so far, and over its newest part: where it began, a channel that shows
        // displacement may have jumped.
        let (begun, first) = match look {
            Look::Gone => *self.silent_from.get_or_insert((follow.groups().saturating_sub(window), window)),
            _ => (follow.groups().saturating_sub(window), window),
        };
        let window = follow.groups() - begun;
        let at = follow.since(window);
        let others = |wanted: Look| {
            let told = self.told.as_ref();
            let columns = told.iter().flat_map(|t| &t.others).map(|o| o.column);
            let sizes = [first, usize::midpoint(first, window), window];
            columns.filter(|c| sizes.iter().any(|size| follow.look_over(*c, *size) == wanted)).count()
        };
        match look {
            Look::Unknown | Look::There | Look::Otherwise => {
                self.silent_from = None;
                None
            }
            Look::Reversed if others(Look::Reversed) > 0 => {
                let trip = source::not_following("the tone jumped to the other sign");
                Some(Trip { at_sample: Some(at), ..trip })
            }
            Look::Reversed => Some(self.of_reference(reference::reversed(), at)),
            Look::Gone if others(Look::There) == 0 && others(Look::Gone) > 0 => {
                Some(Trip { at_sample: Some(at), ..source::ceased() })
            }
            Look::Gone => {
                // Others that do not tell yet are waited for as long again.
                let asked = self.told.as_ref().is_some_and(|t| !t.others.is_empty());
                if asked && others(Look::There) == 0 && window < first + follow.silence() {
                    return None;
                }
                let trip = if self.stuck.stands_still() { reference::stuck() } else { reference::open() };
                Some(self.of_reference(trip, at))
            }
        }
    }

    fn tone_before(&mut self, block: &BlockView<'_>) -> Option<Trip> {
        match self.old.as_mut()?.look(block, self.reference) {
            OldTone::Unknown => None,
            OldTone::Gone => {
                self.old = None;
                None
            }
            OldTone::GoesOn => {
                let trip = source::not_following("the tone before goes on");
                Some(Trip { at_sample: Some(block.first_sample), ..trip })
            }
        }
    }

    fn silence(&mut self, block: &BlockView<'_>) -> Option<Trip> {
        let heard = self.silent.as_mut()?.look(block, self.reference);
        let trip = || source::not_following("it was told to be at 0 V and a motion goes on");
        heard.then(|| Trip { at_sample: Some(block.first_sample), ..trip() })
    }

    /// The same trip with the name of the reference's channel.
    pub(super) fn on_reference(&self, trip: Trip) -> Trip {
        Trip { channel: self.names.get(self.reference).cloned(), ..trip }
    }

    fn of_reference(&self, trip: Trip, at: SampleIndex) -> Trip {
        self.on_reference(Trip { at_sample: Some(at), ..trip })
    }
}

#[cfg(test)]
mod tests;
