//! Why a record can't be estimated at all. A bad but possible measurement is no error: its figures tell.

use plan_schema::units::{Hertz, SamplesPerSecond, Seconds};
use std::fmt;

/// What keeps a record from being estimated.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum EstimateError {
    /// No channel was handed in.
    NoChannels,
    /// The reference is not among the channels.
    NoSuchReference {
        /// Position asked for.
        reference: usize,
        /// Number of channels.
        channels: usize,
    },
    /// Another number of channels than the fit was made for.
    OtherChannels {
        /// Channels handed in.
        channels: usize,
        /// Channels of the fit.
        expected: usize,
    },
    /// A time constant is shorter than a sample, or no number.
    DecayOutOfRange {
        /// Position of the channel.
        channel: usize,
        /// Time constant asked for.
        constant: Seconds,
    },
    /// A channel is shorter or longer than the first.
    UnequalChannels {
        /// Position of the channel.
        channel: usize,
        /// Its samples.
        samples: usize,
        /// Samples of the first channel.
        expected: usize,
    },
    /// The number of harmonics is zero; the fundamental is the first.
    NoHarmonics,
    /// The frequency is not between zero and 0.45 of the sample rate.
    FrequencyOutOfRange {
        /// Frequency of the fundamental.
        frequency: Hertz,
        /// Sample rate.
        rate: SamplesPerSecond,
    },
    /// Less than one cycle.
    TooFewCycles {
        /// Cycles in the record.
        cycles: f64,
    },
    /// Fewer samples than the model needs.
    TooFewSamples {
        /// Samples in the record.
        samples: usize,
        /// Samples needed.
        needed: usize,
    },
    /// The terms of the model can't be told apart on these samples.
    RankDeficient {
        /// Samples fitted.
        samples: usize,
        /// Terms of the model.
        terms: usize,
    },
    /// A sample is infinite or not a number.
    NotFinite {
        /// Position of the channel.
        channel: usize,
        /// First such sample, from the start of the record.
        sample: usize,
    },
    /// The fundamental of the reference does not stand out of its residual.
    ReferenceSilent {
        /// Amplitude found, V peak.
        amplitude: f64,
        /// Its standard uncertainty, V.
        uncertainty: f64,
    },
    /// The reference moves at another frequency than was asked for.
    FrequencyOff {
        /// Frequency measured on the reference.
        measured: Hertz,
        /// Frequency asked for.
        nominal: Hertz,
        /// Largest difference allowed.
        allowed: Hertz,
    },
}

impl fmt::Display for EstimateError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoChannels => write!(f, "there is no channel to estimate"),
            Self::NoSuchReference { reference, channels } => {
                write!(
                    f,
                    "the reference should be channel {reference}, but there are {channels} (counted from 0)"
                )
            }
            Self::OtherChannels { channels, expected } => {
                write!(f, "{channels} channels were handed in to a fit of {expected}")
            }
            Self::DecayOutOfRange { channel, constant } => {
                write!(
                    f,
                    "a decay of {:.3e} s on channel {channel} can't be fitted: it must last a sample at least",
                    constant.si()
                )
            }
            Self::UnequalChannels { channel, samples, expected } => {
                write!(f, "channel {channel} has {samples} samples where the first has {expected}")
            }
            Self::NoHarmonics => write!(f, "the model has no harmonic; the fundamental is the first"),
            Self::FrequencyOutOfRange { frequency, rate } => {
                write!(
                    f,
                    "{frequency} can't be fitted at {rate}: it must lie between 0 and 0.45 of the sample rate"
                )
            }
            Self::TooFewCycles { cycles } => {
                write!(f, "the record holds {cycles:.3} cycles; at least one is needed")
            }
            Self::TooFewSamples { samples, needed } => {
                write!(f, "the record holds {samples} samples; the model needs {needed}")
            }
            Self::RankDeficient { samples, terms } => {
                write!(
                    f,
                    "the {terms} terms of the model can't be told apart on {samples} samples; fit fewer or record longer"
                )
            }
            Self::NotFinite { channel, sample } => {
                write!(f, "sample {sample} of channel {channel} is no number")
            }
            Self::ReferenceSilent { amplitude, uncertainty } => write!(
                f,
                "the reference shows {amplitude:.3e} V peak at this frequency with a standard uncertainty of {uncertainty:.3e} V: no motion, motion at another frequency, or noise above it"
            ),
            Self::FrequencyOff { measured, nominal, allowed } => write!(
                f,
                "the reference moves at {:.6} Hz where {:.6} Hz was asked for; {:.2e} Hz is allowed",
                measured.si(),
                nominal.si(),
                allowed.si()
            ),
        }
    }
}

impl std::error::Error for EstimateError {}
