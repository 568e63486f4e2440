//! The simulated world: everything that moves, in lock-step with the acquisition.
//!
//! Owns: simulated time, the queue of what takes effect at which sample, and the order within a sample: first what is
//! due takes effect, then the channels are sampled, then amplifier and shaker go on. Time is a number of samples.
//! Invariant: nothing depends on how time is cut into blocks.

use crate::acquisition::{Instead, Next, STRETCH, Sampler, Taken};
use crate::amplifier::{Amplifier, AmplifierTruth, Cut};
use crate::error::SimError;
use crate::faults::{Effects, Script};
use crate::output::When;
use crate::panel::Panel;
use crate::pickups::Pickups;
use crate::plant::Plant;
use crate::sensor::SensorTruth;
use crate::shaker::{ShakerTruth, VELOCITY};
use crate::source::{Setting, Source};
use crate::spread::Unknowns;
use crate::thermal::CoilHeat;
use crate::truth;
use plan_schema::faults::{Faults, PointPhase};
use plan_schema::resolve::ResolvedJob;
use plan_schema::simulation::SimulatedRoom;
use plan_schema::units::{
    Amperes, Celsius, Displacement, Fraction, Hertz, Mono, Peak, Radians, SampleCount, SamplesPerSecond,
    Seconds, Sensitivity, Velocity, Volts,
};
use std::collections::BTreeMap;
use std::f64::consts::PI;

/// An acquisition is waited for at most this long at once.
const PATIENCE: Seconds = Seconds::new(60.0);

/// An armature faster than this moves.
const MOVING: f64 = 1e-4;

/// Something that takes effect at a sample.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Event {
    /// The source goes to a setting.
    Source(Setting),
    /// The amplifier's mute goes to what was commanded.
    Mute,
    /// A fault strikes.
    Strike(usize),
    /// A fault ends.
    End(usize),
    /// The contact of a fault opens or closes.
    Contact(usize),
    /// The time of the amplifier's watchdog since the contact of this number is over.
    Watchdog(u64),
}

/// A point of the plan, and what happened there.
#[derive(Debug, Clone, Copy)]
struct Visited {
    frequency: Hertz,
    /// Temperature in °C when it was measured last.
    measured_at: Option<f64>,
    /// Largest displacement from when it was begun until the next was, in m.
    displacement: f64,
}

/// The simulated world.
#[derive(Clone)]
pub(crate) struct World {
    /// Samples per second as the rig file says, and as they truly are.
    rate: SamplesPerSecond,
    true_rate: SamplesPerSecond,
    now: u64,
    pub(crate) source: Source,
    pub(crate) amplifier: Amplifier,
    pub(crate) sampler: Sampler,
    plant: Plant,
    pickups: Pickups,
    room: SimulatedRoom,
    /// How much warmer than the room the mounting surface is, in K.
    surface: f64,
    script: Script,
    effects: Effects,
    /// What takes effect, by sample and in the order of commands.
    pending: BTreeMap<(u64, u64), Event>,
    commands: u64,
    source_latency: u64,
    amplifier_latency: u64,
    pub(crate) panel: Panel,
    /// A stretch of the source's output, in V, while it is connected to the channels.
    routed: Vec<f64>,
    /// Time of the amplifier's watchdog.
    watchdog: Option<u64>,
    /// The points, and the number of the one that the run is at (from 0).
    points: Vec<Visited>,
    at_point: Option<usize>,
    /// Sample at which the armature first touched a stop.
    first_hit: Option<u64>,
}

