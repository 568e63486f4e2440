//! How long a rig may take to answer a single fault before the armature comes to its stop.
//!
//! Owns: the way of the armature through a fault, phase by phase, and the longest reaction that keeps it off the stop.
//! Must not: decide what follows from that.
//!
//! A fault strikes a steady sine at a phase. From then on the machine is stepped, the amplifier's limits kept, and from
//! moment to moment it is asked where the rig's stop would lead from here. The longest reaction is the last moment before the
//! first one that is too late: every shorter one keeps the armature off the stop too. Moments are a 32nd of a cycle apart,
//! as phases are; between the last that is in time and the first that is too late each step is asked, and the last step
//! in 16 parts. 32 phases pass over up to 3 % of the longest reaction.
//!
//! Reaction and longest reaction are compared at each phase by itself, since the phase at which a fault is seen late is
//! mostly one at which the armature has a long way to go.

use super::exponential::dot;
use super::motion::{CURRENT, State, Steady};
use super::notice::{Foreseen, Lookout, earlier};
use super::pace::{FINER, Pace};
use super::reach::{Reach, steps};
use super::reaction::{Answer, Fault};
use super::step::Tone;
use plan_schema::rig::AmplifierMode;
use plan_schema::units::Seconds;
use std::f64::consts::TAU;
use std::rc::Rc;

/// What a rig has left against a single fault, at the phase at which that is least.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reserve {
    /// The fault.
    pub fault: Fault,
    /// Longest time from the fault to the moment at which a stop acts on the coil that keeps the armature off the
    /// mechanical stop, the static allowance taken off; `None` where no time is too long: within three cycles and what
    /// settles after them, or within the rig's reaction where the fault is a direct voltage.
    pub longest: Option<Seconds>,
    /// The rig's time from the fault to that moment; `None` where nothing notices the fault or nothing can stop it.
    pub reaction: Option<Seconds>,
    /// `longest − reaction`; `None` where there is no longest time or no reaction.
    pub reserve: Option<Seconds>,
}

impl Reserve {
    /// True if the armature keeps off its stop: the reserve is positive, or any time will do.
    #[must_use]
    pub fn keeps_off(&self) -> bool {
        self.longest.is_none() || self.reserve.is_some_and(|r| r > Seconds::ZERO)
    }
}

/// Gain of the fault [`Fault::GainJump`].
const JUMP: f64 = 3.0;

/// A fault in its setting: everything that does not depend on the amplitude.
#[derive(Debug, Clone)]
pub(super) struct Scene {
    fault: Fault,
    answer: Answer,
    /// What follows from the stop; `None` where nothing can stop the fault.
    reach: Option<Rc<Reach>>,
    pace: Rc<Pace>,
    /// How long it is looked at least, in s.
    look: f64,
    /// How long it is waited for a monitor once the armature is lost, in s.
    wait: f64,
    /// Displacement at which the armature touches its stop.
    limit: f64,
}

/// A sine that a fault strikes, and what was foreseen of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Struck {
    pub(super) steady: Steady,
    /// The drive's ceiling as a multiple of the drive.
    pub(super) ceiling: f64,
    /// The ceilings of acceleration, m/s², and of stroke, static part and all, m.
    pub(super) foreseen: (f64, f64),
}

/// One phase of a fault, in s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Outcome {
    pub(super) longest: Option<f64>,
    pub(super) reaction: Option<f64>,
}

impl Outcome {
    fn keeps_off(&self) -> bool {
        match (self.longest, self.reaction) {
            (None, _) => true,
            (Some(longest), Some(reaction)) => longest > reaction,
            (Some(_), None) => false,
        }
    }

    /// The smaller, the worse: unseen, then by reserve, then by reaction.
    fn rank(&self) -> (u8, f64) {
        match (self.longest, self.reaction) {
            (Some(longest), None) => (0, longest),
            (Some(longest), Some(reaction)) => (1, longest - reaction),
            (None, Some(reaction)) => (2, -reaction),
            (None, None) => (3, 0.0),
        }
    }
}

