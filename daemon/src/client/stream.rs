//! Server-sent events, as far as the daemon sends them: an event ends with an empty line, its data are JSON.

use super::{ClientError, broken};
use crate::serve::words::News;
use http_body_util::BodyExt;
use hyper::Response;
use hyper::body::Incoming;
use tokio::runtime::Runtime;

/// News, one after the other.
#[derive(Debug)]
pub struct Stream<'a> {
    runtime: &'a Runtime,
    body: Incoming,
    lines: Lines,
}

impl<'a> Stream<'a> {
    pub(super) fn new(runtime: &'a Runtime, answer: Response<Incoming>) -> Self {
        Self { runtime, body: answer.into_body(), lines: Lines::default() }
    }

    /// The next piece of news; `None` when the daemon ends the stream.
    ///
    /// # Errors
    /// Where the connection breaks, or what comes can't be understood.
    pub fn heard(&mut self) -> Result<Option<News>, ClientError> {
        loop {
            if let Some(data) = self.lines.event() {
                return serde_json::from_str(&data).map(Some).map_err(broken);
            }
            match self.runtime.block_on(self.body.frame()) {
                Some(frame) => {
                    if let Ok(bytes) = frame.map_err(broken)?.into_data() {
                        self.lines.take(&bytes);
                    }
                }
                None => return Ok(None),
            }
        }
    }
}

/// Bytes on their way to events.
#[derive(Debug, Default)]
struct Lines {
    bytes: Vec<u8>,
    data: Vec<String>,
    /// What comes only says that the connection is there.
    alive: bool,
}

impl Lines {
    fn take(&mut self, bytes: &[u8]) {
        self.bytes.extend_from_slice(bytes);
    }

    /// The data of the next whole event that tells something.
    fn event(&mut self) -> Option<String> {
        while let Some(end) = self.bytes.iter().position(|b| *b == b'\n') {
            let line: Vec<u8> = self.bytes.drain(..=end).collect();
            let line = String::from_utf8_lossy(&line);
            let line = line.trim_end_matches(['\n', '\r']);
            if line.is_empty() {
                let data = std::mem::take(&mut self.data);
                if !std::mem::take(&mut self.alive) && !data.is_empty() {
                    return Some(data.join("\n"));
                }
            } else if line.strip_prefix("event:").is_some_and(|kind| kind.trim() == "alive") {
                self.alive = true;
            } else if let Some(data) = line.strip_prefix("data:") {
                self.data.push(data.strip_prefix(' ').unwrap_or(data).to_owned());
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SAID: &str = ": remark\n\nevent: alive\ndata: {}\n\nid: 4\nevent: queue\ndata: {\"a\":\ndata: 1}\n\nid: 5\r\ndata:x\r\n\r\ndata: half";

    proptest! {
        #[test]
        fn events_come_whole_however_they_are_cut(cuts in proptest::collection::vec(1usize..9, 1..60)) {
            let (mut lines, mut rest, mut events) = (Lines::default(), SAID.as_bytes(), Vec::new());
            for cut in cuts.iter().cycle() {
                let (now, later) = rest.split_at((*cut).min(rest.len()));
                lines.take(now);
                while let Some(event) = lines.event() {
                    events.push(event);
                }
                rest = later;
                if rest.is_empty() { break; }
            }
            prop_assert_eq!(events, ["{\"a\":\n1}", "x"]);
        }
    }
}
