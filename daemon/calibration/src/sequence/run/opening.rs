//! How a run opens: soak, unmute, quiet part, first motion, one small motion to know the plant by.

use super::before_motion::Next;
use super::points::Goal;
use super::{Run, State};
use crate::control::overshoot_allowed;
use crate::interlock::{Ceiling, Watch};
use crate::sequence::collect::Collector;
use crate::sequence::first_motion::FirstMotion;
use crate::sequence::input::{Action, Event, Outcome, QuietTime};
use crate::sequence::probe::{Probe, ProbeKind, Probed};
use crate::sequence::quiet::{LISTEN, QuietRecord};
use crate::sequence::setup::Setup;
use crate::sequence::soak::{Soak, Soaked};
use plan_schema::units::{Accel, Displacement, Hertz, Peak, SampleIndex, Volts, VoltsDc};
use std::sync::Arc;

/// The plant is identified at this share of the first point's target.
const IDENTIFY_AT: f64 = 0.1;

/// Relative standard deviation of the amplitude of a first motion: a hundred times the noise of the fit, and more.
const FIRST_MOTION_WITHIN: f64 = 0.01;

/// Share of the trip stroke up to which a first motion may go: small, but well beyond what a wrong gain makes of it.
const UNTAUGHT: f64 = 0.25;

/// Drive ceiling of a small motion over what is foreseen for it: the amplifier's knob may be off.
const SMALL_CEILING: f64 = 1.5;

impl Run {
    pub(super) fn started(&mut self, starts_at_zero: bool, out: &mut Vec<Action>) {
        // Across a gap the phase of a start is not known.
        self.starts_at_zero = starts_at_zero && self.setup.gate().is_none();
        // What is wrong with a sensor is for the first motion to tell; it costs this sensor, not the run.
        self.spare_all_but(&[]);
        let waits = self.setup.waits();
        out.push(Action::Tell(Event::SoakBegins(waits.soak)));
        let job = &self.setup.job;
        self.state = State::Soaking(Soak::new(self.now, job.soak_left(), job.plan.soak.clone()));
    }

    /// Goes on once sensors and temperature are ready.
    pub(super) fn soaked(&mut self, out: &mut Vec<Action>) {
        let State::Soaking(soak) = &self.state else { return };
        match soak.look(self.now) {
            Soaked::Wait => {}
            Soaked::Done => self.ready(out),
            Soaked::Never(change) => {
                let seen = change.map_or("nothing reads it".into(), |k| format!("it changed by {k:.2} K"));
                self.hold_for(
                    format!("the temperature did not become steady in the plan's time: {seen}"),
                    out,
                );
            }
        }
    }

    /// Lets the amplifier live at zero drive.
    pub(super) fn energise(&mut self, out: &mut Vec<Action>) {
        if self.leave(Setup::at_rest(), out) {
            out.push(Action::Unmute);
            self.state = State::Unmuting;
        }
    }

    /// Ends the run, and keeps the next one from starting before somebody has looked.
    pub(super) fn hold_for(&mut self, why: String, out: &mut Vec<Action>) {
        out.push(Action::Tell(Event::Failure(format!("held: {why}"))));
        self.hold = Some(why);
        self.stop(Outcome::Failed, out);
    }

    pub(super) fn begin_quiet(&mut self, when: QuietTime, from: SampleIndex, out: &mut Vec<Action>) {
        let (wanted, columns) = (self.setup.piece(LISTEN), self.setup.job.columns.len());
        let collector = Collector::new(from, wanted, columns).gated(self.setup.gate().is_some());
        self.state = State::Quiet(when, collector);
        out.push(Action::Tell(Event::QuietBegins(when)));
    }

    pub(super) fn quiet_done(&mut self, record: QuietRecord, out: &mut Vec<Action>) {
        if record.when == QuietTime::Before {
            self.rest = Some(QuietRecord { samples: Arc::default(), ..record.clone() });
            self.observe();
        }
        self.state = State::StoringQuiet(record.when);
        out.push(Action::StoreQuiet(Box::new(record)));
    }

    /// The channels are known at rest: the first motion begins.
    pub(super) fn open(&mut self, out: &mut Vec<Action>) {
        self.before(Next::Open, out);
    }

    /// The first motion.
    pub(super) fn first_motion(&mut self, out: &mut Vec<Action>) {
        let Some(rest) = &self.rest else {
            return self.stop(Outcome::Failed, out);
        };
        let frequency = self.setup.opening.frequency;
        let target = self.setup.opening.target(&self.setup, rest);
        let drive = self.setup.plant.need(frequency, target).drive;
        out.push(Action::Tell(Event::FirstMotionBegins(frequency)));
        self.probe(ProbeKind::FirstMotion, frequency, target, drive, out);
    }