impl Scene {
    /// A fault at a pace. `limit` is the displacement that is too far, m.
    #[must_use]
    pub(super) fn new(
        pace: &Rc<Pace>,
        fault: Fault,
        answer: Answer,
        reach: Option<Rc<Reach>>,
        limit: f64,
    ) -> Self {
        let machine = &pace.machine;
        let (cycle, braking) = (pace.cycle, machine.braking());
        let beat = match machine.mode {
            AmplifierMode::Voltage => 0.0,
            AmplifierMode::Current => {
                let beside = (1.0 / cycle - 1.0 / machine.period()).abs();
                (1.0 / beside).min(6.0 * machine.mass / machine.damping).min(5.0)
            }
        };
        let (look, wait) = if fault.holds_a_value() {
            // What is held goes on until the stop; where only the motion tells, for two swings of the suspension.
            let look = if answer.overdue.is_some() { 0.0 } else { (2.0 * machine.period()).max(1.0) };
            (look, 4.0 * braking)
        } else {
            (3.0 * cycle + 6.0 * braking + beat, 1.5 * cycle)
        };
        Self { fault, answer, reach, pace: Rc::clone(pace), look, wait, limit }
    }

    /// The reserve at the worst phase.
    #[must_use]
    pub(super) fn reserve(&self, sine: &Struck) -> Reserve {
        let worst = self.outcomes(sine, true).min_by(|a, b| {
            let (a, b) = (a.rank(), b.rank());
            a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
        });
        let longest = worst.and_then(|w| w.longest).map(Seconds::new);
        let reaction = worst.and_then(|w| w.reaction).map(Seconds::new);
        let reserve = longest.zip(reaction).map(|(l, r)| l - r);
        Reserve { fault: self.fault, longest, reaction, reserve }
    }

    /// Whether the armature keeps off its stop at every phase.
    #[must_use]
    pub(super) fn keeps_off(&self, sine: &Struck) -> bool {
        self.outcomes(sine, false).all(|outcome| outcome.keeps_off())
    }

    /// The outcomes over 32 phases, or over the half of them that the others mirror. If not `thorough`, each is followed
    /// only until it is clear whether it keeps off.
    pub(super) fn outcomes(&self, sine: &Struck, thorough: bool) -> impl Iterator<Item = Outcome> {
        let factor = match self.fault {
            Fault::GainJump => JUMP,
            Fault::SourceHolds | Fault::SourceStep | Fault::ReferenceSilent => sine.ceiling,
            Fault::SourceDeaf => 1.0,
        };
        let harmless = self.any_time_will_do(&sine.steady, factor);
        let phases = match self.fault {
            Fault::SourceStep => 32u32,
            // All phases are looked at in one.
            Fault::SourceDeaf => 1,
            Fault::GainJump | Fault::SourceHolds | Fault::ReferenceSilent => 16,
        };
        let sine = *sine;
        // Where any time will do, four phases suffice to say how long the rig takes.
        let every = if harmless { 4 } else { 1 };
        (0..phases).step_by(every).map(move |n| {
            let phase = TAU * f64::from(n) / 32.0;
            if self.fault == Fault::SourceDeaf {
                self.goes_on(&sine.steady)
            } else {
                self.follow(&sine, phase, factor, harmless, thorough)
            }
        })
    }

    /// The motion is as it was: the first moment is as good as any other, over all phases.
    fn goes_on(&self, steady: &Steady) -> Outcome {
        let reaction = self.answer.overdue.map(|overdue| overdue + self.answer.rest);
        match &self.reach {
            Some(reach) => Outcome { longest: (reach.worst(steady) > self.limit).then_some(0.0), reaction },
            None => Outcome { longest: Some(0.0), reaction: None },
        }
    }

