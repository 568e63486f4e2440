//! What the simulator adds to the facts of a rig: resolutions, noise, latencies, spreads.

use crate::units::{Celsius, Fraction, Hertz, Kelvins, Peak, Rms, SamplesPerSecond, Seconds, Volts, VoltsDc};
use crate::written_table;

written_table! {
    /// The simulated rig: what a dry run adds to the facts of the rig file.
    pub struct Simulation: Default {
        /// The simulated signal source.
        pub source: SimulatedSource = SimulatedSource::default(),
        /// The simulated power amplifier.
        pub amplifier: SimulatedAmplifier = SimulatedAmplifier::default(),
        /// The simulated acquisition.
        pub acquisition: SimulatedAcquisition = SimulatedAcquisition::default(),
        /// The simulated room.
        pub room: SimulatedRoom = SimulatedRoom::default(),
        /// What single channels are off by, beside what is drawn for all.
        pub channels: Vec<SimulatedChannel> = Vec::new(),
        /// How far truth may lie off what the files say.
        pub spread: Spread = Spread::default(),
        /// File of the job whose sensors stand on the rig when it is served and none is named, counted from the rig file; empty
        /// for none.
        pub job: String = String::new(),
    }
}

written_table! {
    /// The simulated signal source.
    pub struct SimulatedSource: Default {
        /// Step of the frequency setting.
        pub frequency_step: Hertz = Hertz::new(1e-6),
        /// Step of the amplitude setting.
        pub amplitude_step: Volts<Peak> = Volts::new(1e-5),
        /// Largest output.
        pub output_limit: Volts<Peak> = Volts::new(5.0),
        /// Time from a command until the output follows.
        pub latency: Seconds = Seconds::new(0.005),
        /// Time over which the output goes from one setting to the next.
        pub ramp: Seconds = Seconds::new(0.02),
        /// DC offset of the output.
        pub offset: VoltsDc = VoltsDc::ZERO,
        /// How much faster its clock goes than true; its frequencies are higher by this.
        pub clock_error: Fraction = Fraction::ZERO,
        /// Whether it streams a waveform: each value is held until the next, and all tones come out by the hold's
        /// sin(x)/x smaller and half an update late.
        pub streams: bool = false,
        /// Values per second of a stream.
        pub update_rate: SamplesPerSecond = SamplesPerSecond::new(100_000.0),
    }
}

written_table! {
    /// The simulated power amplifier.
    pub struct SimulatedAmplifier: Default {
        /// Upper corner of its response, first order.
        pub bandwidth: Hertz = Hertz::new(20_000.0),
        /// Time from a mute command until it acts.
        pub latency: Seconds = Seconds::new(0.002),
    }
}

written_table! {
    /// The simulated acquisition.
    pub struct SimulatedAcquisition: Default {
        /// Bits of the converter over the range.
        pub bits: u32 = 24,
        /// White noise of a channel within half the sample rate.
        pub noise: Volts<Rms> = Volts::new(20e-6),
        /// Hum of a channel at the mains frequency.
        pub hum: Volts<Peak> = Volts::ZERO,
        /// Hum of a channel at twice the mains frequency.
        pub hum_second: Volts<Peak> = Volts::ZERO,
        /// Hum of a channel at three times the mains frequency.
        pub hum_third: Volts<Peak> = Volts::ZERO,
        /// Hum of a channel at five times the mains frequency.
        pub hum_fifth: Volts<Peak> = Volts::ZERO,
        /// How much faster its clock goes than true.
        pub clock_error: Fraction = Fraction::ZERO,
        /// Delay of its anti-alias filters, the same for all channels.
        pub delay: Seconds = Seconds::ZERO,
        /// Time from its start until the first sample.
        pub startup: Seconds = Seconds::ZERO,
        /// Length of a gate within which it samples without gaps; 0 s where it samples continuously.
        pub gate: Seconds = Seconds::ZERO,
        /// Pause between two gates.
        pub pause: Seconds = Seconds::ZERO,
    }
}

written_table! {
    /// What a simulated channel is off by, beside what is drawn for all.
    pub struct SimulatedChannel {
        /// Name of the channel.
        pub name: String,
        /// Its gain is off by this share.
        pub gain_error: Fraction = Fraction::ZERO,
        /// It samples later than the others by this.
        pub delay_error: Seconds = Seconds::ZERO,
    }
}

written_table! {
    /// The simulated room.
    pub struct SimulatedRoom: Default {
        /// Temperature at the start.
        pub temperature: Celsius = Celsius::new(23.0),
        /// Slow change of temperature over an hour.
        pub drift_per_hour: Kelvins = Kelvins::new(0.3),
        /// Relative humidity.
        pub humidity: Fraction = Fraction::new(0.45),
    }
}

written_table! {
    /// How far truth may lie off what the files say: half-widths of rectangular distributions, drawn per seed.
    pub struct Spread: Default {
        /// Sensitivity of the sensors off their nominal value.
        pub sensitivity: Fraction = Fraction::new(0.02),
        /// Supply voltages off their nominal value.
        pub supply: Fraction = Fraction::ZERO,
        /// Force factor, mass, stiffness, resistance of the shaker off the rig file; the four below come on top of it.
        pub shaker: Fraction = Fraction::new(0.03),
        /// Gain of the amplifier off the rig file.
        pub amplifier_gain: Fraction = Fraction::ZERO,
        /// Moving mass off the rig file.
        pub moving_mass: Fraction = Fraction::ZERO,
        /// Stiffness of the suspension off the rig file.
        pub stiffness: Fraction = Fraction::ZERO,
        /// Force factor off the rig file.
        pub force_factor: Fraction = Fraction::ZERO,
        /// Resistance of the coil off the rig file.
        pub coil_resistance: Fraction = Fraction::ZERO,
    }
}

impl Spread {
    /// The spreads of amplifier and shaker with their keys.
    #[must_use]
    pub fn of_the_machine(&self) -> [(&'static str, Fraction); 6] {
        [
            ("shaker", self.shaker),
            ("amplifier_gain", self.amplifier_gain),
            ("moving_mass", self.moving_mass),
            ("stiffness", self.stiffness),
            ("force_factor", self.force_factor),
            ("coil_resistance", self.coil_resistance),
        ]
    }
}
