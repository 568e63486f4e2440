//! The client's side of the daemon's socket: one request, one answer; and the stream of news.
//!
//! Owns the wire only. Must not print, and must not know what an answer means.

mod stream;

pub use stream::Stream;

use http_body_util::{BodyExt, Full};
use hyper::body::{Bytes, Incoming};
use hyper::client::conn::http1::{SendRequest, handshake};
use hyper::header::{CONTENT_TYPE, HOST};
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::TokioIo;
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::fmt;
use std::io;
use std::path::{Path, PathBuf};
use tokio::net::UnixStream;
use tokio::runtime::Runtime;

/// Where everything is asked.
const BASE: &str = "/api/v1";

/// Header of a client's own word for a submission.
const KEY: &str = "idempotency-key";

/// Why there is no answer that can be used.
#[derive(Debug)]
pub enum ClientError {
    /// Nobody listens there.
    Nobody(PathBuf, io::Error),
    /// The connection broke, or the answer can't be understood.
    Broken(String),
    /// The daemon says no.
    Refused {
        /// HTTP status.
        status: u16,
        /// In words.
        detail: String,
    },
}

impl fmt::Display for ClientError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Nobody(path, error) => write!(
                f,
                "no daemon answers at {} ({error}); start one with 'calwright serve', or name its socket with --socket",
                path.display()
            ),
            Self::Broken(what) => write!(f, "the daemon's answer can't be used: {what}"),
            Self::Refused { detail, .. } => f.write_str(detail),
        }
    }
}

impl std::error::Error for ClientError {}

fn broken(error: impl fmt::Display) -> ClientError {
    ClientError::Broken(error.to_string())
}

/// A client of one daemon.
#[derive(Debug)]
pub struct Client {
    socket: PathBuf,
    runtime: Runtime,
}

impl Client {
    /// A client of the daemon at a socket; nothing is opened yet.
    ///
    /// # Errors
    /// Of the operating system.
    pub fn new(socket: &Path) -> io::Result<Self> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        Ok(Self { socket: socket.to_owned(), runtime })
    }

    /// Asks for something.
    ///
    /// # Errors
    /// See [`ClientError`].
    pub fn get<T: DeserializeOwned>(&self, path: &str) -> Result<T, ClientError> {
        let bytes = self.runtime.block_on(self.whole(Method::GET, path, None, Bytes::new()))?;
        serde_json::from_slice(&bytes).map_err(broken)
    }

    /// Wants something done; `None` where the answer has no words.
    ///
    /// # Errors
    /// See [`ClientError`].
    pub fn post<T: DeserializeOwned>(
        &self,
        path: &str,
        body: &impl Serialize,
    ) -> Result<Option<T>, ClientError> {
        self.post_with(path, body, None)
    }

    /// The same with a word of the client's own: sent once more where the answer was lost, it is done once.
    ///
    /// # Errors
    /// See [`ClientError`].
    pub fn post_once<T: DeserializeOwned>(
        &self,
        path: &str,
        body: &impl Serialize,
        key: &str,
    ) -> Result<Option<T>, ClientError> {
        match self.post_with(path, body, Some(key)) {
            Err(ClientError::Broken(_)) => self.post_with(path, body, Some(key)),
            other => other,
        }
    }

    fn post_with<T: DeserializeOwned>(
        &self,
        path: &str,
        body: &impl Serialize,
        key: Option<&str>,
    ) -> Result<Option<T>, ClientError> {
        let body = serde_json::to_vec(body).map_err(broken)?;
        let bytes = self.runtime.block_on(self.whole(Method::POST, path, key, body.into()))?;
        if bytes.is_empty() {
            return Ok(None);
        }
        serde_json::from_slice(&bytes).map(Some).map_err(broken)
    }

    /// The stream of news from now on.
    ///
    /// # Errors
    /// See [`ClientError`].
    pub fn news(&self) -> Result<Stream<'_>, ClientError> {
        let answer = self.runtime.block_on(self.asked(Method::GET, "/news", None, Bytes::new()))?;
        Ok(Stream::new(&self.runtime, answer))
    }

    async fn connected(&self) -> Result<SendRequest<Full<Bytes>>, ClientError> {
        let stream = UnixStream::connect(&self.socket)
            .await
            .map_err(|error| ClientError::Nobody(self.socket.clone(), error))?;
        let (sender, connection) = handshake(TokioIo::new(stream)).await.map_err(broken)?;
        tokio::spawn(async move {
            // What went wrong with it shows at the request.
            let _ = connection.await;
        });
        Ok(sender)
    }

    async fn asked(
        &self,
        method: Method,
        path: &str,
        key: Option<&str>,
        body: Bytes,
    ) -> Result<Response<Incoming>, ClientError> {
        let mut sender = self.connected().await?;
        let mut request =
            Request::builder().method(method).uri(format!("{BASE}{path}")).header(HOST, "localhost");
        if !body.is_empty() {
            request = request.header(CONTENT_TYPE, "application/json");
        }
        if let Some(key) = key {
            request = request.header(KEY, key);
        }
        let request = request.body(Full::new(body)).map_err(broken)?;
        let answer = sender.send_request(request).await.map_err(broken)?;
        if answer.status().is_success() {
            return Ok(answer);
        }
        let status = answer.status();
        let bytes = answer.into_body().collect().await.map_err(broken)?.to_bytes();
        Err(ClientError::Refused { status: status.as_u16(), detail: detail(status, &bytes) })
    }

    async fn whole(
        &self,
        method: Method,
        path: &str,
        key: Option<&str>,
        body: Bytes,
    ) -> Result<Bytes, ClientError> {
        let answer = self.asked(method, path, key, body).await?;
        Ok(answer.into_body().collect().await.map_err(broken)?.to_bytes())
    }
}

/// What a problem says.
fn detail(status: StatusCode, bytes: &[u8]) -> String {
    let problem: Option<serde_json::Value> = serde_json::from_slice(bytes).ok();
    let said = problem.as_ref().and_then(|p| p.get("detail")?.as_str()).filter(|d| !d.is_empty());
    said.map_or_else(|| format!("the daemon answered {status}"), str::to_owned)
}

/// A part of a path, so that whatever a person wrote stays one part.
#[must_use]
pub fn part(text: &str) -> String {
    let mut out = String::new();
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'_' | b'.' | b'~') {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_part_stays_one_part() {
        assert_eq!(part("low-frequency-7.2"), "low-frequency-7.2");
        assert_eq!(part("a/b?ü"), "a%2Fb%3F%C3%BC");
    }

    #[test]
    fn problems_are_told_in_their_own_words() {
        let body = br#"{"type":"urn:x","status":409,"detail":"job 3 is over"}"#;
        assert_eq!(detail(StatusCode::CONFLICT, body), "job 3 is over");
        assert_eq!(detail(StatusCode::BAD_GATEWAY, b"<html>"), "the daemon answered 502 Bad Gateway");
    }
}
