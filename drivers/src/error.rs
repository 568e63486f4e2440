//! The one error at the driver boundary, and the one place that decides what follows from it.

use std::error::Error;
use std::fmt;

/// Why an instrument did not do what it was asked to. Each kind exists because what follows from it differs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[non_exhaustive]
pub enum ErrorKind {
    /// No answer within the time allowed.
    Timeout,
    /// The link is gone.
    Disconnected,
    /// The instrument is occupied and says so.
    Busy,
    /// A value that the instrument can't take, or beyond the ceiling of the permit.
    OutOfRange,
    /// The instrument has no such function.
    Unsupported,
    /// The instrument reports an overload.
    Overload,
    /// An answer that can't be true.
    BadData,
    /// An answer that does not follow the protocol.
    Protocol,
    /// A mistake in the program.
    Bug,
}

impl ErrorKind {
    /// All kinds.
    pub const ALL: [Self; 9] = [
        Self::Timeout,
        Self::Disconnected,
        Self::Busy,
        Self::OutOfRange,
        Self::Unsupported,
        Self::Overload,
        Self::BadData,
        Self::Protocol,
        Self::Bug,
    ];

    /// The word in records and on the wire.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Timeout => "timeout",
            Self::Disconnected => "disconnected",
            Self::Busy => "busy",
            Self::OutOfRange => "out_of_range",
            Self::Unsupported => "unsupported",
            Self::Overload => "overload",
            Self::BadData => "bad_data",
            Self::Protocol => "protocol",
            Self::Bug => "bug",
        }
    }
}

/// What went wrong with an instrument.
#[derive(Debug)]
pub struct DriverError {
    /// Which kind; decides what follows.
    pub kind: ErrorKind,
    /// Name of the instrument in the rig file.
    pub instrument: String,
    /// What was being done.
    pub op: &'static str,
    /// What happened, with numbers and units.
    pub detail: String,
    /// What caused it.
    pub source: Option<Box<dyn Error + Send + Sync>>,
}

impl DriverError {
    /// An error without a deeper cause.
    #[must_use]
    pub fn new(kind: ErrorKind, instrument: &str, op: &'static str, detail: impl Into<String>) -> Self {
        Self { kind, instrument: instrument.to_owned(), op, detail: detail.into(), source: None }
    }
}

impl fmt::Display for DriverError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {} failed ({}): {}", self.instrument, self.op, self.kind.word(), self.detail)
    }
}

impl Error for DriverError {
    fn source(&self) -> Option<&(dyn Error + 'static)> {
        self.source.as_deref().map(|e| e as &(dyn Error + 'static))
    }
}

/// What the run is doing when an instrument fails.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stage {
    /// Instruments are being opened; nothing is energised.
    Opening,
    /// Energised at zero drive.
    AtRest,
    /// The armature moves towards a point.
    Settling,
    /// A point is measured.
    Measuring,
    /// The armature is being brought to rest.
    Stopping,
}

/// What follows from a failure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Policy {
    /// Try again, at most this often; then as the same failure with no tries left: fail the run.
    Retry(u8),
    /// Reject the point and go on.
    RejectPoint,
    /// End the run in good order.
    FailRun,
    /// Withdraw leave, make safe, latch.
    Trip,
}

/// What follows from a failure of `kind` while the run is in `stage`. The only place that decides this.
///
/// While the armature moves, an instrument whose state is unknown (no answer, wrong answer, lost) is a trip.
#[must_use]
pub fn policy(kind: ErrorKind, stage: Stage) -> Policy {
    use ErrorKind as K;
    use Stage as S;
    match (kind, stage) {
        (K::Bug, _) => Policy::Trip,
        (_, S::Stopping) => Policy::Trip,
        (K::Busy, S::Opening | S::AtRest) => Policy::Retry(3),
        (K::Busy, S::Settling | S::Measuring) => Policy::Retry(1),
        (K::Timeout, S::Opening | S::AtRest) => Policy::Retry(1),
        (K::OutOfRange, S::Settling | S::Measuring) => Policy::RejectPoint,
        (K::Overload, S::Settling | S::Measuring) => Policy::Trip,
        (K::Unsupported, _) => Policy::FailRun,
        (_, S::Opening | S::AtRest) => Policy::FailRun,
        (_, S::Settling | S::Measuring) => Policy::Trip,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn policy_table() {
        let stages = [Stage::Opening, Stage::AtRest, Stage::Settling, Stage::Measuring, Stage::Stopping];
        let mut table = format!("{:13}", "");
        for stage in stages {
            table.push_str(&format!("{:13}", format!("{stage:?}")));
        }
        for kind in ErrorKind::ALL {
            table.push_str(&format!("\n{:13}", kind.word()));
            for stage in stages {
                table.push_str(&format!("{:13}", format!("{:?}", policy(kind, stage))));
            }
        }
        let lines: Vec<&str> = table.lines().map(str::trim_end).collect();
        insta::assert_snapshot!(lines.join("\n"));
    }
}
