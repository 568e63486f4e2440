//! What may be said against a measurement, with numbers, for people and for records.
//!
//! Owns: the kinds and the shape of a finding. Must not: judge; `quality`, `first_motion` and `evaluate` do.

/// What may be found about a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum FindingKind {
    /// The amplitude did not settle in time.
    NotSettled,
    /// Samples at the end of the range.
    Clipped,
    /// The instrument reported an overload.
    Overload,
    /// The noise is too large.
    Noise,
    /// The distortion is too large.
    Distortion,
    /// Mains hum.
    Hum,
    /// The model leaves too much over.
    Residual,
    /// A sensor does not answer.
    SensorOpen,
    /// A sensor answers with the wrong sign.
    Polarity,
    /// A sensor is not what the register says.
    RegisterMismatch,
    /// Repeats disagree.
    RepeatDisagrees,
    /// The set-up drifted.
    SetupDrift,
    /// Ambient conditions were out of limits.
    AmbientOut,
    /// The reference was not measured through the sensor's channel, or it can't be told that it was.
    NotSubstituted,
}

impl FindingKind {
    /// The word in records.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::NotSettled => "not_settled",
            Self::Clipped => "clipped",
            Self::Overload => "overload",
            Self::Noise => "noise",
            Self::Distortion => "distortion",
            Self::Hum => "hum",
            Self::Residual => "residual",
            Self::SensorOpen => "sensor_open",
            Self::Polarity => "polarity",
            Self::RegisterMismatch => "register_mismatch",
            Self::RepeatDisagrees => "repeat_disagrees",
            Self::SetupDrift => "setup_drift",
            Self::AmbientOut => "ambient_out",
            Self::NotSubstituted => "not_substituted",
        }
    }
}

/// Something that makes a point unusable.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What.
    pub kind: FindingKind,
    /// For people, with numbers.
    pub message: String,
    /// What was seen.
    pub value: Option<f64>,
    /// What would have been allowed.
    pub limit: Option<f64>,
    /// Unit of both, by the suffixes of the record.
    pub unit: Option<&'static str>,
    /// The column it concerns; `None` or the reference's: every sensor.
    pub column: Option<usize>,
}

impl Finding {
    /// A finding with a figure, its limit and their unit, about one column or about all.
    #[must_use]
    pub fn beyond(
        kind: FindingKind,
        column: Option<usize>,
        value: f64,
        limit: f64,
        unit: &'static str,
        message: String,
    ) -> Self {
        Self { kind, message, value: Some(value), limit: Some(limit), unit: Some(unit), column }
    }

    /// A finding that has no figure.
    #[must_use]
    pub fn plain(kind: FindingKind, column: Option<usize>, message: impl Into<String>) -> Self {
        Self { kind, message: message.into(), value: None, limit: None, unit: None, column }
    }

    /// True if it speaks about this column or about all of them.
    #[must_use]
    pub fn concerns(&self, column: usize, reference: usize) -> bool {
        self.column.is_none_or(|c| c == column || c == reference)
    }
}
