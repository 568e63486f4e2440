//! What a run knows before it starts: the job, the plant, the forecast of each point, the reference, the order of things.

use super::first_motion::Opening;
use super::quality::{is_plain, nominal_response};
use super::quiet::LISTEN;
use super::run::Resumed;
use crate::control::{Forecast, Plant, foresee_all, order};
use crate::evaluate::Conventions;
use crate::hazard::notice::ABOVE;
use crate::interlock::{
    AboveForeseen, Ceiling, Coil, CoilHeat, DisplacementChannel, DriveMonitor, Interlock, Limits, Monitor,
    Other, StrokeLimits, StrokeMonitor, Tones,
};
use crate::uncertainty::ReferenceTable;
use nalgebra::Complex;
use plan_schema::chain::Chain;
use plan_schema::plan::Order;
use plan_schema::registers::ReferencePoint;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::{AmplifierMode, DrivePoint};
use plan_schema::units::{
    Accel, Displacement, Hertz, Newtons, Radians, SampleCount, Seconds, Sensitivity, Velocity, Volts, VoltsDc,
};
use std::f64::consts::TAU;

/// Everything that is known before the first motion.
#[derive(Debug, Clone)]
pub struct Setup {
    /// The job.
    pub job: ResolvedJob,
    /// The plant of the rig file.
    pub plant: Plant,
    /// One forecast a point, in the order of the plan.
    pub forecasts: Vec<Forecast>,
    /// The points by their number, in the order in which they are run.
    pub order: Vec<usize>,
    /// The motion with which the run opens.
    pub opening: Opening,
    /// The reference's calibration.
    pub table: ReferenceTable,
    /// What an earlier run of this job left behind, where this one goes on with it.
    pub resumed: Option<Box<Resumed>>,
    /// How its results are stated.
    pub conventions: Conventions,
}

/// Samples of a block, where the acquisition of a job has gaps between them.
pub(super) fn gate(job: &ResolvedJob) -> Option<SampleCount> {
    let acquisition = &job.rig.acquisition;
    acquisition.is_gated().then(|| SampleCount::nearest(acquisition.block, acquisition.rate))
}

/// Waits that are foreseen, whatever the loop does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Waits {
    /// Until sensors and temperature are ready.
    pub soak: Seconds,
    /// One voltage in all channels, or the reference in those of the sensors, where the plan asks for that; what a person takes
    /// to move cables is not in it.
    pub channels: Seconds,
    /// The two quiet parts, the warning and the amplifier's coming up with the first.
    pub quiet: Seconds,
    /// The first motion, there and back.
    pub first_motion: Seconds,
    /// The first point again at the end, its dwell included.
    pub closing: Seconds,
    /// What sensors with a high-pass need after each change of tone.
    pub decays: Seconds,
}

impl Waits {
    /// All together.
    #[must_use]
    pub fn total(&self) -> Seconds {
        self.soak + self.channels + self.quiet + self.first_motion + self.closing + self.decays
    }
}

impl Setup {
    /// Prepares a job. The points' feasibility is in the forecasts; a caller that starts a run has looked.
    #[must_use]
    pub fn new(job: ResolvedJob) -> Self {
        let plant = Plant::of(&job);
        let forecasts = foresee_all(&job, &plant);
        let table = ReferenceTable::of(&job.reference);
        let points: Vec<_> = job.points.iter().map(|p| (p.frequency, p.target)).collect();
        let order = match job.plan.order {
            Order::Fastest => order(&points),
            Order::AsWritten => (0..points.len()).collect(),
        };
        let opening = Opening::of(&job);
        Self {
            job,
            plant,
            forecasts,
            order,
            opening,
            table,
            resumed: None,
            conventions: Conventions::default(),
        }
    }

    /// True if every point can be run.
    #[must_use]
    pub fn feasible(&self) -> bool {
        self.forecasts.iter().all(|f| f.obstacles.is_empty())
    }

