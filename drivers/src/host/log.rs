//! Log lines to standard error that never hold anybody up: who reads the other end may have stopped.

use std::io::{self, Write};
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread;
use tracing::level_filters::LevelFilter;

/// Lines that may wait.
const LINES: usize = 256;

/// From now on what the host logs goes to standard error, line by line, down to what informs.
pub fn log_to_standard_error() {
    let lines = log_lines();
    tracing_subscriber::fmt()
        .with_max_level(LevelFilter::INFO)
        .with_ansi(false)
        .with_target(false)
        .without_time()
        .with_writer(move || lines.clone())
        .init();
}

/// Takes one log line a write; drops it where standard error is full.
#[derive(Clone)]
struct LogLines(SyncSender<Vec<u8>>);

/// Starts the thread that writes log lines to standard error.
fn log_lines() -> LogLines {
    let (sender, lines) = sync_channel::<Vec<u8>>(LINES);
    thread::spawn(move || {
        let mut stream = io::stderr();
        while let Ok(line) = lines.recv() {
            if stream.write_all(&line).is_err() {
                return;
            }
        }
    });
    LogLines(sender)
}

impl Write for LogLines {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        // Without room the line is lost, which is better than a host that waits.
        let _ = self.0.try_send(bytes.to_vec());
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
