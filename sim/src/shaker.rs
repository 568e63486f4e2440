//! The equations of coil, mass and spring. Pure.
//!
//! Owns: the shaker's true parameters, and its linear state equations for every way in which the coil can be connected.
//! What goes beyond them is `bend`'s. Must not: hold a state or know the sample rate; `plant` does.
//!
//! Equations (textbook electro-mechanics): `L di/dt + R i + Bl v = u`, `m dv/dt + c v + k x = Bl i`, `dx/dt = v`,
//! and the amplifier's `dq/dt = w_a (gain e − q)`, where q is the voltage (voltage mode) or the current (current mode)
//! that it aims at.

use crate::amplifier::AmplifierTruth;
use crate::bend::Bend;
use crate::discretise::Matrix;
use crate::error::SimError;
use crate::spread::Unknowns;
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::AmplifierMode;

/// Index of the coil's current in the state, in A.
pub(crate) const CURRENT: usize = 0;
/// Index of the displacement from the mechanical centre, in m.
pub(crate) const POSITION: usize = 1;
/// Index of the velocity, in m/s.
pub(crate) const VELOCITY: usize = 2;
/// Index of what the amplifier aims at, in V or A.
pub(crate) const AIM: usize = 3;

/// State of amplifier and shaker.
pub(crate) type State = [f64; 4];

/// How the coil is connected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Coil {
    /// To the amplifier's output.
    Driven,
    /// To itself.
    Shorted,
    /// To nothing.
    Open,
}

impl Coil {
    /// True if the current follows from a voltage at the coil, false where it is imposed or zero.
    pub(crate) fn follows_a_voltage(self, mode: AmplifierMode) -> bool {
        self == Self::Shorted || (self == Self::Driven && mode == AmplifierMode::Voltage)
    }
}

/// The shaker as it truly is, in SI units.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ShakerTruth {
    pub(crate) mass: f64,
    pub(crate) stiffness: f64,
    pub(crate) damping: f64,
    pub(crate) force_factor: f64,
    /// That of the linear equations, in ohm; `plant` follows the coil's temperature with it.
    pub(crate) resistance: f64,
    pub(crate) inductance: f64,
    pub(crate) stop: f64,
    pub(crate) bend: Bend,
    /// Transverse motion by frequency: logarithm of the frequency in Hz, and share of the motion along the axis.
    pub(crate) transverse: Vec<(f64, f64)>,
}

impl ShakerTruth {
    /// The rig file's values, off by what the seed draws, with the job's payload on the table.
    ///
    /// # Errors
    /// A value with which the equations make no sense.
    pub(crate) fn draw(job: &ResolvedJob, unknowns: &Unknowns) -> Result<Self, SimError> {
        let shaker = &job.rig.shaker;
        for (key, spread) in job.rig.simulation.spread.of_the_machine() {
            if !(0.0..1.0).contains(&spread.si()) {
                return Err(SimError::new(
                    format!("a spread of {} % leaves no shaker", spread.percent()),
                    format!("write 0 % to less than 50 % for simulation.spread.{key}"),
                ));
            }
        }
        let positive =
            |value: f64, what: &str, key: &str| SimError::positive(value, what, &format!("shaker.{key}"));
        let armature = positive(shaker.moving_mass.si(), "the moving mass in kg", "moving_mass")?
            * unknowns.moving_mass();
        let stiffness =
            SimError::not_negative(shaker.stiffness.si(), "the stiffness in N/m", "shaker.stiffness")?
                * unknowns.stiffness();
        let ratio =
            SimError::not_negative(shaker.damping_ratio.si(), "the damping ratio", "shaker.damping_ratio")?;
        let payload = SimError::not_negative(
            job.payload().si(),
            "the payload in kg",
            "the masses of sensors and adapters",
        )?;
        Ok(Self {
            mass: armature + payload,
            stiffness,
            // The ratio is stated for the moving mass alone.
            damping: 2.0 * ratio * (stiffness * armature).sqrt(),
            force_factor: positive(shaker.force_factor.si(), "the force factor in N/A", "force_factor")?
                * unknowns.force_factor(),
            resistance: positive(shaker.coil_resistance.si(), "the resistance in ohm", "coil_resistance")?
                * unknowns.coil_resistance(),
            inductance: positive(shaker.coil_inductance.si(), "the inductance in H", "coil_inductance")?,
            stop: positive(shaker.stop.si(), "the distance of the stop in m", "stop")?,
            bend: Bend::read(&job.rig, armature)?,
            transverse: transverse(job)?,
        })
    }

