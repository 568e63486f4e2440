//! One voltage into all channels while the armature rests: the amplifier proves that it is muted, the source's output is taken
//! from it to the channels, a tone is recorded at each frequency, and the output goes back.
//!
//! ```text
//! mute, proved → way to the channels → permissives → leave → tone, recorded, off, stored … → leave given back → way back
//! ```
//!
//! Invariant: no tone before the mute is proved and the way is there; an amplifier that reads live meanwhile trips. Leave is held
//! for the tones alone, so that a person who moves cables does so without any.

use super::before_motion::Next;
use super::{Run, State, carry_out};
use crate::interlock::{Ceiling, Trip, TripReason};
use crate::sequence::collect::Collector;
use crate::sequence::input::{Action, Cable, Effective, Event, Outcome, QuietTime, Reply, Stored, Target};
use crate::sequence::ratio_tone::RatioTone;
use crate::sequence::setup::Setup;
use plan_schema::rig::{RatioRoute, RoutedBy};
use plan_schema::units::{Hertz, Mono, Peak, Seconds, Volts, engineering};

/// Where it is.
#[derive(Debug, Clone)]
pub(super) struct RatioRun {
    when: QuietTime,
    stage: Stage,
}

#[derive(Debug, Clone)]
enum Stage {
    /// The amplifier is asked to prove that it is muted.
    Muting,
    /// The source's output is on its way to the channels, or back; there since a moment, once that is known.
    Way { to: Cable, since: Mono, there: Option<Mono> },
    /// Permissives are waited for.
    Ready { since: Mono },
    /// A tone was commanded, and is recorded once it is in effect.
    Tone { number: usize, applied: Option<((Hertz, Volts<Peak>), Collector)> },
    /// The source goes to zero after a tone.
    Off(Box<RatioTone>),
    /// The record of a tone is made durable; what was wrong with it.
    Storing(usize, Option<String>),
}

impl RatioRun {
    /// True while the source is connected to the channels, or may be.
    fn is_routed(&self) -> bool {
        !matches!(self.stage, Stage::Muting)
    }
}

impl Setup {
    /// The way of one voltage into all channels, where the plan asks for their ratio.
    pub(super) fn ratio_route(&self) -> Option<&RatioRoute> {
        self.job.plan.channel_ratio.as_ref()?;
        self.job.rig.channel_ratio.as_ref()
    }
}

impl Run {
    /// Sensors and temperature are ready: the ratio of channels first, where it is asked for.
    pub(super) fn ready(&mut self, out: &mut Vec<Action>) {
        match self.setup.ratio_route() {
            Some(_) => self.begin_ratio(QuietTime::Before, out),
            None => self.before(Next::Energise, out),
        }
    }

    /// The closing quiet part is stored: the ratio of channels once more, or the reference in the sensors' channels, where that
    /// is asked for.
    pub(super) fn closed(&mut self, out: &mut Vec<Action>) {
        let again = self.setup.job.plan.channel_ratio.as_ref().is_some_and(|wanted| wanted.again);
        match self.setup.ratio_route() {
            Some(_) if again => self.begin_ratio(QuietTime::After, out),
            _ if self.setup.substitution().is_some() => self.exchange(Cable::ReferenceToChannels, out),
            _ => self.stop(Outcome::Done, out),
        }
    }

    /// Gives leave back.
    pub(super) fn withdraw(&mut self, out: &mut Vec<Action>) {
        let mut orders = Vec::new();
        self.interlock.give_back(&mut orders);
        carry_out(orders, out);
    }

    fn begin_ratio(&mut self, when: QuietTime, out: &mut Vec<Action>) {
        // Whatever the channels show from now on is no motion, and nobody may touch a cable under leave.
        self.withdraw(out);
        self.interlock.at_rest();
        self.stroke.blind();
        self.live = false;
        out.push(Action::Tell(Event::ChannelRatioBegins(when)));
        out.push(Action::MakeSafe(Target::Amplifier));
        self.state = State::Channels(Box::new(RatioRun { when, stage: Stage::Muting }));
    }

    /// Takes the source's output to the channels, or back.
    fn take(&mut self, to: Cable, out: &mut Vec<Action>) {
        let Some(by) = self.setup.ratio_route().map(|route| route.by) else { return };
        self.asks_for(by, to, out);
        self.ratio_stage(Stage::Way { to, since: self.now, there: None });
    }

    /// Has the channels connected otherwise.
    pub(super) fn asks_for(&mut self, by: RoutedBy, to: Cable, out: &mut Vec<Action>) {
        let there = matches!(to, Cable::ToChannels | Cable::ReferenceToChannels);
        self.routed |= there;
        out.push(match by {
            RoutedBy::Switch => Action::Route(there),
            RoutedBy::Person => Action::Tell(Event::Asks(to)),
        });
    }