    /// Sensitivity and phase of the reference as its channel shows it, at a frequency within its calibration; no phase where
    /// the certificate states none.
    #[must_use]
    pub fn reference_at(&self, frequency: Hertz) -> Option<(Sensitivity, Option<Radians>)> {
        let value = self.table.at(frequency).ok()?;
        Some(match self.job.reference.chain.at(frequency) {
            None => (value.sensitivity, value.phase),
            Some(chain) => (value.sensitivity * chain.magnitude, value.phase.map(|p| p + chain.phase)),
        })
    }

    /// Complex sensitivity of the reference near a frequency, V/(m/s²): that of the nearest one within its calibration, at
    /// 0° where it states no phase. Good enough to steer by and to tell a sign, never for a result.
    #[must_use]
    pub fn response_near(&self, frequency: Hertz) -> Complex<f64> {
        let points = &self.job.reference.calibration.points;
        let end = |p: Option<&ReferencePoint>| p.map_or(frequency, |p| p.frequency);
        let within = frequency.max(end(points.first())).min(end(points.last()));
        self.reference_at(within).map_or(Complex::new(1.0, 0.0), |(sensitivity, phase)| {
            Complex::from_polar(sensitivity.si(), phase.map_or(0.0, |p| p.si()))
        })
    }

    /// Its magnitude.
    #[must_use]
    pub fn sensitivity_near(&self, frequency: Hertz) -> Sensitivity {
        Sensitivity::new(self.response_near(frequency).norm())
    }

    /// An interlock with the limits of this rig.
    #[must_use]
    pub fn interlock(&self) -> Interlock {
        let shaker = &self.job.rig.shaker;
        let limits = Limits {
            stroke: shaker.trip() - Displacement::new(shaker.static_allowance.si()),
            velocity: shaker.velocity_limit * ABOVE,
            acceleration: shaker.acceleration_limit * ABOVE,
            drive: shaker.drive_limit,
        };
        let names: Vec<String> = self.job.columns.iter().map(|c| c.name.clone()).collect();
        let (rate, reference) = (self.job.rig.acquisition.rate, self.job.reference.column);
        let gap_max = self.job.rig.acquisition.pause.map(|pause| self.samples(pause));
        let monitor = Monitor::new(limits, rate, reference, names.clone()).gated(gap_max);
        let tones = Tones::new(rate, reference, names, self.coil());
        let foreseen = AboveForeseen::new(rate, reference, self.plant.braking());
        let contacts = self.job.rig.roles.contacts.is_some();
        Interlock::new(monitor, tones, foreseen, self.job.rig.timing.clone(), contacts)
            .monitored(self.drive_monitor())
    }

    /// The channel that shows the drive, where the rig has one. A direct voltage may hold the armature as far off its centre as
    /// is allowed for: `x = Bl G V / (R k)` in voltage mode, `x = Bl T V / k` in current mode (elementary).
    fn drive_monitor(&self) -> Option<DriveMonitor> {
        let rig = &self.job.rig;
        let (monitor, column) = (rig.drive_monitor.as_ref()?, self.job.drive_column?);
        let (shaker, amplifier) = (&rig.shaker, &rig.amplifier);
        let gain = amplifier.gain.map_or(1.0, |g| g.si());
        let force_per_volt = match amplifier.mode {
            AmplifierMode::Voltage => shaker.force_factor.si() * gain / shaker.coil_resistance.si(),
            AmplifierMode::Current => {
                shaker.force_factor.si() * amplifier.transconductance.map_or(1.0, |t| t.si())
            }
        };
        let amplified = if monitor.shows == DrivePoint::Amplifier { gain } else { 1.0 };
        Some(DriveMonitor {
            column,
            name: monitor.channel.clone(),
            shows: monitor.shows,
            volts_of_source: 1.0 / (monitor.ratio.si() * amplified),
            direct: VoltsDc::new(shaker.static_allowance.si() * shaker.stiffness.si() / force_per_volt.abs()),
            rate: rig.acquisition.rate,
        })
    }

