//! The envelope: requests, notifications, replies and failures as JSON-RPC 2.0 has them.

use super::calls::Call;
use super::fault::{Fault, INVALID, NO_PARAMS, PARSE};
use crate::error::ErrorKind;
use serde::de::IgnoredAny;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// A message as it came in. What it carries is read from the line by [`params`] and [`result`].
#[derive(Debug)]
pub enum Message<'a> {
    /// Something is asked for.
    Request {
        /// Repeated in the reply.
        id: u64,
        /// What is asked for.
        method: Cow<'a, str>,
    },
    /// Something is said, and no reply is due.
    Notification {
        /// What is said.
        method: Cow<'a, str>,
    },
    /// What was asked for was done.
    Reply {
        /// Of which request.
        id: u64,
    },
    /// What was asked for was not done.
    Failure {
        /// Of which request; absent where the other side could not tell.
        id: Option<u64>,
        /// Why not.
        error: Fault,
    },
}

#[derive(Deserialize)]
struct Envelope<'a> {
    #[serde(borrow)]
    jsonrpc: Cow<'a, str>,
    id: Option<u64>,
    #[serde(borrow)]
    method: Option<Cow<'a, str>>,
    params: Option<IgnoredAny>,
    result: Option<IgnoredAny>,
    error: Option<Fault>,
}

/// Reads a line's envelope.
///
/// # Errors
/// What is wrong with it, ready to be sent back.
pub fn parse(line: &[u8]) -> Result<Message<'_>, Fault> {
    // A list of the same members in their order would do for the reader, but is no message.
    if line.trim_ascii_start().first() == Some(&b'[') {
        return Err(Fault::plain(INVALID, "the line is a list; batches are not taken"));
    }
    let text = std::str::from_utf8(line)
        .map_err(|error| Fault::plain(PARSE, format!("the line is no UTF-8: {error}")))?;
    let envelope: Envelope<'_> = serde_json::from_str(text).map_err(|error| {
        let code = if error.is_data() { INVALID } else { PARSE };
        Fault::plain(code, format!("the line is no message: {error}"))
    })?;
    if envelope.jsonrpc != "2.0" {
        return Err(Fault::plain(INVALID, "\"jsonrpc\" has to be \"2.0\""));
    }
    let Envelope { id, method, params, result, error, .. } = envelope;
    match (method, id, result, error) {
        (Some(method), Some(id), None, None) => Ok(Message::Request { id, method }),
        (Some(method), None, None, None) => Ok(Message::Notification { method }),
        (None, Some(id), Some(_), None) if params.is_none() => Ok(Message::Reply { id }),
        (None, id, None, Some(error)) if params.is_none() => Ok(Message::Failure { id, error }),
        _ => Err(Fault::plain(INVALID, "the line is neither request, notification, reply nor failure")),
    }
}

#[derive(Deserialize)]
struct WithParams<T> {
    params: T,
}

#[derive(Deserialize)]
struct WithResult<T> {
    result: T,
}

/// The parameters that a line carries.
///
/// # Errors
/// Where they are missing or of another form.
pub fn params<'a, T: Deserialize<'a>>(line: &'a [u8]) -> Result<T, Fault> {
    match serde_json::from_slice::<WithParams<T>>(line) {
        Ok(with) => Ok(with.params),
        Err(error) => Err(Fault::plain(NO_PARAMS, format!("the parameters can't be read: {error}"))),
    }
}

/// The result that a line carries.
///
/// # Errors
/// Where it is missing or of another form.
pub fn result<'a, T: Deserialize<'a>>(line: &'a [u8]) -> Result<T, Fault> {
    match serde_json::from_slice::<WithResult<T>>(line) {
        Ok(with) => Ok(with.result),
        Err(error) => Err(Fault::of(ErrorKind::Protocol, format!("the result can't be read: {error}"))),
    }
}

#[derive(Serialize)]
struct Out<'a, T> {
    jsonrpc: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    id: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    method: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    params: Option<&'a T>,
    #[serde(skip_serializing_if = "Option::is_none")]
    result: Option<&'a T>,
}

impl<T: Serialize> Out<'_, T> {
    fn line(&self) -> Result<Vec<u8>, Fault> {
        let mut line = serde_json::to_vec(self).map_err(|e| Fault::bug(e.to_string()))?;
        if line.len() > super::LINE_MAX {
            return Err(Fault::bug(format!("a message of {} bytes is too long for a line", line.len())));
        }
        line.push(b'\n');
        Ok(line)
    }
}

/// The line of a request.
///
/// # Errors
/// Where it would be too long.
pub fn request<C: Call>(id: u64, params: &C) -> Result<Vec<u8>, Fault> {
    Out { jsonrpc: "2.0", id: Some(id), method: Some(C::METHOD), params: Some(params), result: None }.line()
}

/// The line of a notification.
///
/// # Errors
/// Where it would be too long.
pub fn notification(method: &str, params: &impl Serialize) -> Result<Vec<u8>, Fault> {
    Out { jsonrpc: "2.0", id: None, method: Some(method), params: Some(params), result: None }.line()
}

/// The line of a reply.
///
/// # Errors
/// Where it would be too long.
pub fn reply(id: u64, result: &impl Serialize) -> Result<Vec<u8>, Fault> {
    Out { jsonrpc: "2.0", id: Some(id), method: None, params: None, result: Some(result) }.line()
}

/// The line of a failure; `id` is null where the request's could not be read.
#[must_use]
pub fn failure(id: Option<u64>, error: &Fault) -> Vec<u8> {
    let mut line = serde_json::json!({ "jsonrpc": "2.0", "id": id, "error": error }).to_string().into_bytes();
    line.push(b'\n');
    line
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_message_says_why() {
        let wrong = |text: &str| parse(text.as_bytes()).unwrap_err();
        for (text, code) in [
            ("", PARSE),
            ("{", PARSE),
            ("hello", PARSE),
            ("[]", INVALID),
            ("[\"2.0\",1,\"hello\",null,null,null]", INVALID),
            ("{\"jsonrpc\":\"2.0\"}", INVALID),
            ("{\"jsonrpc\":\"1.0\",\"id\":1,\"method\":\"hello\"}", INVALID),
            ("{\"jsonrpc\":\"2.0\",\"id\":-1,\"method\":\"hello\"}", INVALID),
            ("{\"jsonrpc\":\"2.0\",\"id\":1,\"result\":{},\"error\":{\"code\":1,\"message\":\"\"}}", INVALID),
            ("{\"jsonrpc\":\"2.0\",\"id\":1,\"id\":2,\"result\":{}}", INVALID),
            ("{\"jsonrpc\":\"2.0\",\"id\":1,\"result\":null}", INVALID),
        ] {
            assert_eq!(wrong(text).code, code, "{text}");
        }
        assert!(parse(b"{\"jsonrpc\":\"2.0\",\"id\":1,\"result\":{\"\xff\":1}}").is_err());
    }

    #[test]
    fn what_is_written_can_be_read() {
        let line = reply(7, &serde_json::json!({ "on": true })).unwrap();
        assert!(matches!(parse(line.trim_ascii_end()), Ok(Message::Reply { id: 7 })));
        assert!(result::<crate::protocol::Output>(&line).unwrap().on);
        assert_eq!(params::<crate::protocol::Done>(&line).unwrap_err().code, NO_PARAMS);
        let line = failure(None, &Fault::plain(PARSE, "no"));
        assert!(
            matches!(parse(line.trim_ascii_end()), Ok(Message::Failure { id: None, error }) if error.code == PARSE)
        );
    }
}
