//! How finely a machine is followed through a fault.
//!
//! Owns: the steps that several faults at a frequency share. Must not: know what they are used for.

use super::exponential::Matrix;
use super::motion::{Coil, Machine};
use super::reach::{free_way, steps};
use super::step::Stepper;
use plan_schema::rig::AmplifierMode;
use plan_schema::units::Hertz;
use std::cell::OnceCell;
use std::f64::consts::TAU;

/// Steps of a cycle, at most.
const MOST_STEPS: f64 = 5_000.0;

/// Parts of a step within which the longest reaction is narrowed down.
pub(super) const FINER: f64 = 16.0;

/// The steps of the machine that several faults share, and its free motion.
#[derive(Debug)]
pub(super) struct Pace {
    pub(super) machine: Machine,
    /// What a state becomes if the drive does nothing.
    pub(super) coil_free: Vec<Matrix<3>>,
    omega: f64,
    pub(super) coarse: Stepper,
    fine: OnceCell<Stepper>,
    /// Steps from one moment to the next at which it is asked where the stop would lead.
    pub(super) stride: usize,
    /// Period of the tone, in s.
    pub(super) cycle: f64,
}

impl Pace {
    /// Steps of a tone, at a 64th of a cycle or half a braking time constant, whichever is shorter; a 32nd of a cycle that
    /// is short beside that constant, within which little can happen.
    #[must_use]
    pub(super) fn of_tone(machine: &Machine, frequency: Hertz) -> Self {
        let cycle = 1.0 / frequency.si();
        // Very slow tones are stepped less finely, so that the end of the look is reached.
        let parts = if cycle < machine.braking() { 32.0 } else { 64.0 };
        let over = (0.5 * machine.braking()).min(cycle / parts).max(cycle / MOST_STEPS);
        Self::new(machine, TAU * frequency.si(), over, steps((cycle / 32.0 / over).floor()), cycle)
    }

    /// Steps of a direct voltage or current, of so many braking time constants: few where motion has to be seen, one
    /// where it is only followed.
    #[must_use]
    pub(super) fn held(machine: &Machine, frequency: Hertz, constants: f64) -> Self {
        Self::new(machine, 0.0, constants * machine.braking(), 1, 1.0 / frequency.si())
    }

    fn new(machine: &Machine, omega: f64, over: f64, stride: usize, cycle: f64) -> Self {
        let coil = match machine.mode {
            AmplifierMode::Voltage => Coil::Driven,
            AmplifierMode::Current => Coil::Imposed,
        };
        Self {
            machine: *machine,
            coil_free: free_way(machine, coil, f64::INFINITY),
            omega,
            coarse: Stepper::new(machine, Coil::Driven, omega, over),
            fine: OnceCell::new(),
            stride,
            cycle,
        }
    }

    /// The steps of a sixteenth, for the search within one; made when they are first needed.
    pub(super) fn fine(&self) -> &Stepper {
        let over = self.coarse.over() / FINER;
        self.fine.get_or_init(|| Stepper::new(&self.machine, Coil::Driven, self.omega, over))
    }
}
