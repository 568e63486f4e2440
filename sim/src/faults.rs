//! Faults: what strikes, when, and what it does to the simulated rig.
//!
//! Owns: the script of a run's faults, checked against the job, and the effects of those that are active.
//!
//! # The contract: what a station has to do about each
//!
//! | kind | what happens | while moving | otherwise |
//! |---|---|---|---|
//! | `reference_open` | the reference's channel shows its own noise about 0 V | must trip `reference_open`; the drive must not be raised after a signal that is gone | no leave to drive |
//! | `sensor_open` | the same on a sensor's channel | must reject the sensor's point (`sensor_open`), other sensors unharmed | the same |
//! | `gain_jump` | the gain from source to coil is × (1 + `value`) from one sample to the next | upward: must trip (`stroke_limit`, `velocity_limit`, `acceleration_limit`) before a stop is hit, as far as `check` promised; within the ceilings: must settle again or reject the point | settles at the next point |
//! | `amplifier_trip` | the coil is muted at once, `fault` is reported, unmuting is refused while it lasts | must trip `amplifier_fault` | must trip or fail, never drive on |
//! | `source_deaf` | every setting is acknowledged and read back, and the output stays as it was, "off" included | must trip `source_not_following` and stop by the amplifier's mute | the same |
//! | `acquisition_stall` | no blocks; the armature moves on; samples are lost and counted as a gap | must trip `blocks_missing` | must fail the run |
//! | `overload` | the channel saturates and says so | reference: must trip `overload`; sensor: must reject the point (`overload`) | no point is accepted |
//! | `emergency_stop` | the contact reads as open; the hard-wired part of it is not simulated | must trip `emergency_stop` | must trip `emergency_stop` |
//! | `reference_reversed` | the reference's output changes sign | must trip `reference_reversed` if it was right before; else reject (`polarity`) | no point is accepted with a wrong sign |
//! | `hum` | `value` at the mains frequency is added at the channel | must reject the point (`hum`), or keep the result within its uncertainty | the same |
//!
//! Every fault but `source_deaf` leaves the source able to go to 0 V, every fault leaves the amplifier able to mute.
//! Out of this version's model: the kinds listed in [`NOT_SIMULATED`].

use crate::error::SimError;
use crate::truth::FaultStruck;
use plan_schema::faults::{Fault, FaultKind, Faults, Moment, PointPhase, Size};
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::{Fraction, Hertz, Peak, SampleCount, SamplesPerSecond, Seconds, Volts};

/// Kinds that this version does not simulate.
pub const NOT_SIMULATED: [FaultKind; 6] = [
    FaultKind::SensorClipped,
    FaultKind::LooseMount,
    FaultKind::CoilOverheating,
    FaultKind::SourceHoldsLast,
    FaultKind::SlowDrift,
    FaultKind::CableIntermittent,
];

/// What the active faults do to an input.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Disturbance {
    pub(crate) open: bool,
    pub(crate) overload: bool,
    /// Amplitude in V.
    pub(crate) hum: f64,
}

/// What the active faults do to the rig.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Effects {
    /// Factor on the gain from source to coil.
    pub(crate) gain: f64,
    pub(crate) tripped: bool,
    pub(crate) deaf: bool,
    pub(crate) stalled: bool,
    pub(crate) emergency_stop: bool,
    pub(crate) reversed: bool,
    inputs: Vec<Disturbance>,
}

impl Effects {
    fn none(inputs: usize) -> Self {
        Self {
            gain: 1.0,
            tripped: false,
            deaf: false,
            stalled: false,
            emergency_stop: false,
            reversed: false,
            inputs: vec![Disturbance::default(); inputs],
        }
    }

    /// What is done to the input of this number in the rig file's list.
    pub(crate) fn on(&self, input: usize) -> Disturbance {
        self.inputs.get(input).copied().unwrap_or_default()
    }
}

/// What a fault does, its size and place resolved.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Effect {
    Open(usize),
    Gain(f64),
    Trip,
    Deaf,
    Stall,
    Overload(usize),
    EmergencyStop,
    Reversed,
    Hum(usize, f64),
}

impl Effect {
    fn add_to(self, effects: &mut Effects) {
        let mut at = |input: usize, change: &dyn Fn(&mut Disturbance)| {
            if let Some(disturbance) = effects.inputs.get_mut(input) {
                change(disturbance);
            }
        };
        match self {
            Self::Open(input) => at(input, &|d| d.open = true),
            Self::Overload(input) => at(input, &|d| d.overload = true),
            Self::Hum(input, volts) => at(input, &|d| d.hum += volts),
            Self::Gain(factor) => effects.gain *= factor,
            Self::Trip => effects.tripped = true,
            Self::Deaf => effects.deaf = true,
            Self::Stall => effects.stalled = true,
            Self::EmergencyStop => effects.emergency_stop = true,
            Self::Reversed => effects.reversed = true,
        }
    }
}

/// Where a fault is in its life. Each strikes once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Life {
    Waiting,
    Scheduled,
    Active,
    Over,
}

struct Scripted {
    kind: FaultKind,
    effect: Effect,
    at: Moment,
    lasts: Option<u64>,
    life: Life,
}

/// The faults of a run.
pub(crate) struct Script {
    faults: Vec<Scripted>,
    inputs: usize,
    struck: Vec<FaultStruck>,
}

