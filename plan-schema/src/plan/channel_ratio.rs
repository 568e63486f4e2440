//! That the ratio of channels is to be measured with a run, and at which frequencies.

use crate::units::{Hertz, Seconds};
use crate::{written_table, written_words};

/// Frequencies at which the ratio of channels is measured, at least.
pub const RATIO_TONES_MIN: usize = 3;

/// Cycles of each tone, at least.
const CYCLES: f64 = 10.0;

written_words! {
    /// What becomes of points beyond the frequencies at which the ratio of channels is measured. It is never extrapolated.
    pub enum OutsideRatio {
        /// They are refused.
        Refuse = "refuse",
        /// They are not corrected, and the rig file's bound is in their budget.
        RigFile = "rig_file",
    }
}

written_table! {
    /// The ratio of each channel to the reference's is measured with the run: one voltage into all channels.
    pub struct ChannelRatio {
        /// Frequencies of the tones, three or more, rising; between them the ratio is interpolated.
        pub frequencies: Vec<Hertz>,
        /// Length of each tone; ten cycles at least.
        pub time: Seconds = Seconds::new(2.0),
        /// Whether it is measured once more after the run.
        pub again: bool = false,
        /// What becomes of points outside the frequencies above.
        pub outside: OutsideRatio = OutsideRatio::Refuse,
    }
}

impl ChannelRatio {
    /// How long a tone is looked at.
    #[must_use]
    pub fn length(&self, frequency: Hertz) -> Seconds {
        self.time.max(Seconds::new(CYCLES / frequency.si()))
    }

    /// True if a frequency lies within those of the tones.
    #[must_use]
    pub fn covers(&self, frequency: Hertz) -> bool {
        let ends = self.frequencies.first().zip(self.frequencies.last());
        ends.is_some_and(|(lowest, highest)| *lowest <= frequency && frequency <= *highest)
    }
}
