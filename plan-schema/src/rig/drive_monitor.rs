//! The monitor of the drive: a channel that shows what comes out, beside what was asked for.

use crate::units::{Gain, Quantity};
use crate::{written_table, written_words};

written_words! {
    /// Where a monitor of the drive is connected.
    pub enum DrivePoint {
        /// To the output of the source, where it goes into the amplifier.
        Source = "source",
        /// To the output of the amplifier, at the coil.
        Amplifier = "amplifier",
    }
}

written_table! {
    /// A channel that shows the drive itself.
    pub struct DriveMonitor {
        /// The channel that it is connected to.
        pub channel: String,
        /// Where it is connected.
        pub shows: DrivePoint,
        /// Volts at the channel for a volt there: less than 1 V/V behind a divider or a probe.
        pub ratio: Quantity<Gain> = Quantity::new(1.0),
    }
}