    fn probe(
        &mut self,
        kind: ProbeKind,
        frequency: Hertz,
        target: Accel<Peak>,
        drive: Volts<Peak>,
        out: &mut Vec<Action>,
    ) {
        let mut ceiling = self.small_ceiling(frequency, target, drive);
        if self.model.is_untaught() {
            // What it does is for the first motion to tell: a gain that is wrong ends the run in good order.
            ceiling.stroke = ceiling.stroke.max(self.setup.job.rig.shaker.trip() * UNTAUGHT);
        }
        self.state = State::Probing(Box::new(Probe::new(kind, (frequency, drive))));
        if self.leave(ceiling, out) {
            self.watch(frequency, kind == ProbeKind::Identify);
            self.command(frequency, drive, out);
        }
    }

    fn small_ceiling(&self, frequency: Hertz, target: Accel<Peak>, drive: Volts<Peak>) -> Ceiling {
        let shaker = &self.setup.job.rig.shaker;
        let displacement = target.displacement_at(frequency);
        let overshoot = 1.0 + overshoot_allowed(displacement, shaker.rated_stroke);
        Ceiling {
            stroke: displacement * overshoot + Displacement::new(shaker.static_allowance.si()),
            velocity: target.velocity_at(frequency) * overshoot,
            acceleration: target * overshoot,
            force: self.setup.plant.need(frequency, target).force * overshoot,
            drive: (drive * SMALL_CEILING).min(shaker.drive_limit),
        }
    }

    /// Watches for motion beyond the limits at a frequency; beyond what is foreseen too, where the plant is known.
    pub(super) fn watch(&mut self, frequency: Hertz, foreseen: bool) {
        let sensitivity = self.setup.sensitivity_near(frequency);
        let zero = self.zero_of_reference();
        self.interlock.watch(Some(Watch { frequency, sensitivity, zero }));
        if foreseen {
            let column = self.setup.job.reference.column;
            let rest = self.rest.as_ref().and_then(|r| r.columns.get(column)?.as_ref().ok());
            let moves = self.asked.is_some() && self.tone.is_some();
            self.interlock.foresee(moves, rest.map_or(0.0, |r| r.noise_rms.si()));
        }
    }

    /// What the reference showed at rest.
    pub(super) fn zero_of_reference(&self) -> VoltsDc {
        let column = self.setup.job.reference.column;
        self.rest.as_ref().and_then(|r| r.mean(column)).unwrap_or(VoltsDc::ZERO)
    }

    pub(super) fn probed(&mut self, probed: Option<Probed>, out: &mut Vec<Action>) {
        let State::Probing(probe) = &self.state else { return };
        match probed {
            None => {}
            Some(Probed::FirstMotion((first_sample, samples))) => {
                let started = self.starts_at_zero.then_some(probe.began);
                let motion = FirstMotion::of(
                    &self.setup,
                    self.rest.as_ref(),
                    probe.tone,
                    started,
                    first_sample,
                    samples,
                );
                let kept = FirstMotion { samples: Arc::default(), ..motion.clone() };
                self.state = State::StoringFirstMotion(Box::new(kept));
                out.push(Action::StoreFirstMotion(Box::new(motion)));
            }
            Some(Probed::Identified(amplitude, deviation)) => {
                let (frequency, drive) = probe.tone;
                self.model.learn(frequency, drive, amplitude, deviation);
                let first = self.first_goal();
                self.go(first, frequency, false, out);
            }
        }
    }

    /// The first motion is on the disk: what it says decides how the run goes on.
    pub(super) fn opened(&mut self, motion: Box<FirstMotion>, out: &mut Vec<Action>) {
        let (frequency, drive, verdict) = (motion.frequency, motion.drive, motion.verdict.clone());
        // The tone is still on.
        self.state = State::StoringFirstMotion(motion);
        if let Some(trip) = verdict.trip {
            return self.latch(trip, out);
        }
        if let Some(failure) = verdict.failure {
            out.push(Action::Tell(Event::Failure(failure)));
            return self.stop(Outcome::Failed, out);
        }
        self.excluded = verdict.excluded(&self.setup.job);
        if let Some(why) = self.others_excluded() {
            return self.hold_for(why, out);
        }
        let in_it = self.setup.job.sensors.iter().zip(&self.excluded).filter(|(_, out)| !**out);
        self.spare_all_but(&in_it.map(|(s, _)| s.column).collect::<Vec<_>>());
        for finding in verdict.findings {
            out.push(Action::Tell(Event::Noticed(finding.message)));
        }
        if let Some(acceleration) = verdict.acceleration {
            self.model.learn(frequency, drive, acceleration, FIRST_MOTION_WITHIN);
        }
        self.go(Goal::Identify, frequency, true, out);
    }

    /// One small motion at the frequency of the first point.
    pub(super) fn identify(&mut self, out: &mut Vec<Action>) {
        let first = if self.substitutes { self.taken_from(0) } else { self.first_position() };
        let number = first.and_then(|first| self.setup.order.get(first));
        let Some(point) = number.and_then(|n| self.setup.job.points.get(*n)) else {
            let goal = if self.substitutes { Goal::Return } else { Goal::Rest };
            return self.go_to(goal, out);
        };
        let (frequency, target) = (point.frequency, point.target * IDENTIFY_AT);
        let (drive, _) = self.model.drive_for(frequency, target);
        self.probe(ProbeKind::Identify, frequency, target, drive, out);
    }
}
