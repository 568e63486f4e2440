//! What the run tells the monitors of a tone: what the source acknowledged, and what should be seen of it.

use nalgebra::Complex;
use plan_schema::units::{
    Accel, Amperes, Celsius, Hertz, Ohms, Peak, SampleIndex, Seconds, Sensitivity, Volts, VoltsDc,
};

/// A setting that the source acknowledged, and what should be seen of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// Frequency as applied; of a source that was told to be at 0 V that of the tone before.
    pub frequency: Hertz,
    /// Amplitude as applied; zero where it was told to be at 0 V.
    pub drive: Volts<Peak>,
    /// From this sample on everything has followed.
    pub from: SampleIndex,
    /// Amplitude that is foreseen, as far as the plant is known; `None` before anything was learned of it.
    pub foreseen: Option<Accel<Peak>>,
    /// Sensitivity of the reference there.
    pub sensitivity: Sensitivity,
    /// Output of the reference at rest.
    pub zero: VoltsDc,
    /// Coil current for one m/s² there.
    pub current_per_acceleration: f64,
    /// The other channels that show the motion.
    pub others: Vec<Other>,
}

/// A channel that shows the motion beside the reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Other {
    /// Its column.
    pub column: usize,
    /// What it should show over what the reference shows.
    pub ratio: Complex<f64>,
    /// True where neither a high-pass nor a resonance turns its phase or bends its response by much.
    pub plain: bool,
    /// True for a second reference or a check standard: its sensitivity is known, not only nominal.
    pub known: bool,
}

/// What the coil bears.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coil {
    /// Largest current.
    pub current_limit: Amperes<Peak>,
    /// Resistance when cold.
    pub resistance: Ohms,
    /// Heat of it, where the rig file tells.
    pub heat: Option<CoilHeat>,
}

/// How a coil warms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoilHeat {
    /// Heat capacity, J/K.
    pub capacity: f64,
    /// Heat resistance to the room, K/W.
    pub to_room: f64,
    /// Change of the resistance with temperature, 1/K.
    pub coefficient: f64,
    /// Temperature at which its guard acts.
    pub limit: Celsius,
}

impl CoilHeat {
    /// Its time constant.
    #[must_use]
    pub fn time_constant(&self) -> Seconds {
        Seconds::new(self.capacity * self.to_room)
    }
}
