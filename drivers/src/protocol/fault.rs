//! What goes wrong, on the wire: the error object of JSON-RPC and the way from and to [`DriverError`].

use crate::error::{DriverError, ErrorKind};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The line is no JSON.
pub const PARSE: i64 = -32700;
/// The line is JSON, but no message.
pub const INVALID: i64 = -32600;
/// There is no such method.
pub const NO_METHOD: i64 = -32601;
/// The parameters do not fit the method.
pub const NO_PARAMS: i64 = -32602;
/// An instrument failed; `data` says how. This minus the place of the kind in [`ErrorKind::ALL`].
const INSTRUMENT: i64 = -32001;

/// Longest text that is taken over from the other side.
const TEXT_MAX: usize = 2000;

/// The error object.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Fault {
    /// JSON-RPC's codes, or −32001 down to −32009 for the kinds of `data.kind` in their order.
    pub code: i64,
    /// What happened, with numbers and units, and what to do about it.
    pub message: String,
    /// Which kind of failure of the instrument; absent for JSON-RPC's own codes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub data: Option<FaultData>,
}

/// What follows from a failure is decided by its kind.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct FaultData {
    /// One of timeout, disconnected, busy, out_of_range, unsupported, overload, bad_data, protocol, bug.
    #[schemars(extend("enum" = ErrorKind::ALL.map(ErrorKind::word)))]
    pub kind: String,
}

impl Fault {
    /// One of JSON-RPC's own.
    pub(crate) fn plain(code: i64, message: impl Into<String>) -> Self {
        Self { code, message: message.into(), data: None }
    }

    /// A failure of a kind.
    pub(crate) fn of(kind: ErrorKind, message: impl Into<String>) -> Self {
        let place = ErrorKind::ALL.iter().position(|k| *k == kind).unwrap_or(ErrorKind::ALL.len() - 1);
        let code = INSTRUMENT - i64::try_from(place).unwrap_or(0);
        Self { code, message: message.into(), data: Some(FaultData { kind: kind.word().to_owned() }) }
    }

    /// A mistake in a program.
    pub(crate) fn bug(message: impl Into<String>) -> Self {
        Self::of(ErrorKind::Bug, message)
    }

    /// Which kind it is. The word counts, then the code; what says neither follows no protocol.
    #[must_use]
    pub fn kind(&self) -> ErrorKind {
        let word = self.data.as_ref().map(|d| d.kind.as_str());
        let by_word = word.and_then(|word| ErrorKind::ALL.into_iter().find(|k| k.word() == word));
        let by_code = || {
            let place = usize::try_from(INSTRUMENT.checked_sub(self.code)?).ok()?;
            ErrorKind::ALL.get(place).copied()
        };
        match (by_word, self.code) {
            (Some(kind), _) => kind,
            (None, NO_METHOD) => ErrorKind::Unsupported,
            (None, _) => by_code().unwrap_or(ErrorKind::Protocol),
        }
    }

    /// As an error of an instrument.
    #[must_use]
    pub fn into_error(self, instrument: &str, op: &'static str) -> DriverError {
        let kind = self.kind();
        let detail: String = self.message.chars().take(TEXT_MAX).collect();
        DriverError::new(kind, instrument, op, detail)
    }
}

impl From<&DriverError> for Fault {
    fn from(error: &DriverError) -> Self {
        let mut message = error.detail.clone();
        let mut cause = std::error::Error::source(error);
        while let Some(deeper) = cause {
            message = format!("{message}: {deeper}");
            cause = deeper.source();
        }
        Self::of(error.kind, message)
    }
}

/// What was being done, from the method's name: the part after the last point.
#[must_use]
pub fn op_of(method: &'static str) -> &'static str {
    method.rsplit_once('.').map_or(method, |(_, op)| op)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_comes_back() {
        for (place, kind) in ErrorKind::ALL.into_iter().enumerate() {
            let fault = Fault::from(&DriverError::new(kind, "daq", "start", "3 V"));
            assert_eq!(fault.code, -32001 - place as i64);
            let text = serde_json::to_string(&fault).unwrap();
            let back: Fault = serde_json::from_str(&text).unwrap();
            let error = back.clone().into_error("daq", "start");
            assert_eq!((error.kind, error.detail.as_str()), (kind, "3 V"));
            assert_eq!(Fault { data: None, ..back }.kind(), kind);
        }
        let of = |code| Fault::plain(code, "").kind();
        assert_eq!(
            [of(NO_METHOD), of(PARSE), of(i64::MIN), of(7)],
            [ErrorKind::Unsupported, ErrorKind::Protocol, ErrorKind::Protocol, ErrorKind::Protocol]
        );
    }
}
