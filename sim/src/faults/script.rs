//! The script of a run's faults: which strike when, for how long, and where they are in their lives.
//!
//! Owns: the checks of faults against the job, and the random intervals of a loose contact, from a stream of its own for
//! each. Must not: know simulated time otherwise than as samples that it is told; the world calls at what it was told.

use super::{Effect, Effects};
use crate::error::SimError;
use crate::random::Normal;
use crate::truth::FaultStruck;
use plan_schema::faults::{Fault, FaultKind, Faults, Moment, PointPhase, SizedFault};
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::{Hertz, SampleCount, SamplesPerSecond, Seconds};

/// Mean time in s from one opening of a loose contact to the next.
const CONTACT_CYCLE: f64 = 0.2;

/// Where a fault is in its life. Each strikes once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Life {
    Waiting,
    Scheduled,
    Active,
    Over,
}

#[derive(Clone)]
struct Scripted {
    kind: FaultKind,
    effect: Effect,
    at: Moment,
    lasts: Option<u64>,
    life: Life,
    /// Samples at which it struck and ended.
    since: u64,
    until: Option<u64>,
    contact: Option<Contact>,
}

impl Scripted {
    fn add_to(&self, effects: &mut Effects) {
        let stays = matches!(self.effect, Effect::Drift(..)) && self.life == Life::Over;
        let made = self.contact.as_ref().is_some_and(|contact| !contact.open);
        if stays || (self.life == Life::Active && !made) {
            self.effect.add_to(effects, self.since, self.until);
        }
    }
}

/// A contact that opens and closes at random: both last for times of an exponential distribution.
#[derive(Clone)]
struct Contact {
    stream: Normal,
    /// Mean times in samples for which it is open and closed.
    means: (f64, f64),
    open: bool,
    /// Samples since it first opened at which it changes next: exactly, and as a whole number.
    next: (f64, u64),
}

impl Contact {
    fn new(seed: u64, name: &str, share_open: f64, rate: SamplesPerSecond) -> Self {
        let cycle = CONTACT_CYCLE * rate.si();
        Self {
            stream: Normal::new(seed, name),
            means: (share_open * cycle, (1.0 - share_open) * cycle),
            open: false,
            next: (0.0, 0),
        }
    }

    /// Opens or closes; returns the samples until it changes again, if it does.
    fn turn(&mut self) -> Option<u64> {
        self.open = !self.open;
        if self.means.1 <= 0.0 {
            self.open = true;
            return None;
        }
        let mean = if self.open { self.means.0 } else { self.means.1 };
        // Half the squares of two standard normal numbers have the exponential distribution of mean 1.
        let mut drawn = [0.0; 2];
        self.stream.fill(&mut drawn);
        let exact = self.next.0 + mean * 0.5 * (drawn[0] * drawn[0] + drawn[1] * drawn[1]);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a positive number of samples, and the cast saturates"
        )]
        let whole = exact.ceil() as u64;
        let until = whole.saturating_sub(self.next.1);
        self.next = (exact, whole);
        Some(until)
    }
}

/// The faults of a run.
#[derive(Clone)]
pub(crate) struct Script {
    faults: Vec<Scripted>,
    inputs: usize,
    struck: Vec<FaultStruck>,
}

impl Script {
    /// Checks the faults against the job. `rate` is the true one.
    ///
    /// # Errors
    /// The first fault that does not fit the job.
    pub(crate) fn new(
        job: &ResolvedJob,
        seed: u64,
        faults: &Faults,
        rate: SamplesPerSecond,
    ) -> Result<Self, SimError> {
        let mut scripted: Vec<Scripted> = Vec::with_capacity(faults.faults.len());
        for (n, fault) in faults.faults.iter().enumerate() {
            let name = format!("fault {} ({})", n + 1, fault.kind.word());
            check_moment(job, fault, &name)?;
            let lasts = match fault.lasts {
                Some(lasts) => {
                    SimError::positive(lasts.si(), &format!("the duration of {name} in s"), "lasts")?;
                    Some(SampleCount::at_least(lasts, rate).0.max(1))
                }
                None => None,
            };
            let sized =
                fault.sized().map_err(|e| SimError::new(format!("{name}: {}", e.message), e.remedy))?;
            let contact = match sized {
                SizedFault::CableIntermittent(share) => {
                    let channel = fault.channel.as_deref().unwrap_or_default();
                    let before = faults.faults.iter().take(n);
                    let same = before.filter(|f| f.kind == fault.kind && f.channel == fault.channel);
                    let stream = format!("contact {} of channel {channel}", same.count() + 1);
                    Some(Contact::new(seed, &stream, share.si(), rate))
                }
                _ => None,
            };
            scripted.push(Scripted {
                kind: fault.kind,
                effect: effect(job, fault, sized, &name, rate)?,
                at: fault.at.clone(),
                lasts,
                life: Life::Waiting,
                since: 0,
                until: None,
                contact,
            });
        }
        Ok(Self { faults: scripted, inputs: job.rig.channels.len(), struck: Vec::new() })
    }

