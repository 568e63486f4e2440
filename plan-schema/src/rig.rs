//! The rig: instruments and their roles, channels, the shaker's limits, mute and safe paths, latencies.

mod admission;
mod channel;
mod channel_ratio;
mod drive_monitor;
mod fixture;
mod permissives;
mod place;
mod substitution;

pub use admission::{Limiter, LimiterKind, Waiver};
pub use channel::{Channel, Connection, Coupling, RangeGain, ResponsePoint};
pub use channel_ratio::{RatioRoute, RoutedBy};
pub use drive_monitor::{DriveMonitor, DrivePoint};
pub use fixture::{Fixture, FixturePoint};
pub use permissives::{ChecklistEntry, ContactState, ENABLE, Needed, Permissive};
pub use place::Place;
pub use substitution::Substitution;

use crate::plan::Format;
use crate::read::Table;
use crate::simulation::Simulation;
use crate::units::{
    Accel, Amperes, AmperesDc, AnglePerLength, Celsius, Displacement, ForceFactor, Fraction, Gain,
    HeatCapacity, HeatResistance, Henries, Hertz, Kilograms, Metres, Newtons, Ohms, Peak, PerKelvin,
    Quantity, Radians, SamplesPerSecond, Seconds, Stiffness, Torque, Transconductance, Velocity,
    VoltagePerLength, Volts, VoltsDc,
};
use crate::{written_table, written_words};

written_table! {
    /// A rig: what stands in the laboratory.
    pub struct Rig file "rig" {
        /// Format of the file; 1.
        pub format: Format,
        /// Name of the rig; latch and lock carry it.
        pub name: String,
        /// Mains frequency.
        pub mains_frequency: Hertz = Hertz::new(50.0),
        /// How the axis of motion lies.
        pub orientation: Orientation = Orientation::Horizontal,
        /// Longest time for which leave to move is given.
        pub leave_limit: Seconds = Seconds::new(12.0 * 3600.0),
        /// Number of a contact input that has to be closed for the armature to move, such as that of a key switch.
        pub enable_input: Option<u32>,
        /// How long a run waits at its start for permissives before it is refused.
        pub permissive_wait: Seconds = Seconds::new(60.0),
        /// Number of a contact output that warns before the armature moves; absent where nothing does.
        pub warning_output: Option<u32>,
        /// How long it warns before motion begins.
        pub warning_time: Seconds = Seconds::new(5.0),
        /// The shaker and its limits.
        pub shaker: Shaker,
        /// The power amplifier.
        pub amplifier: Amplifier,
        /// Times that liveness and safety are judged by.
        pub timing: Timing = Timing::default(),
        /// The instruments.
        pub instruments key "instrument": Vec<Instrument>,
        /// Which instrument does what.
        pub roles: Roles,
        /// How the acquisition is set up.
        pub acquisition: AcquisitionSetup,
        /// The channels of the acquisition.
        pub channels key "channel": Vec<Channel>,
        /// How one voltage gets into all channels, where the rig has a way.
        pub channel_ratio: Option<RatioRoute>,
        /// Places on the table, and how far off the axis of motion they lie.
        pub places key "place": Vec<Place> = Vec::new(),
        /// How the reference's output gets into the channels of the sensors, where the rig has a way.
        pub substitution: Option<Substitution>,
        /// Fixtures that sensors may stand on, with what is measured of their motion.
        pub fixtures key "fixture": Vec<Fixture> = Vec::new(),
        /// The reference transducer in the rig.
        pub reference: ReferenceMount,
        /// A second reference transducer, where there is one: the two are compared throughout.
        pub second_reference: Option<ReferenceMount>,
        /// Serial number of the check standard that a queue of this rig opens with: no other job begins before it was measured
        /// within its limits.
        pub check_standard: Option<String>,
        /// A transducer for the armature's displacement, where there is one.
        pub displacement: Option<DisplacementChannel>,
        /// A channel that shows the drive, where there is one: the interlock judges by it what comes out.
        pub drive_monitor: Option<DriveMonitor>,
        /// What the laboratory knows of the rig's errors, for the uncertainty.
        pub errors: RigErrors,
        /// Ways to stop the armature, in the order in which they are tried.
        pub safe_paths key "safe_path": Vec<SafePath>,
        /// What keeps the armature off its stops where no stop of the rig does; points are then admitted.
        pub limiter: Option<Limiter>,
        /// Who takes on the hazards that would refuse a point, and why; they are then warnings.
        pub waiver: Option<Waiver>,
        /// Contacts that permit motion.
        pub permissives key "permissive": Vec<Permissive> = Vec::new(),
        /// What a person confirms when giving leave to move.
        pub checklist: Vec<ChecklistEntry> = Vec::new(),
        /// What the simulator adds to the facts above.
        pub simulation: Simulation = Simulation::default(),
    }
}

