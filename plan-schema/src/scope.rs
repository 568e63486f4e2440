//! The scope of a laboratory's accreditation: what it may calibrate under it, and how well.

use crate::plan::Format;
use crate::registers::{Date, SensorKind};
use crate::units::{Accel, Fraction, Hertz, Peak, Radians};
use crate::written_table;

written_table! {
    /// What a laboratory is accredited for.
    pub struct Scope {
        /// Format of the file; 1.
        pub format: Format,
        /// Number of the accreditation.
        pub accreditation: String,
        /// Who granted it.
        pub granted_by: String,
        /// The quantity, in the words of the scope.
        pub quantity: String,
        /// The last day on which it holds.
        pub valid_until: Date,
        /// Bands of frequency with the best capability in each.
        pub bands key "band": Vec<ScopeBand>,
    }
}

written_table! {
    /// A band of frequency within a scope. Where several hold a point, the first counts.
    pub struct ScopeBand {
        /// Kinds of sensors that it holds for.
        pub sensors: Vec<SensorKind>,
        /// Lowest frequency, which belongs to it.
        pub from: Hertz,
        /// Highest frequency, which belongs to it.
        pub to: Hertz,
        /// Smallest amplitude; absent: no limit.
        pub amplitude_min: Option<Accel<Peak>>,
        /// Largest amplitude; absent: no limit.
        pub amplitude_max: Option<Accel<Peak>>,
        /// Smallest expanded uncertainty of the magnitude that may be stated (coverage about 95 %).
        pub u: Fraction,
        /// Smallest expanded uncertainty of the phase that may be stated; absent: no phase is accredited.
        pub u_phase: Option<Radians>,
    }
}

impl Scope {
    /// The band that holds a sensor at a frequency and an amplitude.
    #[must_use]
    pub fn band(&self, kind: SensorKind, frequency: Hertz, amplitude: Accel<Peak>) -> Option<&ScopeBand> {
        self.bands.iter().find(|band| {
            let within = band.from <= frequency && frequency <= band.to;
            let above = band.amplitude_min.is_none_or(|least| amplitude >= least);
            let below = band.amplitude_max.is_none_or(|most| amplitude <= most);
            band.sensors.contains(&kind) && within && above && below
        })
    }

    /// True if it holds on a day.
    #[must_use]
    pub fn in_force(&self, day: Date) -> bool {
        day <= self.valid_until
    }
}
