//! What stands on the table and follows it: references, sensors, displacement transducer; and the sensors' supplies. Pure.
//!
//! Owns: what each of them shows over a stretch, and what wire leads to which. Must not: sample.

use crate::acquisition::STRETCH;
use crate::channel::{Source, Wire};
use crate::error::SimError;
use crate::output::When;
use crate::plant::Plant;
use crate::reference::ReferenceTruth;
use crate::sensor::{SensorTruth, Table};
use crate::shaker::POSITION;
use crate::spread::Unknowns;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::{DriveMonitor, DrivePoint};
use plan_schema::units::SamplesPerSecond;

/// Everything on the table, and the supplies that channels read.
#[derive(Clone)]
pub(crate) struct Pickups {
    /// The reference, then the second one if there is one.
    references: Vec<ReferenceTruth>,
    /// The sensors under test, then the check standards, each in the order of the job.
    sensors: Vec<SensorTruth>,
    under_test: usize,
    /// A stretch of the supply of each sensor above, in V.
    supplies: Vec<Vec<f64>>,
    /// V/m.
    displacement: f64,
    /// Transverse motion as a share of the motion along the axis: what is drawn where the rig file has no table of it, and
    /// what holds at the frequency of the drive.
    transverse_share: (Option<f64>, f64),
    position: Vec<f64>,
    transverse: Vec<f64>,
    /// The drive monitor, and a stretch of what it is connected to, in V.
    monitor: Option<DriveMonitor>,
    drive: Vec<f64>,
}

impl Pickups {
    /// What the job mounts, on the table of `plant`; `rate` is the true one.
    ///
    /// # Errors
    /// Facts of references or sensors that can't be simulated.
    pub(crate) fn new(
        job: &ResolvedJob,
        unknowns: &Unknowns,
        rate: SamplesPerSecond,
        plant: &Plant,
    ) -> Result<Self, SimError> {
        let mut sensors = Vec::new();
        let mut supplies = Vec::new();
        for mounted in job.sensors.iter().chain(&job.check_standards) {
            let Some(channel) = job.columns.get(mounted.column) else {
                let serial = &mounted.sensor.serial;
                return Err(SimError::new(
                    format!("sensor '{serial}' is on no channel"),
                    "name its channel in the job",
                ));
            };
            let mut sensor = SensorTruth::draw(mounted, channel, unknowns, rate, plant)?;
            sensor.signal = vec![0.0; STRETCH];
            sensors.push(sensor);
            let nominal = mounted.sensor.supply.map_or(0.0, |v| v.si());
            supplies.push(vec![nominal * (1.0 + unknowns.supply(&mounted.sensor)); STRETCH]);
        }
        let mut references = Vec::new();
        for mounted in std::iter::once(&job.reference).chain(&job.second_reference) {
            let mut reference = ReferenceTruth::draw(mounted, unknowns, rate)?;
            reference.signal = vec![0.0; STRETCH];
            references.push(reference);
        }
        let drawn = job.rig.shaker.transverse.is_empty().then(|| unknowns.transverse_motion());
        Ok(Self {
            references,
            under_test: job.sensors.len(),
            sensors,
            supplies,
            displacement: job.rig.displacement.as_ref().map_or(0.0, |d| d.sensitivity.si()),
            transverse_share: (drawn, drawn.unwrap_or(0.0)),
            position: vec![0.0; STRETCH],
            transverse: vec![0.0; STRETCH],
            drive: vec![0.0; STRETCH],
            monitor: job.rig.drive_monitor.clone(),
        })
    }

    /// The sensors under test, in the order of the job.
    pub(crate) fn under_test(&self) -> &[SensorTruth] {
        self.sensors.get(..self.under_test).unwrap_or_default()
    }

    /// Takes up how the plant is connected and driven now, at `frequency` in Hz.
    pub(crate) fn retune(&mut self, plant: &Plant, frequency: f64) {
        for sensor in &mut self.sensors {
            sensor.retune(plant, frequency);
        }
        for reference in &mut self.references {
            reference.retune(frequency);
        }
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
        for reference in &mut self.references {
            let output = reference.output(felt);
            put(&mut reference.signal, output);
        }
        put(&mut self.position, state[POSITION]);
        put(&mut self.transverse, self.transverse_share.1 * plant.acceleration());
        for sensor in &mut self.sensors {
            let output = sensor.output(felt);
            put(&mut sensor.signal, output);
        }
    }

    /// Notes what the drive monitor is connected to at sample `n` of the stretch. `driven` volts reach the amplifier, whatever
    /// a fault makes of its gain.
    #[inline]
    pub(crate) fn note_drive(
        &mut self,
        n: usize,
        source: &crate::source::Source,
        plant: &Plant,
        driven: f64,
    ) {
        let Some(monitor) = &self.monitor else { return };
        let volts = match monitor.shows {
            DrivePoint::Source => {
                let own = source.wave(1.0);
                own[0] + own[4]
            }
            DrivePoint::Amplifier => plant.output_for(driven),
        };
        if let Some(to) = self.drive.get_mut(n) {
            *to = volts;
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
        for reference in &mut self.references {
            reference.finish(samples, when, transverse);
        }
        for sensor in &mut self.sensors {
            sensor.finish(samples, when, &table);
        }
    }

    /// What comes along a wire beside its signal.
    pub(crate) fn source(&self, wire: Wire) -> Source {
        match wire {
            Wire::Nothing | Wire::Supply(_) => Source::default(),
            Wire::Reference(n) => self.references.get(n).map_or_else(Source::default, ReferenceTruth::source),
            Wire::Sensor(n) => self.sensors.get(n).map_or_else(Source::default, SensorTruth::source),
            Wire::Displacement => Source { scale: self.displacement, ..Source::default() },
            Wire::Drive => {
                Source { scale: self.monitor.as_ref().map_or(0.0, |m| m.ratio.si()), ..Source::default() }
            }
        }
    }

    /// The signal on a wire over the stretch that was finished, in volts; of the displacement transducer in m, of the drive
    /// monitor in volts where it is connected.
    pub(crate) fn signal(&self, wire: Wire) -> Option<&[f64]> {
        match wire {
            Wire::Nothing => None,
            Wire::Reference(n) => self.references.get(n).map(|r| r.signal.as_slice()),
            Wire::Supply(n) => self.supplies.get(n).map(Vec::as_slice),
            Wire::Sensor(n) => self.sensors.get(n).map(|s| s.signal.as_slice()),
            Wire::Displacement => Some(&self.position),
            Wire::Drive => Some(&self.drive),
        }
    }
}