    fn ratio_stage(&mut self, stage: Stage) {
        if let State::Channels(ratio) = &mut self.state {
            ratio.stage = stage;
        }
    }

    /// A person says that the cable is where it was asked to be.
    pub(super) fn confirmed(&mut self, name: String, out: &mut Vec<Action>) {
        if let State::Channels(ratio) = &self.state
            && let Stage::Way { to, there: None, .. } = ratio.stage
            && self.setup.ratio_route().is_some_and(|route| route.by == RoutedBy::Person)
        {
            out.push(Action::StoreConfirmation(to, name));
            out.push(Action::Tell(Event::Confirmed(to)));
        } else {
            self.exchange_confirmed(name, out);
        }
    }

    /// Goes on with what waits, if what it waited for is there.
    pub(super) fn ratio_waits(&mut self, out: &mut Vec<Action>) {
        let State::Channels(ratio) = &self.state else { return };
        let (stage, when) = (ratio.stage.clone(), ratio.when);
        let Some(route) = self.setup.ratio_route().cloned() else { return };
        match stage {
            Stage::Way { to, there: Some(there), .. } if self.now.since(there) >= route.switch_time => {
                match to {
                    Cable::ToChannels => self.ratio_stage(Stage::Ready { since: self.now }),
                    Cable::ToAmplifier | Cable::ReferenceToChannels | Cable::SensorsToChannels => {
                        self.routed = false;
                        match when {
                            QuietTime::Before => self.before(Next::Energise, out),
                            QuietTime::After => self.stop(Outcome::Done, out),
                        }
                    }
                }
            }
            Stage::Way { since, there: None, .. }
                if route.by == RoutedBy::Person && self.now.since(since) > route.person_wait =>
            {
                self.nobody_confirmed(route.person_wait, out);
            }
            Stage::Ready { since } => match self.permissives.missing(self.now) {
                None => self.ratio_tone(0, out),
                Some((missing, _)) if self.now.since(since) > self.setup.job.rig.permissive_wait => {
                    self.refuse(missing, out);
                }
                Some(_) => {}
            },
            _ => {}
        }
    }

    /// Ends a run that waited for a person in vain.
    pub(super) fn nobody_confirmed(&mut self, wait: Seconds, out: &mut Vec<Action>) {
        let limit = engineering(wait.si(), "s");
        let text = format!("nobody confirmed within {limit} that the cables were moved");
        out.push(Action::Tell(Event::Failure(text)));
        self.stop(Outcome::Failed, out);
    }

    fn ratio_tone(&mut self, number: usize, out: &mut Vec<Action>) {
        let wanted = self.setup.job.plan.channel_ratio.as_ref();
        let frequency = wanted.and_then(|wanted| wanted.frequencies.get(number)).copied();
        let amplitude = self.setup.ratio_route().map(|route| route.amplitude);
        let Some((frequency, amplitude)) = frequency.zip(amplitude) else {
            // Nobody may touch a cable under leave.
            self.withdraw(out);
            return self.take(Cable::ToAmplifier, out);
        };
        self.ratio_stage(Stage::Tone { number, applied: None });
        if !self.leave(Ceiling { drive: amplitude, ..Setup::at_rest() }, out) {
            return;
        }
        let mut orders = Vec::new();
        let allowed = self.interlock.drive(amplitude, &mut orders);
        carry_out(orders, out);
        if allowed {
            out.push(Action::SetTone { frequency, amplitude, over: way(frequency) });
        } else if let Some(trip) = self.trip().cloned() {
            self.tripped(trip, out);
        }
    }

    pub(super) fn ratio_replied(&mut self, reply: Reply, effective: Effective, out: &mut Vec<Action>) {
        let State::Channels(ratio) = &mut self.state else { return };
        match (reply, &mut ratio.stage) {
            (Reply::MadeSafe(Target::Amplifier), Stage::Muting) => self.take(Cable::ToChannels, out),
            (Reply::Routed, Stage::Way { there, .. }) => *there = Some(self.now),
            (Reply::Tone { frequency, amplitude, .. }, Stage::Tone { number, applied }) => {
                let wanted = self.setup.job.plan.channel_ratio.as_ref();
                let asked = wanted.and_then(|w| Some(w.length(*w.frequencies.get(*number)?)));
                let from = effective.not_after + self.setup.samples(self.setup.ratio_settles());
                let length = self.setup.samples(asked.unwrap_or(Seconds::ZERO));
                let collector = Collector::new(from, length, self.setup.job.columns.len());
                *applied = Some(((frequency, amplitude), collector));
            }
            (Reply::SourceOff, Stage::Off(tone)) => {
                let fault = tone.fault(&self.setup.job);
                let (number, tone) = (tone.number, tone.clone());
                ratio.stage = Stage::Storing(number, fault);
                out.push(Action::StoreRatioTone(tone));
            }
            _ => {}
        }
    }

