//! What a run knows before it starts: the job, the plant, the forecast of each point, the reference.

use super::measure::{Finding, FindingKind};
use crate::control::{Forecast, Plant, foresee};
use crate::interlock::{Ceiling, Interlock, Limits, Monitor};
use crate::uncertainty::ReferenceTable;
use plan_schema::resolve::ResolvedJob;
use plan_schema::units::{
    Accel, Celsius, Displacement, Hertz, Newtons, Radians, SampleCount, Seconds, Sensitivity, Velocity, Volts,
};

/// Everything that is known before the first motion.
#[derive(Debug, Clone)]
pub struct Setup {
    /// The job.
    pub job: ResolvedJob,
    /// The plant of the rig file.
    pub plant: Plant,
    /// One forecast a point.
    pub forecasts: Vec<Forecast>,
    /// The reference's calibration.
    pub table: ReferenceTable,
}

impl Setup {
    /// Prepares a job. The points' feasibility is in the forecasts; a caller that starts a run has looked.
    #[must_use]
    pub fn new(job: ResolvedJob) -> Self {
        let plant = Plant::of(&job);
        let forecasts = job.points.iter().map(|p| foresee(&job, &plant, p)).collect();
        let table = ReferenceTable::of(&job.reference.calibration);
        Self { job, plant, forecasts, table }
    }

    /// True if every point can be run.
    #[must_use]
    pub fn feasible(&self) -> bool {
        self.forecasts.iter().all(|f| f.obstacles.is_empty())
    }

    /// Sensitivity and phase of the reference at a frequency within its calibration.
    #[must_use]
    pub fn reference_at(&self, frequency: Hertz) -> Option<(Sensitivity, Option<Radians>)> {
        self.table.at(frequency).ok().map(|p| (p.sensitivity, p.phase))
    }

    /// An interlock with the limits of this rig.
    #[must_use]
    pub fn interlock(&self) -> Interlock {
        let shaker = &self.job.rig.shaker;
        let limits = Limits {
            stroke: shaker.trip() - Displacement::new(shaker.static_allowance.si()),
            velocity: shaker.velocity_limit * 1.1,
            acceleration: shaker.acceleration_limit * 1.1,
            drive: shaker.drive_limit,
        };
        let names = self.job.columns.iter().map(|c| c.name.clone()).collect();
        let monitor = Monitor::new(limits, self.job.rig.acquisition.rate, self.job.reference.column, names);
        Interlock::new(monitor, self.job.rig.timing.clone(), self.job.rig.roles.contacts.is_some())
    }

    /// Samples in a time at this rig's rate, at least.
    #[must_use]
    pub fn samples(&self, time: Seconds) -> SampleCount {
        SampleCount::at_least(time, self.job.rig.acquisition.rate)
    }

    /// Waits that are foreseen whatever happens: the two quiet parts.
    #[must_use]
    pub fn foreseen_wait(&self) -> Seconds {
        super::quiet::LISTEN * 2.0
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

    /// A finding if the temperature is out of the plan's limits.
    pub(super) fn ambient_finding(&self, temperature: Option<Celsius>) -> Option<Finding> {
        let limits = self.job.plan.ambient.as_ref()?;
        let temperature = temperature?;
        let limit = if temperature < limits.temperature_min {
            limits.temperature_min
        } else if temperature > limits.temperature_max {
            limits.temperature_max
        } else {
            return None;
        };
        Some(Finding {
            kind: FindingKind::AmbientOut,
            message: format!(
                "the temperature was {:.1} °C, the limit is {:.1} °C",
                temperature.si(),
                limit.si()
            ),
            value: Some(temperature.si()),
            limit: Some(limit.si()),
            unit: Some("degc"),
            column: None,
        })
    }
}
