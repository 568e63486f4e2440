//! What the host says: replies before blocks, both bounded, written by a thread of its own.
//!
//! Invariant: nobody who speaks ever waits for the pipe. A block that finds no room is dropped and counted by who made it.

use std::collections::VecDeque;
use std::io::{self, Write};
use std::sync::{Arc, Condvar, Mutex, MutexGuard};
use std::thread;

/// Replies that may wait. More than that and the other side does not read them at all.
const REPLIES: usize = 256;

/// Blocks that may wait before an acquisition was configured: it has none.
const BLOCKS: usize = 16;

/// Where to speak.
#[derive(Clone)]
pub(super) struct Output {
    shared: Arc<(Mutex<Queues>, Condvar)>,
}

struct Queues {
    replies: VecDeque<Vec<u8>>,
    blocks: VecDeque<Vec<u8>>,
    /// Blocks that may wait.
    room: usize,
    gone: bool,
}

impl Default for Queues {
    fn default() -> Self {
        Self { replies: VecDeque::new(), blocks: VecDeque::new(), room: BLOCKS, gone: false }
    }
}

impl Output {
    /// Speaks into `stream` until it breaks.
    pub(super) fn new(mut stream: impl Write + Send + 'static) -> Self {
        let output = Self { shared: Arc::default() };
        let mine = output.clone();
        thread::spawn(move || {
            while let Some(line) = mine.next() {
                if let Err(error) = stream.write_all(&line).and_then(|()| stream.flush()) {
                    mine.break_off(&error);
                }
            }
        });
        output
    }

    fn lock(&self) -> MutexGuard<'_, Queues> {
        self.shared.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn next(&self) -> Option<Vec<u8>> {
        let mut queues = self.lock();
        loop {
            if queues.gone {
                return None;
            }
            let line = queues.replies.pop_front().or_else(|| queues.blocks.pop_front());
            if line.is_some() {
                return line;
            }
            queues = self.shared.1.wait(queues).unwrap_or_else(std::sync::PoisonError::into_inner);
        }
    }

    fn break_off(&self, error: &io::Error) {
        tracing::warn!(%error, "standard output takes nothing any more");
        let mut queues = self.lock();
        queues.gone = true;
        queues.replies.clear();
        queues.blocks.clear();
    }

    /// Sends a reply.
    pub(super) fn reply(&self, line: Vec<u8>) {
        let mut queues = self.lock();
        if queues.replies.len() < REPLIES {
            queues.replies.push_back(line);
        } else {
            tracing::warn!("a reply is dropped: {REPLIES} wait and nobody reads them");
        }
        drop(queues);
        self.shared.1.notify_one();
    }

    /// From now on so many blocks may wait.
    pub(super) fn keep(&self, blocks: usize) {
        self.lock().room = blocks;
    }

    /// Sends a block; false if there is no room for it.
    pub(super) fn block(&self, line: impl FnOnce() -> Option<Vec<u8>>) -> bool {
        let room = {
            let queues = self.lock();
            !queues.gone && queues.blocks.len() < queues.room
        };
        // Encoded only where there is room, and outside of the lock; only one task makes blocks.
        let Some(line) = room.then(line).flatten() else {
            return false;
        };
        self.lock().blocks.push_back(line);
        self.shared.1.notify_one();
        true
    }

    /// Forgets blocks that wait, so that none of them follows the end of sampling.
    pub(super) fn forget_blocks(&self) {
        self.lock().blocks.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc;

    /// A pipe that is full until it is let go.
    struct Stuck(mpsc::Receiver<()>, mpsc::Sender<Vec<u8>>);

    impl Write for Stuck {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.0.recv().map_err(|_| io::Error::from(io::ErrorKind::BrokenPipe))?;
            self.1.send(bytes.to_vec()).map_err(|_| io::Error::from(io::ErrorKind::BrokenPipe))?;
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_full_pipe_holds_nobody_up_and_replies_go_first() {
        let (go, held) = mpsc::channel();
        let (seen, written) = mpsc::channel();
        let output = Output::new(Stuck(held, seen));
        output.keep(40);
        let sent = (0..100).filter(|n| output.block(|| Some(format!("b{n}\n").into_bytes()))).count();
        // One may be in the writer's hands.
        assert!((40..=41).contains(&sent), "{sent}");
        output.reply(b"r\n".to_vec());
        for _ in 0..=sent {
            go.send(()).unwrap();
        }
        let lines: Vec<Vec<u8>> = written.iter().take(sent + 1).collect();
        let place = lines.iter().position(|l| l == b"r\n").unwrap();
        assert!(place <= 1, "the reply came as number {place}");
        assert!(output.block(|| Some(b"later\n".to_vec())));
    }
}