    /// Transverse motion at a frequency in Hz as a share of the motion along the axis: straight over the logarithm of
    /// frequency between the entries of the rig file, beyond them that of the nearest; 0 without any.
    pub(crate) fn transverse_at(&self, frequency: f64) -> f64 {
        let wanted = frequency.max(f64::MIN_POSITIVE).ln();
        let after = self.transverse.partition_point(|(at, _)| *at < wanted);
        let upper = self.transverse.get(after).or(self.transverse.last());
        let lower = after.checked_sub(1).and_then(|n| self.transverse.get(n)).or(upper);
        match (lower, upper) {
            (Some((f0, s0)), Some((f1, s1))) if f1 > f0 => s0 + (s1 - s0) * (wanted - f0) / (f1 - f0),
            (Some((_, share)), _) => *share,
            _ => 0.0,
        }
    }

    /// Acceleration in m/s² for a current, a displacement and a velocity, as the linear equations have it.
    pub(crate) fn acceleration(&self, current: f64, position: f64, velocity: f64) -> f64 {
        (self.force_factor * current - self.damping * velocity - self.stiffness * position) / self.mass
    }

    /// Acceleration as weights of the state. An imposed current is the amplifier's aim.
    pub(crate) fn acceleration_row(&self, coil: Coil, mode: AmplifierMode) -> State {
        let mut row = [0.0; 4];
        match (coil, mode) {
            (Coil::Driven, AmplifierMode::Current) => row[AIM] = self.force_factor / self.mass,
            (Coil::Driven, AmplifierMode::Voltage) | (Coil::Shorted, _) => {
                row[CURRENT] = self.force_factor / self.mass
            }
            (Coil::Open, _) => {}
        }
        row[POSITION] = -self.stiffness / self.mass;
        row[VELOCITY] = -self.damping / self.mass;
        row
    }

    /// State equations of amplifier and shaker within their limits: `d state/dt = a state + b e`, e the source's volts.
    ///
    /// A current that is imposed or zero has no equation of its own: its row is zero.
    pub(crate) fn equations(&self, coil: Coil, amplifier: &AmplifierTruth) -> (Matrix<4>, State) {
        let mut a = [[0.0; 4]; 4];
        let follows_a_voltage = coil.follows_a_voltage(amplifier.mode);
        if follows_a_voltage {
            a[CURRENT][CURRENT] = -self.resistance / self.inductance;
            a[CURRENT][VELOCITY] = -self.force_factor / self.inductance;
        }
        if follows_a_voltage && coil == Coil::Driven {
            a[CURRENT][AIM] = 1.0 / self.inductance;
        }
        a[POSITION][VELOCITY] = 1.0;
        a[VELOCITY] = self.acceleration_row(coil, amplifier.mode);
        a[AIM][AIM] = -amplifier.corner;
        let mut b = [0.0; 4];
        b[AIM] = amplifier.corner * amplifier.gain;
        (a, b)
    }

    /// State equations of the shaker alone, of current, displacement and velocity: `d state/dt = a state + b u`.
    pub(crate) fn bare_equations(&self, open: bool) -> (Matrix<3>, [f64; 3]) {
        let electrical = if open { 0.0 } else { 1.0 / self.inductance };
        let a = [
            [-self.resistance * electrical, 0.0, -self.force_factor * electrical],
            [0.0, 0.0, 1.0],
            [
                self.acceleration(1.0, 0.0, 0.0),
                self.acceleration(0.0, 1.0, 0.0),
                self.acceleration(0.0, 0.0, 1.0),
            ],
        ];
        (a, [electrical, 0.0, 0.0])
    }
}

/// The table of transverse motion, by rising frequency.
fn transverse(job: &ResolvedJob) -> Result<Vec<(f64, f64)>, SimError> {
    let mut table = Vec::with_capacity(job.rig.shaker.transverse.len());
    for entry in &job.rig.shaker.transverse {
        let frequency = SimError::positive(
            entry.frequency.si(),
            "a frequency of transverse motion in Hz",
            "shaker.transverse.frequency",
        )?;
        let share = SimError::not_negative(
            entry.share.si(),
            "a share of transverse motion",
            "shaker.transverse.share",
        )?;
        table.push((frequency.ln(), share));
    }
    table.sort_by(|a, b| a.0.total_cmp(&b.0));
    Ok(table)
}

#[cfg(test)]
mod tests {
    use crate::plant::portable;

    /// Straight over the logarithm of frequency: 3 % at 10 Hz and 7 % at 1 kHz make 5 % at 100 Hz.
    #[test]
    fn transverse_motion_lies_between_its_entries() {
        let mut shaker = portable();
        assert!(shaker.transverse_at(50.0) <= 0.0);
        shaker.transverse = vec![(10f64.ln(), 0.03), (1000f64.ln(), 0.07)];
        for (frequency, expected) in
            [(0.0, 0.03), (1.0, 0.03), (10.0, 0.03), (100.0, 0.05), (1e3, 0.07), (5e3, 0.07)]
        {
            let got = shaker.transverse_at(frequency);
            assert!((got - expected).abs() < 1e-12, "{frequency} Hz: {got}");
        }
    }
}