impl World {
    /// The world of a job: everything at rest, the source at 0 V, the amplifier muted.
    ///
    /// # Errors
    /// Facts or faults that can't be simulated.
    pub(crate) fn new(job: &ResolvedJob, seed: u64, faults: &Faults) -> Result<Self, SimError> {
        let simulation = &job.rig.simulation;
        let nominal = job.rig.acquisition.rate;
        let rate = nominal * (1.0 + simulation.acquisition.clock_error.si());
        let period = 1.0 / SimError::positive(rate.si(), "the sample rate in S/s", "acquisition.rate")?;
        let unknowns = Unknowns::new(job, seed)?;
        let latency = simulation.amplifier.latency;
        SimError::not_negative(latency.si(), "the latency in s", "simulation.amplifier.latency")?;
        let amplifier = Amplifier::new(job.rig.amplifier.mute, job.rig.roles.relay.is_some());
        let shaker = ShakerTruth::draw(job, &unknowns)?;
        let heat = CoilHeat::read(&job.rig, shaker.resistance, rate.si())?;
        let plant = Plant::new(shaker, AmplifierTruth::draw(job, &unknowns)?, heat, amplifier.coil(), period);
        let pickups = Pickups::new(job, &unknowns, rate, &plant)?;
        let mut script = Script::new(job, seed, faults, rate)?;
        let timed = script.take_timed();
        let mut world = Self {
            rate: nominal,
            true_rate: rate,
            now: 0,
            source: Source::new(&simulation.source, rate)?,
            amplifier,
            sampler: Sampler::new(job, &unknowns, rate, |wire| pickups.source(wire))?,
            plant,
            pickups,
            room: simulation.room.clone(),
            surface: unknowns.surface(),
            effects: script.effects(),
            script,
            pending: BTreeMap::new(),
            commands: 0,
            source_latency: SampleCount::at_least(simulation.source.latency, rate).0,
            amplifier_latency: SampleCount::at_least(latency, rate).0,
            panel: Panel::of(&job.rig),
            routed: vec![0.0; STRETCH],
            watchdog: watchdog(job)?.map(|time| SampleCount::at_least(time, rate).0),
            points: job
                .points
                .iter()
                .map(|p| Visited { frequency: p.frequency, measured_at: None, displacement: 0.0 })
                .collect(),
            at_point: None,
            first_hit: None,
        };
        world.plan_strikes(timed);
        Ok(world)
    }

    /// Adds faults; the timed ones strike at their time since the start.
    ///
    /// # Errors
    /// The first fault that does not fit the job.
    pub(crate) fn add(&mut self, job: &ResolvedJob, seed: u64, faults: &Faults) -> Result<(), SimError> {
        self.script.add(Script::new(job, seed, faults, self.true_rate)?);
        for (number, time) in self.script.take_timed() {
            let at = SampleCount::at_least(time, self.rate).0;
            self.after(at.saturating_sub(self.now), Event::Strike(number));
        }
        Ok(())
    }

    /// Sample rate.
    pub(crate) fn rate(&self) -> SamplesPerSecond {
        self.rate
    }

    /// Simulated time since the start.
    pub(crate) fn now(&self) -> Mono {
        // Half a nanosecond more, so that cutting off rounds to the nearest.
        Mono::default().after(self.seconds() + Seconds::new(0.5e-9))
    }

    fn seconds(&self) -> Seconds {
        SampleCount(self.now).duration(self.true_rate)
    }

    /// Sends the source to a setting that [`Source::resolve`] gave.
    pub(crate) fn set_source(&mut self, setting: Setting) {
        self.source.command(setting);
        self.after(self.source_latency, Event::Source(setting));
    }

    /// True while the source was told something that it does not do yet.
    pub(crate) fn source_is_behind(&self) -> bool {
        self.pending.values().any(|event| matches!(event, Event::Source(_)))
    }

    /// Brings the source to 0 V; the frequency stays.
    pub(crate) fn source_off(&mut self, over: f64) {
        let frequency = self.source.commanded().frequency;
        self.set_source(Setting { frequency, amplitude: 0.0, over });
    }