    /// What the coil bears.
    fn coil(&self) -> Coil {
        let shaker = &self.job.rig.shaker;
        let heat = || {
            Some(CoilHeat {
                capacity: shaker.coil_heat_capacity?.si(),
                to_room: shaker.coil_heat_resistance?.si(),
                coefficient: shaker.resistance_coefficient.si(),
                limit: shaker.coil_temperature_limit?,
            })
        };
        Coil {
            current_limit: self.job.rig.amplifier.current_limit,
            resistance: shaker.coil_resistance,
            heat: heat(),
        }
    }

    /// The channel that shows the displacement: it tells that something moves, and is held to no size.
    fn displacement_at(&self, frequency: Hertz) -> Option<Other> {
        let shown = self.job.rig.displacement.as_ref()?;
        let column = self.job.displacement_column?;
        let square = (TAU * frequency.si()).powi(2);
        let ratio = Complex::from(-shown.sensitivity.si() / square) / self.response_near(frequency);
        Some(Other { column, ratio, plain: false, known: false })
    }

    /// The channels that show the motion beside the reference at a frequency: the sensors that are still in the run and
    /// the witnesses, each with what it should show over what the reference shows.
    pub(super) fn others(&self, frequency: Hertz, excluded: &[bool]) -> Vec<Other> {
        let reference = self.response_near(frequency);
        let sensors = self.job.sensors.iter().enumerate();
        let of_sensors = sensors
            .filter(|(n, sensor)| {
                !excluded.get(*n).copied().unwrap_or(false) && sensor.sensor.is_within_band(frequency)
            })
            .map(|(_, sensor)| Other {
                column: sensor.column,
                ratio: nominal_response(sensor, frequency) / reference,
                plain: is_plain(sensor, frequency),
                known: false,
            });
        of_sensors.chain(self.others_beside(frequency, reference)).collect()
    }

    /// The same while the reference is in the sensors' channels, which show what its own does but for what is stated of both.
    pub(super) fn others_substituted(&self, frequency: Hertz, excluded: &[bool]) -> Vec<Other> {
        let alone = |chain: &Chain| {
            let at = chain.of_channel_alone().at(frequency);
            at.map_or(Complex::new(1.0, 0.0), |t| Complex::from_polar(t.magnitude, t.phase.si()))
        };
        let own = alone(&self.job.reference.chain);
        let sensors = self.job.sensors.iter().enumerate();
        let in_channels =
            sensors.filter(|(n, _)| !excluded.get(*n).copied().unwrap_or(false)).map(|(_, s)| Other {
                column: s.column,
                ratio: alone(&s.chain) / own,
                plain: true,
                known: false,
            });
        in_channels.chain(self.others_beside(frequency, self.response_near(frequency))).collect()
    }