written_words! {
    /// How the axis of motion lies.
    pub enum Orientation {
        /// Level: gravity acts across the axis.
        Horizontal = "horizontal",
        /// Upright: gravity acts along the axis.
        Vertical = "vertical",
    }
}

written_table! {
    /// The shaker: its limits, and the facts from which a drive is foreseen.
    pub struct Shaker {
        /// Largest target displacement of the fundamental.
        pub rated_stroke: Displacement<Peak>,
        /// Distance of the mechanical stop from the centre.
        pub stop: Displacement<Peak>,
        /// A displacement beyond this trips; by default rated + 40 % of (stop − rated).
        pub trip_stroke: Option<Displacement<Peak>>,
        /// How far the centre may lie off: amplifier offset, centre error, sag, tilt.
        pub static_allowance: Metres,
        /// Largest velocity.
        pub velocity_limit: Velocity<Peak>,
        /// Largest acceleration.
        pub acceleration_limit: Accel<Peak>,
        /// Largest force of the coil.
        pub force_limit: Newtons<Peak>,
        /// Largest source output into the amplifier.
        pub drive_limit: Volts<Peak>,
        /// Mass of armature, table and references.
        pub moving_mass: Kilograms,
        /// Largest mass on the table: sensors, adapters and fixtures together; absent: only the force limits it.
        pub payload_limit: Option<Kilograms>,
        /// Largest moment about the middle of the table that a payload beside the axis may make, by its weight and by its
        /// acceleration; absent: none is stated, and none is judged.
        pub eccentric_moment_limit: Option<Quantity<Torque>>,
        /// Stiffness of the suspension.
        pub stiffness: Quantity<Stiffness>,
        /// Mechanical damping as a share of critical damping, with the moving mass alone.
        pub damping_ratio: Fraction,
        /// Force factor Bl.
        pub force_factor: Quantity<ForceFactor>,
        /// Resistance of the coil.
        pub coil_resistance: Ohms,
        /// Inductance of the coil.
        pub coil_inductance: Henries,
        /// β: how much stiffer the suspension is at the rated stroke, as a share; `k (1 + β (x/x_r)²)`.
        pub suspension_hardening: Fraction = Fraction::ZERO,
        /// γ: how much weaker the force factor is at the rated stroke, as a share; `Bl (1 − γ (x/x_r)²)`.
        pub force_factor_droop: Fraction = Fraction::ZERO,
        /// Where the suspension rests, counted from the middle between the stops, which is the magnetic centre.
        pub centre_error: Metres = Metres::ZERO,
        /// How far from the middle the armature rests with its payload, as measured after it was centred; it stands for the
        /// centre error above and for the sag under the payload. Absent where nobody centres.
        pub centring: Option<Metres>,
        /// How far the axis is raised towards positive displacement, beyond its orientation.
        pub tilt: Radians = Radians::ZERO,
        /// How the tilt changes along the stroke: it adds gravity to what a DC-response sensor shows.
        pub tilt_along_stroke: Quantity<AnglePerLength> = Quantity::ZERO,
        /// Change of the coil's resistance with its temperature; the resistance above is that at 23 °C.
        pub resistance_coefficient: Quantity<PerKelvin> = Quantity::ZERO,
        /// Heat capacity of the coil; absent for a coil that its current does not warm.
        pub coil_heat_capacity: Option<Quantity<HeatCapacity>>,
        /// Heat resistance from the coil to the room.
        pub coil_heat_resistance: Option<Quantity<HeatResistance>>,
        /// Temperature of the coil at which its guard makes the amplifier mute and report a fault.
        pub coil_temperature_limit: Option<Celsius>,
        /// Transverse motion by frequency, straight over the logarithm of frequency; none without entries.
        pub transverse: Vec<TransverseMotion> = Vec::new(),
    }
}