    /// Lets time pass without sampling: what the armature does after the last block counts too.
    pub(crate) fn run_out(&mut self, time: Seconds) {
        self.sampler.stop();
        let end = self.now.saturating_add(SampleCount::at_least(time.min(PATIENCE), self.rate).0);
        while self.now < end {
            self.take_effect();
            let next = self.pending.keys().next().map_or(end, |(sample, _)| *sample).min(end);
            self.run(usize::try_from(next - self.now).unwrap_or(STRETCH).min(STRETCH));
        }
        self.take_effect();
    }

    /// Mutes or unmutes, or switches the relay; false if the amplifier refuses.
    pub(crate) fn cut(&mut self, cut: Cut, on: bool) -> bool {
        let taken = self.amplifier.command(cut, on);
        if taken {
            self.after(self.amplifier_latency, Event::Mute);
        }
        taken
    }

    /// The amplifier was commanded or asked: its watchdog begins anew.
    pub(crate) fn note_amplifier_contact(&mut self) {
        if let Some(samples) = self.watchdog {
            let contact = self.amplifier.note_contact();
            self.after(samples, Event::Watchdog(contact));
        }
    }

    /// Whether the emergency stop reads as not pressed.
    pub(crate) fn emergency_stop_closed(&self) -> bool {
        !self.effects.emergency_stop
    }

    /// State of the contact inputs by their number: true is closed.
    pub(crate) fn contacts(&self) -> Vec<bool> {
        self.panel.inputs(&self.effects.withheld)
    }

    /// Switches a contact output; false if the rig file names none of this number.
    pub(crate) fn set_output(&mut self, number: u32, on: bool) -> bool {
        self.panel.set_output(number, on)
    }

    /// A person takes the source's cable to the channels, or back to the amplifier.
    pub(crate) fn route(&mut self, to_channels: bool) {
        self.panel.route(to_channels);
    }

    /// A person connects the reference to the sensors' channels, or the sensors again.
    pub(crate) fn exchange(&mut self, reference: bool) {
        self.panel.exchange(reference);
    }

    /// Temperature of the air now, as the ambient sensor reads it.
    pub(crate) fn air(&self) -> Celsius {
        Celsius::new(self.temperature().si() + self.effects.air)
    }

    /// Temperature of the room now, as shaker and sensors have it.
    pub(crate) fn temperature(&self) -> Celsius {
        let (start, rise) = self.room_temperature();
        Celsius::new(start + rise * self.samples())
    }

    /// Relative humidity now.
    pub(crate) fn humidity(&self) -> Fraction {
        self.room.humidity
    }

    /// Temperature of the room in °C when the world starts, and its rise per sample.
    fn room_temperature(&self) -> (f64, f64) {
        let per_second = self.room.drift_per_hour.si() / 3600.0;
        (self.room.temperature.si(), per_second / self.true_rate.si())
    }

    /// Temperature of the mounting surface now, in °C.
    fn surface_temperature(&self) -> f64 {
        self.temperature().si() + self.surface
    }

    #[expect(clippy::cast_precision_loss, reason = "exact below 2^53 samples")]
    fn samples(&self) -> f64 {
        self.now as f64
    }

    /// The run is at this part of this point (from 1).
    pub(crate) fn progress(&mut self, point: usize, phase: PointPhase, frequency: Hertz) {
        let temperature = self.surface_temperature();
        let number = point.checked_sub(1);
        if number != self.at_point {
            let lately = self.plant.take_lately();
            if let Some(left) = self.at_point.and_then(|n| self.points.get_mut(n)) {
                left.displacement = left.displacement.max(lately);
            }
            self.at_point = number;
        }
        if phase == PointPhase::Dwell
            && let Some(visited) = number.and_then(|n| self.points.get_mut(n))
        {
            visited.measured_at = Some(temperature);
        }
        let strikes = self.script.take_for(point, phase, frequency);
        self.plan_strikes(strikes);
    }