    /// A block of samples while a tone is recorded.
    pub(super) fn ratio_block(&mut self, block: &crate::block::BlockView<'_>, out: &mut Vec<Action>) {
        let State::Channels(ratio) = &mut self.state else { return };
        let when = ratio.when;
        let Stage::Tone { number, applied: Some((tone, collector)) } = &mut ratio.stage else { return };
        if let Some((first_sample, samples)) = collector.take(block) {
            let over = way(tone.0);
            let tone = RatioTone::of(&self.setup, (when, *number), *tone, first_sample, samples);
            ratio.stage = Stage::Off(Box::new(tone));
            out.push(Action::SourceOff { over });
        }
    }

    /// A record of it is durable.
    pub(super) fn ratio_stored(&mut self, what: Stored, out: &mut Vec<Action>) {
        let now = self.now;
        let State::Channels(ratio) = &mut self.state else { return };
        match (what, &mut ratio.stage) {
            (Stored::Confirmation, Stage::Way { there, .. }) => *there = Some(now),
            (Stored::RatioTone, Stage::Storing(number, fault)) => match fault.take() {
                None => {
                    let next = *number + 1;
                    self.ratio_tone(next, out);
                }
                Some(fault) => self.hold_for(format!("the ratio of channels can't be told: {fault}"), out),
            },
            _ => {}
        }
    }

    /// A trip where the amplifier reads live while the source is connected to the channels, or may be, or while cables are moved.
    pub(super) fn lives_in_spite(&self, muted: bool) -> Option<Trip> {
        let meanwhile = match &self.state {
            State::Channels(ratio) if ratio.is_routed() => "the source plays into the channels",
            State::Exchange(exchange) if exchange.is_under_way() => "cables are moved",
            _ => return None,
        };
        (!muted).then(|| {
            let name = self.setup.job.rig.roles.amplifier.clone();
            let message = format!(
                "the amplifier '{name}' is live while {meanwhile}, though it had proved its mute. \
                 See its own display, then acknowledge."
            );
            Trip { instrument: Some(name), ..Trip::plain(TripReason::AmplifierFault, message) }
        })
    }
}

/// How long the source takes to a tone and from it: two cycles, so that no coupling is kicked.
fn way(frequency: Hertz) -> Seconds {
    Seconds::new((2.0 / frequency.si()).max(0.05))
}

/// Time constants of a coupling after which nothing of a change is left: 1/1000, of what a slow way makes small already.
const TIME_CONSTANTS: f64 = 7.0;

impl Setup {
    /// From a tone in effect until the channels show nothing but it.
    fn ratio_settles(&self) -> Seconds {
        let slowest = self.job.columns.iter().filter_map(|c| c.ac_corner).map(|f| f.si()).reduce(f64::min);
        Seconds::new(slowest.map_or(0.0, |f| TIME_CONSTANTS / (std::f64::consts::TAU * f)).max(0.1))
    }

    /// Time that measuring the ratio of channels takes, a person's moving of cables apart; zero where it is not asked for.
    #[must_use]
    pub fn ratio_time(&self) -> Seconds {
        let Some((wanted, route)) = self.job.plan.channel_ratio.as_ref().zip(self.ratio_route()) else {
            return Seconds::ZERO;
        };
        let block = self.job.rig.acquisition.block;
        let latency = self.latency(&self.job.rig.roles.source);
        let each =
            |f: &Hertz| (way(*f) + latency) * 2.0 + self.ratio_settles() + wanted.length(*f) + block * 2.0;
        let once = wanted.frequencies.iter().fold(route.switch_time * 2.0, |sum, f| sum + each(f));
        once * if wanted.again { 2.0 } else { 1.0 }
    }

    /// Time within it that is recorded.
    #[must_use]
    pub fn ratio_recorded(&self) -> Seconds {
        let Some(wanted) = self.job.plan.channel_ratio.as_ref().filter(|_| self.ratio_route().is_some())
        else {
            return Seconds::ZERO;
        };
        let once = wanted.frequencies.iter().fold(Seconds::ZERO, |sum, f| sum + wanted.length(*f));
        once * if wanted.again { 2.0 } else { 1.0 }
    }
}