    /// Takes up the faults of another script that has not begun.
    pub(crate) fn add(&mut self, other: Self) {
        self.faults.extend(other.faults);
    }

    /// Faults that strike at a time: number and time; they count as scheduled from now on.
    pub(crate) fn take_timed(&mut self) -> Vec<(usize, Seconds)> {
        self.schedule(|at| match at {
            Moment::Time(time) => Some(*time),
            Moment::Point(_) => None,
        })
    }

    /// Faults that strike within this part of this point: number and time from its start; scheduled from now on.
    pub(crate) fn take_for(
        &mut self,
        point: usize,
        phase: PointPhase,
        frequency: Hertz,
    ) -> Vec<(usize, Seconds)> {
        self.schedule(|at| match at {
            Moment::Point(moment) if u64::from(moment.point) == point as u64 && moment.phase == phase => {
                let cycles = f64::from(moment.after_cycles);
                Some(Seconds::new(if frequency.si() > 0.0 { cycles / frequency.si() } else { 0.0 }))
            }
            _ => None,
        })
    }

    fn schedule(&mut self, after: impl Fn(&Moment) -> Option<Seconds>) -> Vec<(usize, Seconds)> {
        let mut taken = Vec::new();
        for (n, fault) in self.faults.iter_mut().enumerate().filter(|(_, f)| f.life == Life::Waiting) {
            if let Some(time) = after(&fault.at) {
                fault.life = Life::Scheduled;
                taken.push((n, time));
            }
        }
        taken
    }

    /// A fault strikes at this sample, which is at the time `at`; returns the number of samples it lasts, if it ends.
    pub(crate) fn strike(&mut self, number: usize, sample: u64, at: Seconds, moving: bool) -> Option<u64> {
        let fault = self.faults.get_mut(number)?;
        fault.life = Life::Active;
        fault.since = sample;
        self.struck.push(FaultStruck { kind: fault.kind, at, moving });
        fault.lasts
    }

    /// The contact of a fault opens or closes, if it has one and is active; returns the samples until it changes again.
    pub(crate) fn turn_contact(&mut self, number: usize) -> Option<u64> {
        let fault = self.faults.get_mut(number)?;
        if fault.life != Life::Active {
            return None;
        }
        fault.contact.as_mut()?.turn()
    }

    /// A fault ends at this sample.
    pub(crate) fn end(&mut self, number: usize, sample: u64) {
        if let Some(fault) = self.faults.get_mut(number) {
            fault.life = Life::Over;
            fault.until = Some(sample);
        }
    }

    /// What the active faults do.
    pub(crate) fn effects(&self) -> Effects {
        let mut effects = Effects::none(self.inputs);
        for fault in &self.faults {
            fault.add_to(&mut effects);
        }
        effects
    }

    /// Faults that struck so far.
    pub(crate) fn struck(&self) -> &[FaultStruck] {
        &self.struck
    }
}

fn check_moment(job: &ResolvedJob, fault: &Fault, name: &str) -> Result<(), SimError> {
    match &fault.at {
        Moment::Time(time) => {
            SimError::not_negative(time.si(), &format!("the time of {name} in s"), "at").map(|_| ())
        }
        Moment::Point(moment) => {
            let points = job.points.len();
            let number = u64::from(moment.point);
            if number >= 1 && number <= points as u64 {
                return Ok(());
            }
            Err(SimError::new(
                format!("{name} strikes at point {number}, but the plan has points 1 to {points}"),
                "name one of the plan's points",
            ))
        }
    }
}

