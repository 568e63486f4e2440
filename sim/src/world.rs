//! The simulated world: everything that moves, in lock-step with the acquisition.
//!
//! Owns: simulated time, the queue of what takes effect at which sample, and the order within a sample: first what is
//! due takes effect, then the channels are sampled, then amplifier and shaker go on. Time is a number of samples.
//! Invariant: nothing depends on how time is cut into blocks.

use crate::acquisition::{STRETCH, Sampler, Taken, Wire};
use crate::amplifier::{Amplifier, AmplifierTruth};
use crate::error::SimError;
use crate::faults::{Effects, Script};
use crate::plant::Plant;
use crate::reference::ReferenceTruth;
use crate::sensor::SensorTruth;
use crate::shaker::{ShakerTruth, VELOCITY};
use crate::source::{Setting, Source};
use crate::truth;
use plan_schema::faults::{Faults, PointPhase};
use plan_schema::resolve::ResolvedJob;
use plan_schema::simulation::SimulatedRoom;
use plan_schema::units::{
    Celsius, Displacement, Fraction, Hertz, Mono, Radians, SampleCount, SamplesPerSecond, Seconds,
    Sensitivity, Volts,
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
}

/// The simulated world.
pub(crate) struct World {
    rate: SamplesPerSecond,
    now: u64,
    pub(crate) source: Source,
    pub(crate) amplifier: Amplifier,
    pub(crate) sampler: Sampler,
    plant: Plant,
    reference: ReferenceTruth,
    sensors: Vec<SensorTruth>,
    room: SimulatedRoom,
    script: Script,
    effects: Effects,
    /// What takes effect, by sample and in the order of commands.
    pending: BTreeMap<(u64, u64), Event>,
    commands: u64,
    source_latency: u64,
    amplifier_latency: u64,
    /// Frequency of each point, and the temperature when it was measured last.
    points: Vec<(Hertz, Option<f64>)>,
}

impl World {
    /// The world of a job: everything at rest, the source at 0 V, the amplifier muted.
    ///
    /// # Errors
    /// Facts or faults that can't be simulated.
    pub(crate) fn new(job: &ResolvedJob, seed: u64, faults: &Faults) -> Result<Self, SimError> {
        let rate = job.rig.acquisition.rate;
        let simulation = &job.rig.simulation;
        let period = 1.0 / SimError::positive(rate.si(), "the sample rate in S/s", "acquisition.rate")?;
        let latency = simulation.amplifier.latency;
        SimError::not_negative(latency.si(), "the latency in s", "simulation.amplifier.latency")?;
        let amplifier = Amplifier::new(job.rig.amplifier.mute);
        let shaker = ShakerTruth::draw(job, seed)?;
        let plant = Plant::new(shaker, AmplifierTruth::read(job)?, amplifier.coil(), period);
        let mut sensors = Vec::with_capacity(job.sensors.len());
        for mounted in &job.sensors {
            let mut sensor = SensorTruth::draw(&mounted.sensor, simulation.spread.sensitivity, seed, rate)?;
            sensor.signal = vec![0.0; STRETCH];
            sensor.retune(&plant, 0.0);
            sensors.push(sensor);
        }
        let mut reference = ReferenceTruth::draw(&job.reference, seed, rate)?;
        reference.signal = vec![0.0; STRETCH];
        let mut script = Script::new(job, faults, rate)?;
        let timed = script.take_timed();
        let mut world = Self {
            rate,
            now: 0,
            source: Source::new(&simulation.source, rate)?,
            amplifier,
            sampler: Sampler::new(job, seed, rate)?,
            plant,
            reference,
            sensors,
            room: simulation.room.clone(),
            effects: script.effects(),
            script,
            pending: BTreeMap::new(),
            commands: 0,
            source_latency: SampleCount::at_least(simulation.source.latency, rate).0,
            amplifier_latency: SampleCount::at_least(latency, rate).0,
            points: job.points.iter().map(|p| (p.frequency, None)).collect(),
        };
        world.plan_strikes(timed);
        Ok(world)
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
        SampleCount(self.now).duration(self.rate)
    }

