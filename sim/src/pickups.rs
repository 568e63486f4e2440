//! What stands on the table and follows it: reference, sensors, displacement transducer. Pure.
//!
//! Owns: what each of them shows over a stretch, and what wire leads to which. Must not: sample.

use crate::acquisition::STRETCH;
use crate::channel::{Source, Wire};
use crate::error::SimError;
use crate::output::When;
use crate::plant::Plant;
use crate::reference::ReferenceTruth;
use crate::sensor::{SensorTruth, Table};
use crate::shaker::{POSITION, VELOCITY};
use crate::spread::Unknowns;
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::SamplesPerSecond;

/// Everything on the table.
pub(crate) struct Pickups {
    reference: ReferenceTruth,
    pub(crate) sensors: Vec<SensorTruth>,
    /// V/m.
    displacement: f64,
    /// Transverse motion as a share of the motion along the axis: what is drawn where the rig file has no table of it, and
    /// what holds at the frequency of the drive.
    transverse_share: (Option<f64>, f64),
    position: Vec<f64>,
    transverse: Vec<f64>,
}

impl Pickups {
    /// What the job mounts, on the table of `plant`; `rate` is the true one.
    ///
    /// # Errors
    /// Facts of reference or sensors that can't be simulated.
    pub(crate) fn new(
        job: &ResolvedJob,
        unknowns: &Unknowns,
        rate: SamplesPerSecond,
        plant: &Plant,
    ) -> Result<Self, SimError> {
        let mut sensors = Vec::with_capacity(job.sensors.len());
        for mounted in &job.sensors {
            let Some(channel) = job.columns.get(mounted.column) else {
                let serial = &mounted.sensor.serial;
                return Err(SimError::new(
                    format!("sensor '{serial}' is on no channel"),
                    "name its channel in the job",
                ));
            };
            let mut sensor = SensorTruth::draw(&mounted.sensor, channel, unknowns, rate, plant)?;
            sensor.signal = vec![0.0; STRETCH];
            sensors.push(sensor);
        }
        let mut reference = ReferenceTruth::draw(&job.reference, unknowns, rate)?;
        reference.signal = vec![0.0; STRETCH];
        let drawn = job.rig.shaker.transverse.is_empty().then(|| unknowns.transverse_motion());
        Ok(Self {
            reference,
            sensors,
            displacement: job.rig.displacement.as_ref().map_or(0.0, |d| d.sensitivity.si()),
            transverse_share: (drawn, drawn.unwrap_or(0.0)),
            position: vec![0.0; STRETCH],
            transverse: vec![0.0; STRETCH],
        })
    }

    /// Takes up how the plant is connected and driven now, at `frequency` in Hz.
    pub(crate) fn retune(&mut self, plant: &Plant, frequency: f64) {
        for sensor in &mut self.sensors {
            sensor.retune(plant);
        }
        self.reference.retune(frequency);
        if self.transverse_share.0.is_none() && frequency > 0.0 {
            self.transverse_share.1 = plant.transverse_at(frequency);
        }
    }

    /// Notes what is felt at sample `n` of the stretch, before the plant goes on.
    #[inline]
    pub(crate) fn note(&mut self, n: usize, plant: &Plant) {
        let felt = plant.felt();
        let state = plant.state();
        let put = |to: &mut [f64], value: f64| {
            if let Some(to) = to.get_mut(n) {
                *to = value;
            }
        };
        let of_reference = self.reference.output(felt, state[VELOCITY]);
        put(&mut self.reference.signal, of_reference);
        put(&mut self.position, state[POSITION]);
        put(&mut self.transverse, self.transverse_share.1 * plant.acceleration());
        for sensor in &mut self.sensors {
            let output = sensor.output(felt);
            put(&mut sensor.signal, output);
        }
    }

    /// Goes to the next sample along with the plant, which has just done so.
    #[inline]
    pub(crate) fn step(&mut self, plant: &Plant) {
        for sensor in &mut self.sensors {
            sensor.step(plant.passage());
        }
    }

    /// Makes volts of what was noted over a stretch.
    pub(crate) fn finish(&mut self, samples: usize, when: &When) {
        let (Some(position), Some(transverse)) =
            (self.position.get(..samples), self.transverse.get(..samples))
        else {
            return;
        };
        let table = Table { position, transverse };
        self.reference.finish(samples, when, transverse);
        for sensor in &mut self.sensors {
            sensor.finish(samples, when, &table);
        }
    }

    /// What comes along a wire beside its signal.
    pub(crate) fn source(&self, wire: Wire) -> Source {
        match wire {
            Wire::Nothing => Source::default(),
            Wire::Reference => self.reference.source(),
            Wire::Sensor(n) => self.sensors.get(n).map_or_else(Source::default, SensorTruth::source),
            Wire::Displacement => Source { scale: self.displacement, ..Source::default() },
        }
    }

    /// The signal on a wire over the stretch that was finished, in volts; of the displacement transducer in m.
    pub(crate) fn signal(&self, wire: Wire) -> Option<&[f64]> {
        match wire {
            Wire::Nothing => None,
            Wire::Reference => Some(&self.reference.signal),
            Wire::Sensor(n) => self.sensors.get(n).map(|s| s.signal.as_slice()),
            Wire::Displacement => Some(&self.position),
        }
    }
}