    fn plan_strikes(&mut self, strikes: Vec<(usize, Seconds)>) {
        for (number, time) in strikes {
            self.after(SampleCount::at_least(time, self.rate).0, Event::Strike(number));
        }
    }

    fn after(&mut self, samples: u64, event: Event) {
        self.commands += 1;
        self.pending.insert((self.now.saturating_add(samples), self.commands), event);
    }

    /// Lets time pass until a block is complete, or for `within` (at most a minute).
    pub(crate) fn collect(&mut self, within: Seconds) -> Option<Taken> {
        let patience = SampleCount::at_least(within.min(PATIENCE), self.rate).0;
        let end = self.now.saturating_add(patience);
        while self.now < end {
            self.take_effect();
            let next = self.pending.keys().next().map_or(end, |(sample, _)| *sample).min(end);
            let left = usize::try_from(next - self.now).unwrap_or(usize::MAX);
            let next = if self.effects.stalled { Next::Skip(left) } else { self.sampler.next() };
            let (Next::Take(most) | Next::Skip(most)) = next;
            let samples = left.min(most).min(STRETCH);
            let from = self.now;
            self.run(samples);
            match next {
                Next::Skip(_) if self.effects.stalled => self.sampler.lose(samples as u64),
                Next::Skip(_) => self.sampler.skip(samples),
                Next::Take(_) => {
                    if let Some(taken) = self.sampler.take(from, samples, &self.effects) {
                        return Some(taken);
                    }
                }
            }
        }
        None
    }

    /// Everything that is due takes effect.
    fn take_effect(&mut self) {
        let mut changed = false;
        while let Some(due) = self.pending.first_entry().filter(|e| e.key().0 <= self.now) {
            let event = due.remove();
            self.happen(event);
            changed = true;
        }
        if changed {
            self.retune();
        }
    }

    /// Everything takes up how the coil is connected and driven now.
    fn retune(&mut self) {
        self.plant.retune(self.amplifier.coil(), self.source.omega());
        self.pickups.retune(&self.plant, self.source.frequency());
        self.sampler.retune(self.source.frequency());
        self.effects.turn = self.source.omega() / self.true_rate.si();
    }

    fn happen(&mut self, event: Event) {
        match event {
            Event::Source(_) if self.effects.deaf || self.effects.held => {}
            Event::Source(setting) => self.source.follow(setting),
            Event::Mute => self.amplifier.follow(),
            Event::Strike(number) => {
                let moving = self.is_moving();
                let lasts = self.script.strike(number, self.now, self.seconds(), moving);
                if let Some(samples) = lasts {
                    self.after(samples, Event::End(number));
                }
                self.happen(Event::Contact(number));
            }
            Event::End(number) => {
                self.script.end(number, self.now);
                self.take_effects();
            }
            Event::Contact(number) => {
                if let Some(samples) = self.script.turn_contact(number) {
                    self.after(samples, Event::Contact(number));
                }
                self.take_effects();
            }
            Event::Watchdog(contact) => self.amplifier.watchdog(contact),
        }
    }

    fn take_effects(&mut self) {
        self.effects = self.script.effects();
        self.amplifier.set_tripped(self.effects.tripped);
        self.source.hold(self.effects.held);
        self.plant.overheat(self.effects.overheating);
    }

    fn is_moving(&self) -> bool {
        let driven = !self.amplifier.is_muted() && !self.panel.is_routed() && self.source.amplitude() > 0.0;
        driven || self.plant.state()[VELOCITY].abs() > MOVING
    }

