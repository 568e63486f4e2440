//! One question over HTTP/1.1, header for header as the check wants it, and its answer.

use anyhow::{Context, Result, bail};
use serde_json::Value;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Longest wait for an answer.
const PATIENCE: Duration = Duration::from_secs(20);

#[derive(Debug, Clone)]
enum Way {
    Port(String),
    Socket(PathBuf),
}

/// A question.
#[derive(Debug, Clone)]
pub struct Ask {
    way: Way,
    method: String,
    path: String,
    headers: Vec<(String, String)>,
    body: Vec<u8>,
}

/// An answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// Status.
    pub status: u16,
    /// Headers, names in lower case.
    pub headers: Vec<(String, String)>,
    /// Body.
    pub body: Vec<u8>,
}

impl Ask {
    /// Over a port.
    #[must_use]
    pub fn port(address: &str, method: &str, path: &str) -> Self {
        Self::new(Way::Port(address.to_owned()), method, path).header("Host", address)
    }

    /// Over a socket.
    #[must_use]
    pub fn socket(path: &Path, method: &str, target: &str) -> Self {
        Self::new(Way::Socket(path.to_owned()), method, target).header("Host", "localhost")
    }

    fn new(way: Way, method: &str, path: &str) -> Self {
        Self { way, method: method.to_owned(), path: path.to_owned(), headers: Vec::new(), body: Vec::new() }
    }

    /// With a header in place of one of this name.
    #[must_use]
    pub fn header(mut self, name: &str, value: &str) -> Self {
        self.headers.retain(|(n, _)| !n.eq_ignore_ascii_case(name));
        self.headers.push((name.to_owned(), value.to_owned()));
        self
    }

    /// With a token.
    #[must_use]
    pub fn token(self, token: &str) -> Self {
        self.header("Authorization", &format!("Bearer {token}"))
    }

    /// With a body of JSON.
    #[must_use]
    pub fn json(self, body: &Value) -> Self {
        self.body("application/json", body.to_string().as_bytes())
    }

    /// With a form.
    #[must_use]
    pub fn form(self, body: &str) -> Self {
        self.body("application/x-www-form-urlencoded", body.as_bytes())
    }

    /// With a body.
    #[must_use]
    pub fn body(mut self, media_type: &str, body: &[u8]) -> Self {
        self.body = body.to_vec();
        self.header("Content-Type", media_type)
    }

    /// The answer.
    ///
    /// # Errors
    /// If there is none, or it is none.
    pub fn answer(&self) -> Result<Answer> {
        let mut bytes = Vec::new();
        match &self.way {
            Way::Port(address) => {
                let mut stream = TcpStream::connect(address)?;
                stream.set_read_timeout(Some(PATIENCE))?;
                stream.write_all(&self.bytes())?;
                stream.read_to_end(&mut bytes)?;
            }
            Way::Socket(path) => {
                let mut stream = UnixStream::connect(path)?;
                stream.set_read_timeout(Some(PATIENCE))?;
                stream.write_all(&self.bytes())?;
                stream.read_to_end(&mut bytes)?;
            }
        }
        Answer::of(&bytes)
    }

    fn bytes(&self) -> Vec<u8> {
        let mut head = format!("{} {} HTTP/1.1\r\nConnection: close\r\n", self.method, self.path);
        for (name, value) in &self.headers {
            head.push_str(&format!("{name}: {value}\r\n"));
        }
        if !self.body.is_empty() || self.method != "GET" {
            head.push_str(&format!("Content-Length: {}\r\n", self.body.len()));
        }
        head.push_str("\r\n");
        [head.into_bytes(), self.body.clone()].concat()
    }
}

impl Answer {
    fn of(bytes: &[u8]) -> Result<Self> {
        let cut = bytes.windows(4).position(|w| w == b"\r\n\r\n").context("an answer without a head")?;
        let head = std::str::from_utf8(&bytes[..cut])?;
        let mut lines = head.split("\r\n");
        let status = lines.next().and_then(|l| l.split(' ').nth(1)).context("no status")?.parse()?;
        let headers: Vec<(String, String)> = lines
            .filter_map(|l| l.split_once(':'))
            .map(|(n, v)| (n.to_ascii_lowercase(), v.trim().to_owned()))
            .collect();
        let mut body = bytes[cut + 4..].to_vec();
        if headers.iter().any(|(n, v)| n == "transfer-encoding" && v == "chunked") {
            body = unchunked(&body)?;
        }
        Ok(Self { status, headers, body })
    }

    /// The header of this name.
    #[must_use]
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(n, _)| n == name).map(|(_, v)| v.as_str())
    }

    /// The body as text.
    #[must_use]
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    /// The body as JSON; null where it is none.
    #[must_use]
    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or(Value::Null)
    }

    /// The code of the problem that this is, with its status.
    ///
    /// # Errors
    /// Where it is no problem as RFC 9457 writes it.
    pub fn problem(&self) -> Result<(u16, String)> {
        let json = self.json();
        let whole = self.header("content-type") == Some("application/problem+json")
            && json["status"] == self.status
            && ["type", "title", "detail"].iter().all(|name| json[name].is_string());
        match json["code"].as_str() {
            Some(code) if whole => Ok((self.status, code.to_owned())),
            _ => bail!("{} is answered with no problem: {}", self.status, self.text()),
        }
    }
}

fn unchunked(mut rest: &[u8]) -> Result<Vec<u8>> {
    let mut body = Vec::new();
    loop {
        let end = rest.windows(2).position(|w| w == b"\r\n").context("a piece without its length")?;
        let length = usize::from_str_radix(std::str::from_utf8(&rest[..end])?.trim(), 16)?;
        let piece = rest.get(end + 2..end + 2 + length).context("a piece was cut off")?;
        if length == 0 {
            return Ok(body);
        }
        body.extend(piece);
        rest = rest.get(end + 4 + length..).context("a piece was cut off")?;
    }
}
