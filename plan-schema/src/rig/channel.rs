//! A channel of the acquisition and the conditioner before it: what happens to a signal on its way to samples.
//!
//! Owns: what is written of it. What it makes of a sine is [`chain`](crate::chain)'s.

use crate::registers::{ConditionerGain, Date};
use crate::units::{Fraction, Gain, Hertz, Peak, Quantity, Radians, Seconds, Volts};
use crate::{written_table, written_words};

written_table! {
    /// A channel of the acquisition, with the conditioner before it.
    pub struct Channel {
        /// Name by which jobs refer to it.
        pub name: String,
        /// Number of the input, from 0.
        pub input: u32,
        /// Full scale of the range in use.
        pub range: Volts<Peak>,
        /// How its input is connected.
        pub connection: Connection = Connection::Differential,
        /// How it is coupled; absent: for AC where a corner is written, else for DC.
        pub coupling: Option<Coupling>,
        /// Lower corner (−3 dB) of its AC coupling, a first-order high-pass; absent for DC coupling.
        pub ac_corner: Option<Hertz>,
        /// Expanded uncertainty (k = 2) of that corner as a share of it. With it the coupling is taken out of the results;
        /// without, nothing is corrected.
        pub ac_corner_u: Option<Fraction>,
        /// Upper corner (−3 dB) of its filter, a first-order low-pass, which is taken out of the results; absent: none, or one
        /// that all channels share.
        pub filter_corner: Option<Hertz>,
        /// Expanded uncertainty (k = 2) of that corner as a share of it.
        pub filter_corner_u: Fraction = Fraction::ZERO,
        /// Time by which this channel is later than the others, which is taken out of the results.
        pub delay: Option<Seconds>,
        /// Expanded uncertainty (k = 2) of that delay.
        pub delay_u: Seconds = Seconds::ZERO,
        /// Gain by range as calibrated; absent: the volts that are shown are those at the input.
        pub gains key "gain": Vec<RangeGain> = Vec::new(),
        /// Serial number of the conditioner between transducer and channel.
        pub conditioner: Option<String>,
        /// Gain of the conditioner: V/V of an amplifier, mV/pC of a charge amplifier, Ω of the shunt of a current loop.
        pub conditioner_gain: Option<ConditionerGain>,
        /// Expanded uncertainty (k = 2) of that gain.
        pub conditioner_u: Fraction = Fraction::ZERO,
        /// Expanded uncertainty (k = 2) of the conditioner's phase.
        pub conditioner_u_phase: Radians = Radians::ZERO,
        /// The day on which that gain was set by hand.
        pub conditioner_set_on: Option<Date>,
        /// Who set it.
        pub conditioner_set_by: Option<String>,
        /// Number of the certificate that says so of the conditioner.
        pub conditioner_certificate: Option<String>,
        /// When the conditioner is due for calibration.
        pub conditioner_due: Option<Date>,
        /// Response of the conditioner by frequency, straight over the logarithm of frequency; absent: flat.
        pub response: Vec<ResponsePoint> = Vec::new(),
    }
}

written_words! {
    /// How the input of a channel is connected.
    pub enum Connection {
        /// To both lines of a differential output, or to the line and the ground of a single-ended one.
        Differential = "differential",
        /// To one line against ground: of a differential output it sees half of the signal, and the common mode.
        SingleEnded = "single_ended",
    }
}

written_words! {
    /// How a channel is coupled.
    pub enum Coupling {
        /// Steady voltages pass.
        Dc = "dc",
        /// A capacitor holds steady voltages back.
        Ac = "ac",
    }
}

written_table! {
    /// Gain of a channel in one of its ranges.
    pub struct RangeGain {
        /// Full scale of the range.
        pub range: Volts<Peak>,
        /// Volts shown for a volt at the input.
        pub gain: Quantity<Gain>,
        /// Expanded uncertainty (k = 2) of the gain.
        pub u: Fraction,
        /// Number of the certificate that says so.
        pub certificate: Option<String>,
        /// When it is due for calibration.
        pub due: Option<Date>,
    }
}

written_table! {
    /// Response of a conditioner at one frequency.
    pub struct ResponsePoint {
        /// Frequency.
        pub frequency: Hertz,
        /// Magnitude as a share of the conditioner's gain.
        pub magnitude: Fraction,
        /// Phase of the output against the input, lag negative.
        pub phase: Radians = Radians::ZERO,
    }
}

impl Channel {
    /// A channel of which nothing but name, input and range is written.
    #[must_use]
    pub fn plain(name: &str, input: u32, range: Volts<Peak>) -> Self {
        Self {
            name: name.to_owned(),
            input,
            range,
            connection: Connection::Differential,
            coupling: None,
            ac_corner: None,
            ac_corner_u: None,
            filter_corner: None,
            filter_corner_u: Fraction::ZERO,
            delay: None,
            delay_u: Seconds::ZERO,
            gains: Vec::new(),
            conditioner: None,
            conditioner_gain: None,
            conditioner_u: Fraction::ZERO,
            conditioner_u_phase: Radians::ZERO,
            conditioner_set_on: None,
            conditioner_set_by: None,
            conditioner_certificate: None,
            conditioner_due: None,
            response: Vec::new(),
        }
    }

    /// What is calibrated of the range in use.
    #[must_use]
    pub fn gain_in_use(&self) -> Option<&RangeGain> {
        self.gains.iter().find(|g| g.range == self.range)
    }

    /// Volts shown for a steady volt from the transducer, coupling apart.
    #[must_use]
    pub fn gain_at_rest(&self) -> f64 {
        let conditioner = self.conditioner_gain.map_or(1.0, ConditionerGain::of_voltage);
        conditioner * self.gain_in_use().map_or(1.0, |g| g.gain.si())
    }
}