    /// Sends the source to a setting that [`Source::resolve`] gave.
    pub(crate) fn set_source(&mut self, setting: Setting) {
        self.source.command(setting);
        self.after(self.source_latency, Event::Source(setting));
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

    /// Mutes or unmutes; false if the amplifier refuses.
    pub(crate) fn set_mute(&mut self, muted: bool) -> bool {
        let taken = self.amplifier.command(muted);
        if taken {
            self.after(self.amplifier_latency, Event::Mute);
        }
        taken
    }

    /// Whether the emergency stop reads as not pressed.
    pub(crate) fn emergency_stop_closed(&self) -> bool {
        !self.effects.emergency_stop
    }

    /// Temperature now.
    pub(crate) fn temperature(&self) -> Celsius {
        let (start, _) = self.room_temperature();
        Celsius::new(start)
    }

    /// Relative humidity now.
    pub(crate) fn humidity(&self) -> Fraction {
        self.room.humidity
    }

    /// Temperature now in °C and its rise per sample.
    fn room_temperature(&self) -> (f64, f64) {
        let per_second = self.room.drift_per_hour.si() / 3600.0;
        (self.room.temperature.si() + per_second * self.seconds().si(), per_second / self.rate.si())
    }

    /// The run is at this part of this point (from 1).
    pub(crate) fn progress(&mut self, point: usize, phase: PointPhase, frequency: Hertz) {
        let (temperature, _) = self.room_temperature();
        if phase == PointPhase::Dwell
            && let Some((_, measured_at)) = point.checked_sub(1).and_then(|n| self.points.get_mut(n))
        {
            *measured_at = Some(temperature);
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
            let samples =
                if self.effects.stalled { left } else { left.min(self.sampler.wanted()) }.min(STRETCH);
            let from = self.now;
            self.run(samples);
            if self.effects.stalled {
                self.sampler.lose(samples as u64);
            } else if let Some(taken) = self.sample(from, samples) {
                return Some(taken);
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
            let omega = self.source.omega();
            self.plant.retune(self.amplifier.coil(), omega);
            for sensor in &mut self.sensors {
                sensor.retune(&self.plant, omega);
            }
            self.reference.retune(self.source.frequency());
        }
    }

    fn happen(&mut self, event: Event) {
        match event {
            Event::Source(_) if self.effects.deaf => {}
            Event::Source(setting) => self.source.follow(setting),
            Event::Mute => self.amplifier.follow(),
            Event::Strike(number) => {
                let moving = self.is_moving();
                let lasts = self.script.strike(number, self.seconds(), moving);
                if let Some(samples) = lasts {
                    self.after(samples, Event::End(number));
                }
                let tripped = self.effects.tripped;
                self.effects = self.script.effects();
                if self.effects.tripped && !tripped {
                    self.amplifier.trip();
                }
            }
            Event::End(number) => {
                self.script.end(number);
                self.effects = self.script.effects();
                self.amplifier.fault = self.effects.tripped;
            }
        }
    }

    fn is_moving(&self) -> bool {
        let driven = !self.amplifier.is_muted() && self.source.amplitude() > 0.0;
        driven || self.plant.state()[VELOCITY].abs() > MOVING
    }

    /// Moves everything on by `samples`, noting what the sensors see at each.
    fn run(&mut self, samples: usize) {
        for n in 0..samples {
            let wave = self.source.wave(self.effects.gain);
            let acceleration = self.plant.acceleration();
            let before = *self.plant.state();
            let output = self.reference.output(acceleration, before[VELOCITY]);
            if let Some(seen) = self.reference.signal.get_mut(n) {
                *seen = output;
            }
            let parts = self.plant.step(&wave);
            for sensor in &mut self.sensors {
                let output = sensor.output(acceleration);
                if let Some(seen) = sensor.signal.get_mut(n) {
                    *seen = output;
                }
                sensor.step(&before, &wave, parts);
            }
            self.source.advance();
        }
        self.now += samples as u64;
        if self.plant.take_limited() {
            self.amplifier.note_clipping();
        }
    }

    /// Samples the channels over the stretch that was just run.
    fn sample(&mut self, from: u64, samples: usize) -> Option<Taken> {
        let (temperature, rise) = self.room_temperature();
        #[expect(clippy::cast_precision_loss, reason = "a stretch is short")]
        let temperature = (temperature - rise * samples as f64, rise);
        self.reference.finish(samples, temperature, self.effects.reversed);
        for sensor in &mut self.sensors {
            sensor.finish(samples, temperature);
        }
        let (reference, sensors) = (&self.reference, &self.sensors);
        self.sampler.take(from, samples, &self.effects, |wire| match wire {
            Wire::Nothing => None,
            Wire::Reference => Some(reference.signal.as_slice()),
            Wire::Sensor(n) => sensors.get(n).map(|s| s.signal.as_slice()),
        })
    }

    /// What a real rig never tells.
    pub(crate) fn truth(&self) -> truth::Truth {
        let (now, _) = self.room_temperature();
        let at = |sensor: &SensorTruth, (frequency, measured_at): &(Hertz, Option<f64>)| {
            let response = sensor.response_at(frequency.si(), measured_at.unwrap_or(now));
            // −180° is written as 180°.
            let phase = if response.arg() <= -PI { PI } else { response.arg() };
            truth::PointTruth {
                frequency: *frequency,
                sensitivity: Sensitivity::new(response.norm()),
                phase: Radians::new(phase),
            }
        };
        let of = |sensor: &SensorTruth| truth::SensorTruth {
            serial: sensor.serial.clone(),
            points: self.points.iter().map(|p| at(sensor, p)).collect(),
        };
        truth::Truth {
            sensors: self.sensors.iter().map(of).collect(),
            displacement_max: Displacement::new(self.plant.displacement_max),
            stop_hits: self.plant.stop_hits,
            faults_struck: self.script.struck().to_vec(),
            final_drive: Volts::new(self.source.amplitude()),
            muted: self.amplifier.is_muted(),
        }
    }
}
