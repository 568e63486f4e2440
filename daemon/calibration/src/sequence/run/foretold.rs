//! What the stroke monitor is told: what the reference shows at rest, and every tone with the motion that it should make.

use super::Run;
use crate::interlock::{Commanded, Observer};
use crate::sequence::input::Effective;
use plan_schema::units::{Accel, Hertz, Peak, SampleCount, SampleIndex, Volts};

impl Run {
    /// The channels are known at rest: the observer watches from now on.
    pub(super) fn observe(&mut self) {
        // It integrates twice, and is lost in the first gap; the hazards of such a rig are reckoned without it.
        if self.setup.gate().is_some() {
            return;
        }
        let column = self.setup.job.reference.column;
        let at_rest = self.rest.as_ref().and_then(|rest| rest.columns.get(column));
        // Without it the run goes no further than the first motion, which needs it too.
        let Some(Ok(at_rest)) = at_rest else { return };
        let sensitivity = self.setup.response_near(self.setup.opening.frequency);
        let observer = Observer::new(&self.setup.job, sensitivity, at_rest.mean, at_rest.noise_rms.si());
        self.stroke.observe(observer);
    }

    /// The source took a tone.
    pub(super) fn foretold(
        &mut self,
        frequency: Hertz,
        amplitude: Volts<Peak>,
        way: SampleCount,
        effective: Effective,
    ) {
        let latest = SampleIndex(effective.not_after.0.saturating_sub(way.0)).max(effective.not_before);
        let tone = Commanded {
            frequency,
            amplitude,
            acceleration: self.expected(frequency, amplitude),
            begins: (effective.not_before, latest),
            way,
            follows: self.setup.samples(self.setup.plant.settling_time()),
            taught: !self.model.is_untaught(),
            from_phase_zero: self.starts_at_zero,
        };
        let others = self.others(frequency);
        self.stroke.commanded(&tone, self.setup.response_near(frequency), &others);
    }

    /// The source goes to 0 V as gently as it came.
    pub(super) fn foretold_off(&mut self, frequency: Hertz, effective: Effective) {
        let way = self.setup.samples(self.setup.plant.transition(frequency));
        self.foretold(frequency, Volts::ZERO, way, effective);
    }

    /// The acceleration that a drive should give, by the plant as learned so far.
    fn expected(&self, frequency: Hertz, amplitude: Volts<Peak>) -> Accel<Peak> {
        let small = self.setup.plant.acceleration_per_volt(frequency).norm() * amplitude.si();
        if small <= 0.0 {
            return Accel::ZERO;
        }
        Accel::new(self.model.response(frequency, Accel::new(small)).norm() * amplitude.si())
    }
}
