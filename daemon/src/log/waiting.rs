//! Lines on their way to the log's files: whoever logs never waits for the disk, and what could not be written is said.
//!
//! Owns the thread that writes. The station logs too, and a disk that hangs must not hold it up, so lines wait in a queue of bounded
//! length; those without room are counted, and the count is logged. A line that the disk does not take goes to standard error.

use super::bounded::BoundedLog;
use crate::files::Volume;
use std::fs::File;
use std::io::{self, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread;
use std::time::Duration;

/// Lines that may wait.
const WAITING: usize = 1024;

/// How long the end of the program waits for a disk that does not take the last lines.
const PATIENCE: Duration = Duration::from_secs(5);

/// What the thread is handed.
enum Message {
    Line(Vec<u8>),
    /// Everything before it is to be written; then say so.
    Written(SyncSender<()>),
}

/// The way of lines to the files; one line a write.
#[derive(Clone)]
pub(super) struct Lines {
    queue: SyncSender<Message>,
    /// Lines that found no room since the last time that this was logged.
    lost: Arc<AtomicU64>,
}

impl Write for Lines {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.queue.try_send(Message::Line(bytes.to_vec())).is_err() {
            self.lost.fetch_add(1, Ordering::SeqCst);
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// The log of a process, as long as it lives.
#[must_use = "what waits is written when it is dropped"]
pub struct Log {
    queue: SyncSender<Message>,
    _lock: File,
}

impl Log {
    /// Starts the thread that writes. `lock` keeps other processes away.
    pub(super) fn begin<V: Volume + 'static>(lock: File, files: BoundedLog<V>) -> (Self, Lines) {
        let (queue, messages) = sync_channel(WAITING);
        let lost = Arc::new(AtomicU64::new(0));
        let writer = Writer { files, beside: io::stderr(), away: 0, lost: lost.clone() };
        thread::spawn(move || writer.run(&messages));
        (Self { queue: queue.clone(), _lock: lock }, Lines { queue, lost })
    }
}

impl Drop for Log {
    fn drop(&mut self) {
        let (say, written) = sync_channel(1);
        // With the queue full there is no room for the question; the thread is at work then and makes some.
        let mut ask = Message::Written(say);
        let pause = Duration::from_millis(5);
        for _ in 0..PATIENCE.as_millis() / pause.as_millis() {
            match self.queue.try_send(ask) {
                Ok(()) => {
                    let _ = written.recv_timeout(PATIENCE);
                    return;
                }
                Err(std::sync::mpsc::TrySendError::Full(back)) => ask = back,
                Err(std::sync::mpsc::TrySendError::Disconnected(_)) => return,
            }
            thread::sleep(pause);
        }
    }
}

/// Writes what comes, to the files or else beside them.
struct Writer<V, W> {
    files: BoundedLog<V>,
    /// Where lines go that the files don't take.
    beside: W,
    /// Lines that went there since the files took one.
    away: u64,
    lost: Arc<AtomicU64>,
}

impl<V: Volume, W: Write> Writer<V, W> {
    fn run(mut self, messages: &Receiver<Message>) {
        while let Ok(message) = messages.recv() {
            match message {
                Message::Line(line) => self.line(&line),
                Message::Written(say) => {
                    self.tell_of_lost();
                    let _ = say.try_send(());
                }
            }
        }
    }

    fn line(&mut self, line: &[u8]) {
        self.tell_of_lost();
        self.put(line);
    }

    fn tell_of_lost(&mut self) {
        let lost = self.lost.swap(0, Ordering::SeqCst);
        if lost > 0 {
            self.put(
                format!("WARN {lost} lines of the log were lost: the disk did not take them in time\n")
                    .as_bytes(),
            );
        }
    }

    fn put(&mut self, line: &[u8]) {
        match self.back().and_then(|()| self.files.add(line)) {
            Ok(()) => {}
            Err(error) => {
                if self.away == 0 {
                    let say =
                        format!("WARN the log's files take nothing: {error}; until they do, lines go here\n");
                    let _ = self.beside.write_all(say.as_bytes());
                }
                self.away += 1;
                // Where both fail there is nobody left to tell.
                let _ = self.beside.write_all(line);
            }
        }
    }

    /// The first thing that the files take again says where the lines before it are.
    fn back(&mut self) -> io::Result<()> {
        if self.away > 0 {
            let say = format!("WARN {} lines before this one went to standard error\n", self.away);
            self.files.add(say.as_bytes())?;
            self.away = 0;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests;