    /// Witnesses and the channel that shows the displacement.
    fn others_beside(
        &self,
        frequency: Hertz,
        reference: Complex<f64>,
    ) -> impl Iterator<Item = Other> + use<'_> {
        let of_witnesses = self.job.witnesses.iter().filter_map(move |witness| {
            let (sensitivity, _) = witness.expected_at(frequency)?;
            let ratio = Complex::from(sensitivity.si()) / reference.norm();
            // Its sign is not what it is known for.
            Some(Other { column: witness.column, ratio, plain: false, known: true })
        });
        of_witnesses.chain(self.displacement_at(frequency))
    }

    /// A stroke monitor for this rig.
    #[must_use]
    pub fn stroke_monitor(&self) -> StrokeMonitor {
        let shaker = &self.job.rig.shaker;
        let coasts = self.forecasts.iter().flat_map(|f| &f.hazards.coasts);
        let limits = StrokeLimits {
            trip: shaker.trip(),
            stop: shaker.stop,
            rest: Displacement::new(shaker.static_allowance.si()),
            coast: coasts.map(|c| c.displacement).fold(Displacement::ZERO, Displacement::max),
            observer_share: self.job.rig.timing.observer_share.si(),
        };
        let column = self.job.reference.column;
        let name = self.job.columns.get(column).map(|c| c.name.clone()).unwrap_or_default();
        StrokeMonitor::new(limits, self.displacement_channel(&limits), (column, name))
    }

    /// The channel that shows the displacement, where the rig has one.
    fn displacement_channel(&self, limits: &StrokeLimits) -> Option<DisplacementChannel> {
        let displacement = self.job.rig.displacement.as_ref()?;
        Some(DisplacementChannel {
            column: self.job.displacement_column?,
            name: displacement.channel.clone(),
            volts_per_metre: displacement.sensitivity.si(),
            trip: limits.trip,
            coast: limits.coast,
        })
    }

    /// Samples in a time at this rig's rate, at least.
    #[must_use]
    pub fn samples(&self, time: Seconds) -> SampleCount {
        SampleCount::at_least(time, self.job.rig.acquisition.rate)
    }

    /// Samples of a piece that is wanted without a gap: as many as the time holds, or those of a block where the acquisition
    /// has gaps. Whether a block is long enough was looked at before the run.
    #[must_use]
    pub(super) fn piece(&self, time: Seconds) -> SampleCount {
        let wanted = self.samples(time);
        self.gate().map_or(wanted, |gate| gate.min(wanted))
    }

    /// Samples of a block, where the acquisition has gaps between them.
    #[must_use]
    pub fn gate(&self) -> Option<SampleCount> {
        gate(&self.job)
    }

    /// Longest time from a reply of this role's instrument until its output follows.
    #[must_use]
    pub fn latency(&self, role: &str) -> Seconds {
        let instrument = role.split('.').next().unwrap_or_default();
        let found = self.job.rig.instruments.iter().find(|i| i.name == instrument);
        found.map_or(Seconds::ZERO, |i| i.latency)
    }

    /// How long a point waits for the decays of the sensors that take it.
    #[must_use]
    pub fn decay_wait(&self, point: usize) -> Seconds {
        self.forecasts.get(point).map_or(Seconds::ZERO, |f| f.decay_wait)
    }

    /// True if the point that is run first is looked at again at the end.
    #[must_use]
    pub fn closes(&self) -> bool {
        self.job.plan.closing_point && self.order.len() > 1
    }

    /// Waits that are foreseen whatever the loop does.
    #[must_use]
    pub fn waits(&self) -> Waits {
        let roles = &self.job.rig.roles;
        let block = self.job.rig.acquisition.block;
        let (source, amplifier) = (self.latency(&roles.source), self.latency(&roles.amplifier));
        let followed = self.plant.settling_time();
        let rig = &self.job.rig;
        let warning = rig.warning_output.map_or(Seconds::ZERO, |_| rig.warning_time);
        let steady = self.job.plan.soak.as_ref().map_or(Seconds::ZERO, |s| s.over);
        let first = self.order.first().copied();
        let closing = first.filter(|_| self.closes()).and_then(|n| {
            let (point, forecast) = (self.job.points.get(n)?, self.forecasts.get(n)?);
            let dwell = Seconds::new(f64::from(point.dwell_cycles) / point.frequency.si());
            Some(forecast.overhead + forecast.decay_wait + dwell)
        });
        let way = self.plant.transition(self.opening.frequency);
        Waits {
            soak: self.job.soak_left().max(steady),
            channels: self.ratio_time() + self.substitution_time(),
            quiet: warning + LISTEN * 2.0 + amplifier + followed + block * 2.0,
            first_motion: (way + source) * 2.0 + followed + self.opening.length + block * 2.0,
            closing: closing.unwrap_or(Seconds::ZERO),
            decays: (0..self.job.points.len()).fold(Seconds::ZERO, |sum, n| sum + self.decay_wait(n)),
        }
    }

    /// Leave to be energised without drive.
    #[must_use]
    pub fn at_rest() -> Ceiling {
        Ceiling {
            stroke: Displacement::ZERO,
            velocity: Velocity::ZERO,
            acceleration: Accel::ZERO,
            force: Newtons::ZERO,
            drive: Volts::ZERO,
        }
    }
}