fn effect(
    job: &ResolvedJob,
    fault: &Fault,
    sized: SizedFault,
    name: &str,
    rate: SamplesPerSecond,
) -> Result<Effect, SimError> {
    let reference = || input_in_use(job, &job.rig.reference.channel, name);
    let input = || input(job, fault, name);
    let names_one = Fault::needs_channel(fault.kind) || Fault::needs_permissive(fault.kind);
    if let (false, Some(channel)) = (names_one, &fault.channel) {
        return Err(SimError::new(
            format!("{name} concerns no channel, but names '{channel}'"),
            "remove its channel",
        ));
    }
    Ok(match sized {
        SizedFault::ReferenceOpen => Effect::Open(reference()?),
        SizedFault::SensorOpen | SizedFault::CableIntermittent(_) => Effect::Open(input()?),
        SizedFault::GainJump(share) => Effect::Gain(1.0 + share.si()),
        SizedFault::AmplifierTrip => Effect::Trip,
        SizedFault::SourceDeaf => Effect::Deaf,
        SizedFault::SourceHoldsLast => Effect::Held,
        SizedFault::AcquisitionStall => Effect::Stall,
        SizedFault::Overload => Effect::Overload(input()?),
        SizedFault::EmergencyStop => Effect::EmergencyStop,
        SizedFault::PermissiveOpens => Effect::Withhold(permissive(job, fault, name)?),
        SizedFault::ReferenceReversed => Effect::Reversed(reference()?),
        SizedFault::Hum(volts) => {
            SimError::positive(job.rig.mains_frequency.si(), "the mains frequency in Hz", "mains_frequency")?;
            Effect::Hum(input()?, volts.si())
        }
        SizedFault::SensorClipped(volts) => Effect::Clip(input()?, volts.si()),
        SizedFault::LooseMount(share) => Effect::Rattle(input()?, share.si()),
        SizedFault::AmbientExcursion(kelvins) => Effect::Air(kelvins.si()),
        SizedFault::SlowDrift(share) => Effect::Drift(input()?, share.si() / 3600.0 / rate.si()),
        SizedFault::CoilOverheating(above) => {
            let shaker = &job.rig.shaker;
            if shaker.coil_heat_resistance.is_none() || shaker.coil_temperature_limit.is_none() {
                return Err(SimError::new(
                    format!("{name}: the rig does not say when its coil is too warm"),
                    "write shaker.coil_heat_capacity, coil_heat_resistance and coil_temperature_limit in the rig file",
                ));
            }
            Effect::Overheat(above.si())
        }
    })
}

/// The place among the rig's permissives of the one that a fault names.
fn permissive(job: &ResolvedJob, fault: &Fault, name: &str) -> Result<usize, SimError> {
    let there = job.rig.permissives_in_force();
    let named = fault.channel.as_deref();
    there.iter().position(|p| Some(p.name.as_str()) == named).ok_or_else(|| {
        let names: Vec<String> = there.iter().map(|p| format!("'{}'", p.name)).collect();
        let names = if names.is_empty() { "none".to_owned() } else { names.join(", ") };
        SimError::new(
            format!(
                "{name} names the permissive '{}', which the rig does not have",
                named.unwrap_or_default()
            ),
            format!("write one of the rig's as its channel; there are: {names}"),
        )
    })
}

/// The place in the rig file's list of the channel that a fault names.
fn input(job: &ResolvedJob, fault: &Fault, name: &str) -> Result<usize, SimError> {
    let Some(channel) = &fault.channel else {
        return Err(SimError::new(format!("{name} does not say on which channel"), "add channel = …"));
    };
    let mut sensors = job.sensors.iter().chain(&job.check_standards);
    let column = job.columns.iter().position(|c| c.name == *channel);
    if let Some(column) = column
        && Fault::needs_sensor(fault.kind)
        && !sensors.any(|s| s.column == column)
    {
        let carries = if column == job.reference.column { "the reference" } else { "no sensor" };
        return Err(SimError::new(
            format!("{name} names channel '{channel}', which carries {carries}"),
            "name the channel of a sensor",
        ));
    }
    input_in_use(job, channel, name)
}

/// The place in the rig file's list of a channel that the job uses.
fn input_in_use(job: &ResolvedJob, channel: &str, name: &str) -> Result<usize, SimError> {
    let in_use = job.columns.iter().any(|c| c.name == channel);
    job.rig.channels.iter().position(|c| in_use && c.name == channel).ok_or_else(|| {
        let names: Vec<String> = job.columns.iter().map(|c| format!("'{}'", c.name)).collect();
        SimError::new(
            format!("{name} names channel '{channel}', which the job does not use"),
            format!("use one of {}", names.join(", ")),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Forty thousand cycles: the share of time is within 5 %, and within four standard errors p (1 − p) √(2/N).
    #[test]
    fn a_contact_is_open_for_its_share() {
        for share in [0.001, 0.05, 0.5, 0.95] {
            let mut contact = Contact::new(1, "share", share, SamplesPerSecond::new(10_000.0));
            let (mut open, mut closed) = (0u64, 0u64);
            for _ in 0..40_000 {
                open += contact.turn().unwrap();
                assert!(contact.open);
                closed += contact.turn().unwrap();
                assert!(!contact.open);
            }
            let got = open as f64 / (open + closed) as f64;
            let error = share * (1.0 - share) * (2.0f64 / 40_000.0).sqrt();
            assert!(
                (got / share - 1.0).abs() < 0.05 && (got - share).abs() < 4.0 * error,
                "{got} for {share}"
            );
        }
    }

    #[test]
    fn a_contact_that_is_always_open_never_turns_again() {
        let mut contact = Contact::new(1, "open", 1.0, SamplesPerSecond::new(10_000.0));
        assert_eq!(contact.turn(), None);
        assert!(contact.open);
        assert_eq!(contact.turn(), None);
        assert!(contact.open);
    }
}
