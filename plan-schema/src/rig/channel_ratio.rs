//! How one voltage gets into all channels, so that the ratio of each to the reference's is measured, not assumed.
//!
//! Owns: what is written of the way. Must not: say at which frequencies; the plan does ([`crate::plan::ChannelRatio`]).

use crate::units::{Fraction, Peak, Radians, Seconds, Volts};
use crate::{written_table, written_words};

written_words! {
    /// Who changes what the channels are connected to.
    pub enum RoutedBy {
        /// A switch of the rig, by a contact output.
        Switch = "switch",
        /// A person, who moves cables and confirms that.
        Person = "person",
    }
}

written_table! {
    /// The way of the source's output into the channels of references and sensors, in place of these, while the armature rests.
    pub struct RatioRoute {
        /// Who takes the source's output to the channels.
        pub by: RoutedBy,
        /// Number of the contact output that is on while the source is connected to the channels, for a switch.
        pub output: Option<u32>,
        /// True where the source is parted from the amplifier as long as it is connected to the channels.
        pub parts_amplifier: bool,
        /// Time from the switch's command until its contacts have settled.
        pub switch_time: Seconds = Seconds::new(0.2),
        /// How long a person's confirmation is waited for before the run ends.
        pub person_wait: Seconds = Seconds::new(900.0),
        /// Amplitude of the tone at the source's output.
        pub amplitude: Volts<Peak>,
        /// By how much the voltages at two channels may differ, expanded (k = 2): what cables, switch and input impedances make
        /// of one voltage.
        pub equality: Fraction,
        /// Phase difference of the voltages at two channels at 100 Hz, rising with frequency, expanded (k = 2).
        pub equality_phase: Radians = Radians::ZERO,
    }
}
