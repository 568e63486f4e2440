//! Peers for tests: real sockets and pseudo-terminals.

use super::{Ending, Flow, Link, Parity};
use plan_schema::units::Seconds;
use std::sync::Arc;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpListener;
use tokio_serial::SerialStream;

/// A peer that listens on loopback until it is dropped.
pub(crate) struct Peer {
    pub(crate) address: String,
    task: tokio::task::JoinHandle<()>,
}

impl Drop for Peer {
    fn drop(&mut self) {
        self.task.abort();
    }
}

impl Peer {
    /// Answers each line with a line, or not at all.
    pub(crate) async fn lines(answer: impl Fn(&str) -> Option<String> + Send + Sync + 'static) -> Self {
        Self::bytes(move |line| answer(line).map(|a| format!("{a}\n").into_bytes()).unwrap_or_default()).await
    }

    /// Answers each line with bytes.
    pub(crate) async fn bytes(answer: impl Fn(&str) -> Vec<u8> + Send + Sync + 'static) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap().to_string();
        let answer = Arc::new(answer);
        let task = tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let answer = answer.clone();
                tokio::spawn(async move {
                    let mut stream = BufReader::new(stream);
                    let mut line = String::new();
                    while stream.read_line(&mut line).await.unwrap_or(0) > 0 {
                        let bytes = answer(line.trim());
                        if stream.get_mut().write_all(&bytes).await.is_err() {
                            return;
                        }
                        line.clear();
                    }
                });
            }
        });
        Self { address, task }
    }
}

/// A link with every setting at its default.
pub(crate) fn any_link(timeout_ms: u32) -> Link {
    Link {
        tcp: None,
        serial: None,
        usbtmc: None,
        baud: 9600,
        parity: Parity::None,
        data_bits: 8,
        stop_bits: 1,
        flow: Flow::None,
        unit: 1,
        ending: Ending::Lf,
        timeout: Seconds::new(f64::from(timeout_ms) / 1000.0),
        opening: Seconds::new(2.0),
        retries: 1,
    }
}

/// A link over TCP.
pub(crate) fn tcp_link(address: &str, timeout_ms: u32) -> Link {
    Link { tcp: Some(address.to_owned()), ..any_link(timeout_ms) }
}

/// A link over a pseudo-terminal, its far end, and what keeps the line alive while nobody has it open.
pub(crate) fn line_link(timeout_ms: u32) -> (Link, SerialStream, std::fs::File) {
    let (far, near) = SerialStream::pair().unwrap();
    let path = tokio_serial::SerialPort::name(&near).unwrap();
    let keeper = std::fs::OpenOptions::new().read(true).write(true).open(&path).unwrap();
    (Link { serial: Some(path), ..any_link(timeout_ms) }, far, keeper)
}