impl Script {
    /// Checks the faults against the job.
    ///
    /// # Errors
    /// The first fault that can't be simulated or does not fit the job.
    pub(crate) fn new(job: &ResolvedJob, faults: &Faults, rate: SamplesPerSecond) -> Result<Self, SimError> {
        let mut scripted = Vec::with_capacity(faults.faults.len());
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
            let effect = effect(job, fault, &name)?;
            scripted.push(Scripted {
                kind: fault.kind,
                effect,
                at: fault.at.clone(),
                lasts,
                life: Life::Waiting,
            });
        }
        Ok(Self { faults: scripted, inputs: job.rig.channels.len(), struck: Vec::new() })
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

    /// A fault strikes; returns the number of samples it lasts, if it ends.
    pub(crate) fn strike(&mut self, number: usize, at: Seconds, moving: bool) -> Option<u64> {
        let fault = self.faults.get_mut(number)?;
        fault.life = Life::Active;
        self.struck.push(FaultStruck { kind: fault.kind, at, moving });
        fault.lasts
    }

    /// A fault ends.
    pub(crate) fn end(&mut self, number: usize) {
        if let Some(fault) = self.faults.get_mut(number) {
            fault.life = Life::Over;
        }
    }

    /// What the active faults do.
    pub(crate) fn effects(&self) -> Effects {
        let mut effects = Effects::none(self.inputs);
        for fault in self.faults.iter().filter(|f| f.life == Life::Active) {
            fault.effect.add_to(&mut effects);
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

fn effect(job: &ResolvedJob, fault: &Fault, name: &str) -> Result<Effect, SimError> {
    let kind = fault.kind;
    let input = match &fault.channel {
        Some(channel) if Fault::needs_channel(kind) => Some(input_in_use(job, channel, name)?),
        Some(channel) => {
            return Err(SimError::new(
                format!("{name} concerns no channel, but names '{channel}'"),
                "remove its channel",
            ));
        }
        None => None,
    };
    if fault.value.is_some()
        && !matches!(kind, FaultKind::GainJump | FaultKind::Hum)
        && !NOT_SIMULATED.contains(&kind)
    {
        return Err(SimError::new(format!("{name} has no size"), "remove its value"));
    }
    let input = || {
        input.ok_or_else(|| SimError::new(format!("{name} does not say on which channel"), "add channel = …"))
    };
    match kind {
        FaultKind::ReferenceOpen => input_in_use(job, &job.rig.reference.channel, name).map(Effect::Open),
        FaultKind::SensorOpen => sensor_input(job, fault, input()?, name).map(Effect::Open),
        FaultKind::GainJump => gain_jump(fault, name),
        FaultKind::AmplifierTrip => Ok(Effect::Trip),
        FaultKind::SourceDeaf => Ok(Effect::Deaf),
        FaultKind::AcquisitionStall => Ok(Effect::Stall),
        FaultKind::Overload => Ok(Effect::Overload(input()?)),
        FaultKind::EmergencyStop => Ok(Effect::EmergencyStop),
        FaultKind::ReferenceReversed => Ok(Effect::Reversed),
        FaultKind::Hum => {
            let volts = size::<Volts<Peak>>(fault, name, "50 mV pk")?.si();
            SimError::positive(volts, &format!("the size of {name} in V pk"), "value")?;
            SimError::positive(job.rig.mains_frequency.si(), "the mains frequency in Hz", "mains_frequency")?;
            Ok(Effect::Hum(input()?, volts))
        }
        FaultKind::SensorClipped
        | FaultKind::LooseMount
        | FaultKind::CoilOverheating
        | FaultKind::SourceHoldsLast
        | FaultKind::SlowDrift
        | FaultKind::CableIntermittent => Err(not_simulated(name)),
    }
}

fn not_simulated(name: &str) -> SimError {
    let words =
        |kinds: &mut dyn Iterator<Item = &FaultKind>| kinds.map(|k| k.word()).collect::<Vec<_>>().join(", ");
    let simulated = words(&mut FaultKind::ALL.iter().filter(|k| !NOT_SIMULATED.contains(k)));
    SimError::new(
        format!("{name} is not simulated by this version"),
        format!("remove it, or use one of {simulated}"),
    )
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

fn sensor_input(job: &ResolvedJob, fault: &Fault, input: usize, name: &str) -> Result<usize, SimError> {
    let channel = fault.channel.as_deref().unwrap_or_default();
    if channel == job.rig.reference.channel {
        return Err(SimError::new(
            format!("{name} names channel '{channel}', which carries the reference"),
            "name the channel of a sensor, or use reference_open",
        ));
    }
    Ok(input)
}

fn gain_jump(fault: &Fault, name: &str) -> Result<Effect, SimError> {
    let share = size::<Fraction>(fault, name, "200 %")?.si();
    if !(share.is_finite() && share >= -1.0) {
        return Err(SimError::new(
            format!("{name} takes away more than all of the gain"),
            "write −100 % or more for its value",
        ));
    }
    Ok(Effect::Gain(1.0 + share))
}

fn size<T: std::str::FromStr<Err = plan_schema::units::QuantityError>>(
    fault: &Fault,
    name: &str,
    example: &str,
) -> Result<T, SimError> {
    let Some(Size(text)) = &fault.value else {
        return Err(SimError::new(
            format!("{name} does not say how large it is"),
            format!("add value = \"{example}\""),
        ));
    };
    text.parse::<T>()
        .map_err(|e| SimError::new(format!("the value of {name} can't be read: {}", e.message), e.remedy))
}