written_table! {
    /// Transverse motion of the table at a frequency.
    pub struct TransverseMotion {
        /// The frequency.
        pub frequency: Hertz,
        /// Transverse motion as a share of the motion along the axis.
        pub share: Fraction,
    }
}

impl Shaker {
    /// Displacement beyond which the interlock trips.
    #[must_use]
    pub fn trip(&self) -> Displacement<Peak> {
        self.trip_stroke.unwrap_or(self.rated_stroke + (self.stop - self.rated_stroke) * 0.4)
    }
}

written_words! {
    /// What the amplifier imposes on the coil.
    pub enum AmplifierMode {
        /// A voltage: the coil brakes the armature at 0 V.
        Voltage = "voltage",
        /// A current: the coil does not brake.
        Current = "current",
    }
}

written_words! {
    /// What a muted amplifier does to the coil.
    pub enum Mute {
        /// The coil is shorted and brakes.
        Shorts = "shorts",
        /// The coil is opened and the armature coasts.
        Opens = "opens",
    }
}

written_table! {
    /// The power amplifier.
    pub struct Amplifier {
        /// What it imposes on the coil, voltage or current.
        pub mode: AmplifierMode,
        /// What mute does to the coil; where a relay acts beside it, what the coil is left as once either has.
        pub mute: Mute,
        /// Gain in voltage mode.
        pub gain: Option<Quantity<Gain>>,
        /// Gain in current mode.
        pub transconductance: Option<Quantity<Transconductance>>,
        /// Largest output voltage.
        pub voltage_limit: Volts<Peak>,
        /// Largest output current.
        pub current_limit: Amperes<Peak>,
        /// DC offset of the output in voltage mode.
        pub offset: Option<VoltsDc>,
        /// DC offset of the output in current mode.
        pub offset_current: Option<AmperesDc>,
        /// Upper corner of its response, first order; absent: that of the simulation.
        pub bandwidth: Option<Hertz>,
        /// It mutes if it was neither commanded nor asked for this long; absent where it has no such watchdog.
        pub watchdog: Option<Seconds>,
    }
}

written_table! {
    /// Times that liveness and safety are judged by.
    pub struct Timing: Default {
        /// A command without a reply for this long has failed.
        pub reply_limit: Seconds = Seconds::new(0.5),
        /// No sample block for this long is a trip.
        pub block_limit: Seconds = Seconds::new(0.25),
        /// Contacts unread for this long count as opened.
        pub contact_limit: Seconds = Seconds::new(0.25),
        /// Contacts and amplifier are read this often.
        pub poll_interval: Seconds = Seconds::new(0.1),
        /// Longest time from the last sample of a block until the block has arrived.
        pub transfer: Seconds = Seconds::new(0.005),
        /// Longest time that judging a block takes.
        pub judgement: Seconds = Seconds::new(0.001),
        /// Share of the way from a point's ceiling of stroke to the stop that the error of the observer may take, where no
        /// channel shows the displacement; points with less room are refused.
        pub observer_share: Fraction = Fraction::new(0.2),
    }
}

written_table! {
    /// An instrument and the driver that speaks to it.
    pub struct Instrument {
        /// Name by which roles refer to it.
        pub name: String,
        /// Kind of driver; `calwright drivers` lists them.
        pub driver: String,
        /// Longest time from a command's reply until the output follows.
        pub latency: Seconds = Seconds::new(0.05),
        /// Serial number that it has to report at every opening; absent where it reports none.
        pub serial: Option<String>,
        /// Number of its calibration certificate, of one that is calibrated by itself, such as the ambient sensor.
        pub certificate: Option<String>,
        /// Settings of the driver.
        pub settings: Table,
    }
}

/// Name of the instrument in `instrument.role`.
#[must_use]
pub fn instrument_of(role: &str) -> &str {
    role.split_once('.').map_or(role, |(instrument, _)| instrument)
}

