//! The error queue of SCPI-99: read after every setting, so that a setting that was refused does not pass for taken.

use crate::built_in::link::lane::MAKE_SAFE;
use crate::built_in::link::number::shorten;
use crate::built_in::link::talk::Talk;
use crate::error::{DriverError, ErrorKind};

/// Most entries that are read: a queue is finite, and one that never empties is broken.
const ENTRIES_MAX: usize = 32;

/// Sends a command and reads the error queue, where there is a question for it.
///
/// # Errors
/// Where the instrument does not answer, or says that it did not take the command.
pub(super) async fn set(
    talk: &mut Talk,
    op: &'static str,
    command: &str,
    queue: Option<&str>,
) -> Result<(), DriverError> {
    let Some(queue) = queue else {
        return talk.tell(op, command).await;
    };
    let answer = talk.tell_and_ask(op, command, queue).await?;
    read_on(talk, op, command, queue, answer).await
}

/// Reads the error queue, where there is a question for it: what a command brings about may fail after it was taken.
///
/// # Errors
/// As [`set`].
pub(super) async fn check(
    talk: &mut Talk,
    op: &'static str,
    command: &str,
    queue: Option<&str>,
) -> Result<(), DriverError> {
    let Some(queue) = queue else { return Ok(()) };
    let answer = talk.ask(op, queue).await?;
    read_on(talk, op, command, queue, answer).await
}

/// Reads the rest of the queue behind its first entry; what makes safe has no time for more than that one.
async fn read_on(
    talk: &mut Talk,
    op: &'static str,
    command: &str,
    queue: &str,
    mut answer: String,
) -> Result<(), DriverError> {
    let mut found = Vec::new();
    for _ in 0..ENTRIES_MAX {
        match entry(&answer) {
            Ok(None) => return conclude(talk, op, command, &found),
            Ok(Some(error)) if op == MAKE_SAFE => return conclude(talk, op, command, &[error]),
            Ok(Some(error)) => found.push(error),
            Err(detail) => return Err(talk.wrong(ErrorKind::Protocol, op, detail)),
        }
        answer = talk.ask(op, queue).await?;
    }
    Err(talk.wrong(
        ErrorKind::Protocol,
        op,
        format!("its error queue does not empty: '{}'", shorten(&answer)),
    ))
}

/// Empties the error queue of what came before; returns what was in it.
///
/// # Errors
/// Where the instrument does not answer as it should.
pub(super) async fn clear(
    talk: &mut Talk,
    op: &'static str,
    queue: &str,
) -> Result<Vec<String>, DriverError> {
    let mut found = Vec::new();
    for _ in 0..ENTRIES_MAX {
        let answer = talk.ask(op, queue).await?;
        match entry(&answer) {
            Ok(None) => return Ok(found),
            Ok(Some((code, text))) => found.push(format!("{code} {text}")),
            Err(detail) => return Err(talk.wrong(ErrorKind::Protocol, op, detail)),
        }
    }
    Err(talk.wrong(ErrorKind::Protocol, op, format!("its error queue does not empty: {}", found.join(", "))))
}

fn conclude(
    talk: &Talk,
    op: &'static str,
    command: &str,
    found: &[(i32, String)],
) -> Result<(), DriverError> {
    let Some((first, _)) = found.first() else {
        return Ok(());
    };
    // SCPI-99 volume 2, 21.8: -1xx is an error of the command, -2xx of its execution, -3xx and above 0 of the device.
    let kind = match first {
        -299..=-200 => ErrorKind::OutOfRange,
        -199..=-100 => ErrorKind::Unsupported,
        _ => ErrorKind::BadData,
    };
    let said: Vec<String> = found.iter().map(|(code, text)| format!("{code} {text}")).collect();
    Err(talk.wrong(kind, op, format!("it did not take '{}': {}", shorten(command), said.join("; "))))
}

/// An entry of the queue: `<code>,"<text>"`; `None` for code 0.
fn entry(answer: &str) -> Result<Option<(i32, String)>, String> {
    let (code, text) = answer.split_once(',').unwrap_or((answer, ""));
    match code.trim().parse::<i32>() {
        Ok(0) => Ok(None),
        Ok(code) => Ok(Some((code, shorten(text.trim().trim_matches('"'))))),
        Err(_) => Err(format!("'{}' is no entry of an error queue", shorten(answer))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn entries_of_the_queue() {
        assert_eq!(entry("0,\"No error\""), Ok(None));
        assert_eq!(entry("+0"), Ok(None));
        let refused = entry("-222,\"Data out of range; SOUR1:VOLT\"").unwrap().unwrap();
        assert_eq!(refused, (-222, "Data out of range; SOUR1:VOLT".to_owned()));
        assert!(entry("No error").is_err() && entry("").is_err());
    }
}