    /// Moves everything on by `samples`, noting what the sensors see at each.
    fn run(&mut self, samples: usize) {
        let routed = self.panel.is_routed();
        for n in 0..samples {
            let mut wave = self.source.wave(self.effects.gain);
            if routed {
                if let Some(volts) = self.routed.get_mut(n) {
                    *volts = wave[0] + wave[4];
                }
                // The switch parts the amplifier from the source.
                wave = [0.0; 5];
            }
            self.pickups.note_drive(n, &self.source, &self.plant, wave[0] + wave[4]);
            self.pickups.note(n, &self.plant);
            self.plant.step(&wave);
            self.pickups.step(&self.plant);
            if self.first_hit.is_none() && self.plant.extremes.stop_hits > 0 {
                self.first_hit = Some(self.now + n as u64 + 1);
            }
            if self.plant.take_news() {
                self.amplifier.set_overheated(self.plant.is_too_warm());
                self.retune();
            }
            self.source.advance();
        }
        self.feed(samples);
        self.now += samples as u64;
        if self.plant.take_limited() {
            self.amplifier.note_clipping();
        }
    }

    /// The channels take in the stretch that was just run.
    fn feed(&mut self, samples: usize) {
        let (start, rise) = self.room_temperature();
        let when = When {
            sample: self.now,
            temperature: (start + self.surface, rise),
            period: 1.0 / self.true_rate.si(),
        };
        self.pickups.finish(samples, &when);
        let pickups = &self.pickups;
        let routed = self.routed.get(..samples).filter(|_| self.panel.is_routed());
        let instead = match routed {
            Some(volts) => Instead::Source(volts),
            None if self.panel.is_exchanged() => Instead::Reference,
            None => Instead::Nothing,
        };
        self.sampler.feed(self.now, samples, &self.effects, |wire| pickups.signal(wire), instead);
    }

    /// Largest displacement at each point so far.
    fn displacement_by_point(&self) -> Vec<Displacement<Peak>> {
        let lately = |n: usize| if self.at_point == Some(n) { self.plant.extremes.lately } else { 0.0 };
        let points = self.points.iter().enumerate();
        points.map(|(n, p)| Displacement::new(p.displacement.max(lately(n)))).collect()
    }

    /// What a real rig never tells.
    pub(crate) fn truth(&self) -> truth::Truth {
        let now = self.surface_temperature();
        let at = |sensor: &SensorTruth, point: &Visited| {
            let response = sensor.response_at(point.frequency.si(), point.measured_at.unwrap_or(now));
            // −180° is written as 180°.
            let phase = if response.arg() <= -PI { PI } else { response.arg() };
            truth::PointTruth {
                frequency: point.frequency,
                sensitivity: Sensitivity::new(response.norm()),
                phase: Radians::new(phase),
            }
        };
        let of = |sensor: &SensorTruth| truth::SensorTruth {
            serial: sensor.serial.clone(),
            points: self.points.iter().map(|p| at(sensor, p)).collect(),
        };
        let extremes = &self.plant.extremes;
        truth::Truth {
            sensors: self.pickups.under_test().iter().map(of).collect(),
            displacement_max: Displacement::new(extremes.displacement),
            displacement_by_point: self.displacement_by_point(),
            stop_hits: extremes.stop_hits,
            first_stop_hit: self.first_hit.map(|at| SampleCount(at).duration(self.true_rate)),
            stop_hit_speed_max: Velocity::new(extremes.hit_speed),
            stop_hit_speeds: extremes.hit_speeds.iter().map(|v| Velocity::new(*v)).collect(),
            current_max: Amperes::new(extremes.current),
            coil_temperature_max: Celsius::new(self.plant.coil_temperature_max().unwrap_or(now)),
            faults_struck: self.script.struck().to_vec(),
            final_drive: Volts::new(self.source.amplitude()),
            muted: self.amplifier.is_muted(),
            warning: self.panel.warns(),
        }
    }
}

/// The time of the amplifier's watchdog, if it has one.
fn watchdog(job: &ResolvedJob) -> Result<Option<Seconds>, SimError> {
    let Some(time) = job.rig.amplifier.watchdog else {
        return Ok(None);
    };
    SimError::positive(time.si(), "the time of the watchdog in s", "amplifier.watchdog")?;
    Ok(Some(time))
}