written_table! {
    /// Which instrument does what, as `instrument.role`.
    pub struct Roles {
        /// Makes the sine; such as "generator.source".
        pub source: String,
        /// Drives the coil; such as "power-amplifier.amplifier".
        pub amplifier: String,
        /// Cuts the drive off from the coil beside the amplifier's own mute; such as "mute-relay.relay".
        pub relay: Option<String>,
        /// Samples the channels; such as "daq.acquisition".
        pub acquisition: String,
        /// Reads temperature and humidity; such as "climate.ambient".
        pub ambient: Option<String>,
        /// Reads emergency stop and permissives; such as "panel.contacts".
        pub contacts: Option<String>,
    }
}

impl Roles {
    /// The role that goes a way to stop the armature.
    #[must_use]
    pub fn of(&self, action: SafeAction) -> Option<&str> {
        match action {
            SafeAction::SourceOff => Some(&self.source),
            SafeAction::AmplifierMute | SafeAction::AmplifierWatchdog => Some(&self.amplifier),
            SafeAction::Relay => self.relay.as_deref(),
        }
    }
}

written_table! {
    /// How the acquisition is set up.
    pub struct AcquisitionSetup {
        /// Samples per second and channel.
        pub rate: SamplesPerSecond,
        /// Length of a block.
        pub block: Seconds = Seconds::new(0.02),
        /// Longest time from the end of a block to the start of the next, of a gated acquisition; not written where blocks
        /// follow each other without gaps.
        pub pause: Option<Seconds>,
    }
}

impl AcquisitionSetup {
    /// True if its blocks have gaps between them.
    #[must_use]
    pub fn is_gated(&self) -> bool {
        self.pause.is_some()
    }

    /// From the end of a block to the start of the next, at most.
    #[must_use]
    pub fn longest_pause(&self) -> Seconds {
        self.pause.unwrap_or(Seconds::ZERO)
    }
}

written_table! {
    /// A transducer for the armature's displacement from the mechanical centre.
    pub struct DisplacementChannel {
        /// The channel it is connected to.
        pub channel: String,
        /// Sensitivity at the channel.
        pub sensitivity: Quantity<VoltagePerLength>,
    }
}

written_table! {
    /// A reference transducer in the rig.
    pub struct ReferenceMount {
        /// Serial number in the register of references.
        pub serial: String,
        /// The channel it is connected to.
        pub channel: String,
    }
}

written_table! {
    /// What the laboratory knows of the rig's errors: half-widths unless said otherwise.
    pub struct RigErrors {
        /// Gain ratio of two channels, expanded (k = 2): what remains beside the uncertainties that the channels' own gains
        /// state.
        pub channel_ratio: Fraction,
        /// Phase difference of two channels at 100 Hz, rising with frequency, expanded (k = 2).
        pub channel_phase: crate::units::Radians,
        /// Transverse motion as a share of the motion along the axis.
        pub transverse_motion: Fraction,
        /// Mounting, cable tie, position on the table.
        pub mounting: Fraction,
        /// Temperature of the mounting surface off 23 °C.
        pub temperature: crate::units::Kelvins,
        /// Motion of a sensor against the reference, by what lies between them giving way, at 100 Hz: it grows with the square
        /// of frequency.
        pub relative_motion: Fraction = Fraction::ZERO,
        /// Magnetic field, sound and other influences of the surroundings on sensor and reference together.
        pub environment: Fraction = Fraction::ZERO,
        /// DC offset of the source that may reach the amplifier.
        pub source_offset: VoltsDc = VoltsDc::ZERO,
    }
}

written_words! {
    /// A way to stop the armature.
    pub enum SafeAction {
        /// The source's output goes to 0 V.
        SourceOff = "source_off",
        /// The amplifier is muted.
        AmplifierMute = "amplifier_mute",
        /// A relay of its own cuts the drive off, together with the amplifier's mute.
        Relay = "relay",
        /// The amplifier mutes of its own accord when nobody speaks to it any more. Nobody asks for it, so that it counts in
        /// no stop; it is what is left when program or link are gone.
        AmplifierWatchdog = "amplifier_watchdog",
    }
}

written_table! {
    /// A way to stop the armature and how long it takes.
    pub struct SafePath {
        /// What is done to stop the armature.
        pub action: SafeAction,
        /// Longest time until it acts.
        pub time: Seconds,
    }
}