    /// One phase of the fault.
    fn follow(&self, sine: &Struck, phase: f64, factor: f64, harmless: bool, thorough: bool) -> Outcome {
        let Some(reach) = &self.reach else {
            return Outcome { longest: Some(0.0), reaction: None };
        };
        let rest = self.answer.rest;
        let mut seen = self.answer.overdue;
        let outcome = |longest, seen: Option<f64>| Outcome { longest, reaction: seen.map(|s| s + rest) };
        if harmless && (!thorough || seen.is_some()) {
            return outcome(None, seen);
        }
        let pace = &self.pace;
        let (mut state, mut tone) = self.struck(&sine.steady, phase, factor);
        let (most, stroke) = sine.foreseen;
        let foreseen = Foreseen { acceleration: most, stroke, steady: sine.steady, phase };
        let mut lookout = self.answer.sight.map(|sight| Lookout::new(&sight, &foreseen, pace.coarse.over()));
        let mut in_time = None;
        let mut longest = None;
        let (over, mut time) = (pace.coarse.over(), 0.0);
        // Where the steps run out, longer reactions than were looked at count as too long.
        for n in 0..steps(f64::INFINITY) {
            let decided = seen.is_some_and(|s| time > s + rest);
            if !harmless && longest.is_none() && (n % pace.stride == 0 || decided) {
                if reach.goes_beyond(&state, self.limit) {
                    longest = Some(in_time.map_or(0.0, |moment| self.narrowed(reach, moment)));
                    if !thorough {
                        return outcome(longest, seen);
                    }
                }
                in_time = Some((state, tone, time));
            }
            // Something else may notice it sooner than what is overdue.
            let open = self.answer.sight.filter(|_| seen.is_none_or(|s| time < s));
            if let (Some(sight), Some(lookout)) = (&open, &mut lookout) {
                let acceleration = pace.machine.acceleration(&state);
                let noticed = lookout.look(sight, &foreseen, time, &state, acceleration);
                seen = earlier(seen, noticed);
            }
            let enough = match (seen, longest) {
                _ if harmless => seen.is_some() || time > 2.0 * pace.cycle,
                (Some(_), Some(_)) => open.is_none(),
                (Some(_), None) if decided && !thorough => true,
                // A tone has shown all that it does; what is held goes on until the stop.
                (Some(_), None) => time > self.look && (decided || !self.fault.holds_a_value()),
                (None, Some(longest)) => time > longest + self.wait,
                (None, None) => time > self.look,
            };
            if enough {
                return outcome(longest, seen);
            }
            state = pace.coarse.advance(&state, &mut tone);
            time += over;
        }
        outcome(longest.or(Some(time)), seen)
    }

    /// The last moment from which the stop still comes in time, from one at which it does: step by step, and then within
    /// the step that is too much.
    fn narrowed(&self, reach: &Reach, (mut state, mut tone, mut time): (State, Tone, f64)) -> f64 {
        for (stepper, most) in [(&self.pace.coarse, self.pace.stride), (self.pace.fine(), steps(FINER))] {
            for _ in 0..most {
                let mut later = tone;
                let next = stepper.advance(&state, &mut later);
                if reach.goes_beyond(&next, self.limit) {
                    break;
                }
                (state, tone) = (next, later);
                time += stepper.over();
            }
        }
        time
    }

    /// State and drive right after the fault. A current that is imposed jumps with what is asked for.
    fn struck(&self, steady: &Steady, phase: f64, factor: f64) -> (State, Tone) {
        let mut state = steady.at(phase);
        let tone = match self.fault {
            Fault::GainJump | Fault::SourceDeaf | Fault::ReferenceSilent => steady.tone(phase, factor),
            Fault::SourceHolds => Tone::held(steady.tone(phase, factor).value()),
            Fault::SourceStep => Tone::held(steady.input.norm() * factor),
        };
        if self.pace.machine.mode == AmplifierMode::Current {
            let most = self.pace.machine.current_limit;
            state[CURRENT] = tone.value().clamp(-most, most);
        }
        (state, tone)
    }

    /// True where it is plain that no reaction is too long, without a look at each phase: the motion after a jump to
    /// `factor` is that of a steady sine `factor` times as large and a free motion of the difference. Their largest values
    /// together must not lead to the stop, nor to a limit of the amplifier.
    fn any_time_will_do(&self, steady: &Steady, factor: f64) -> bool {
        let machine = &self.pace.machine;
        let Some(reach) = &self.reach else {
            return false;
        };
        if self.fault.holds_a_value() {
            return false;
        }
        let states = steady.quadrature();
        let mut squares: State = [0.0; 3];
        for m in &self.pace.coil_free {
            for (most, row) in squares.iter_mut().zip(m) {
                *most = most.max(dot(row, &states[0]).powi(2) + dot(row, &states[1]).powi(2));
            }
        }
        let free = squares.map(f64::sqrt);
        let most: State =
            std::array::from_fn(|c| factor * steady.state[c].norm() + (factor - 1.0).abs() * free[c]);
        let omega = TAU / self.pace.cycle;
        let voltage = match machine.mode {
            AmplifierMode::Voltage => factor * steady.input.norm(),
            AmplifierMode::Current => {
                let coil = (machine.resistance + omega * machine.inductance) * most[0];
                coil + machine.force_factor * most[1]
            }
        };
        voltage <= machine.voltage_limit
            && most[CURRENT] <= machine.current_limit
            && reach.bound(&most) <= self.limit
    }
}
