//! How the reference's output gets into the channels of the sensors, in their place, so that both are measured through the same
//! channel, one after the other.
//!
//! Owns: what is written of the way. Must not: say that it is to be gone; the plan does ([`crate::plan::Method`]).

use super::RoutedBy;
use crate::units::{Fraction, Radians, Seconds};
use crate::written_table;

written_table! {
    /// The way of the reference's output into the channels of the sensors, in place of these, while nothing moves. The reference
    /// keeps its own channel as well, which goes on to show the motion.
    pub struct Substitution {
        /// Who changes what the channels are connected to.
        pub by: RoutedBy,
        /// Number of the contact output that is on while the reference is connected to the sensors' channels, for a switch.
        pub output: Option<u32>,
        /// True where the reference stays connected to its own channel meanwhile: amplitude and limits are watched there.
        pub keeps_reference: bool,
        /// Time from the switch's command until its contacts have settled.
        pub switch_time: Seconds = Seconds::new(0.2),
        /// How long a person's confirmation is waited for before the run ends.
        pub person_wait: Seconds = Seconds::new(900.0),
        /// By how much the reference's voltages at its own channel and at a sensor's may differ, expanded (k = 2): what cables,
        /// switch and input impedances make of one voltage.
        pub equality: Fraction,
        /// Phase difference of these voltages at 100 Hz, rising with frequency, expanded (k = 2).
        pub equality_phase: Radians = Radians::ZERO,
        /// By how much the reference's channel, which stands for the motion in both measurements, may change against a sensor's
        /// from the one to the other, expanded (k = 2).
        pub stability: Fraction,
        /// Such a change of their phase difference at 100 Hz, rising with frequency, expanded (k = 2).
        pub stability_phase: Radians,
    }
}
