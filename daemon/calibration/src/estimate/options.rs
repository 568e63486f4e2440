//! What a dwell is fitted with.

use plan_schema::units::{Fraction, Hertz, SampleCount, Seconds};

/// How the frequency is found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FrequencySearch {
    /// Measure it on the reference.
    Measure {
        /// How far the frequency may lie from the nominal one: a relative limit. A record that does not tell the
        /// frequency better than this (a third of it as standard uncertainty) leaves the start in force, since
        /// fitting a frequency that is known better costs certainty of the phase (Andersson and Händel's rule of
        /// parsimony).
        within: Fraction,
    },
    /// Use the start as exact: one clock for source and acquisition, or a ratio that is known.
    Nominal,
}

/// What [`dwell`](super::dwell) fits.
#[derive(Debug, Clone, PartialEq)]
pub struct DwellOptions {
    /// Harmonics, the fundamental being the first; at least 1. Those above 0.45 of the sample rate are dropped.
    pub harmonics: u32,
    /// Whether a straight line over the dwell is fitted.
    pub drift: bool,
    /// How the frequency is found.
    pub frequency: FrequencySearch,
    /// Frequency that was asked for, against which the measured one is held. `None`: the start.
    pub nominal: Option<Hertz>,
    /// Segments wanted in `base`; with fewer cycles, one for each cycle.
    pub segments: usize,
    /// The shortest length that an answer is asked for: it decides how long the segments are. `None`: the longest.
    pub base: Option<SampleCount>,
    /// Frequency of the mains as it was measured, for its lines to be fitted where
    /// [`fitted`](plan_schema::mains::fitted) says that they can be. `None`: none is fitted.
    pub mains: Option<Hertz>,
    /// For each channel the time constant of a decay that is under way when the dwell begins (an AC-coupled input after
    /// a change). A channel without an entry has none.
    pub decays: Vec<Option<Seconds>>,
}

impl Default for DwellOptions {
    /// Five harmonics, drift, frequency within 0.1 %, ten segments; no mains, no decay.
    fn default() -> Self {
        Self {
            harmonics: 5,
            drift: true,
            frequency: FrequencySearch::Measure { within: Fraction::new(1e-3) },
            nominal: None,
            segments: 10,
            base: None,
            mains: None,
            decays: Vec::new(),
        }
    }
}

impl DwellOptions {
    /// How far the frequency may be off, a share; zero if it is not measured.
    pub(super) fn within(&self) -> f64 {
        match self.frequency {
            FrequencySearch::Measure { within } => within.si(),
            FrequencySearch::Nominal => 0.0,
        }
    }
}
