//! A host spoken to line by line, as the protocol's text says: the kit needs what the client forbids, such as a heart that
//! stops, a pipe that nobody empties, half a line at the end.

use crate::block::Block;
use crate::client::{Program, log_all};
use crate::protocol::{
    BLOCK, Call, FAILED, Fault, HEARTBEAT, Heartbeat, Line, LineReader, Message, notification, params, parse,
    read_block, request, result,
};
use rustix::process::{Pid, Signal, kill_process};
use std::collections::{BTreeMap, VecDeque};
use std::fmt;
use std::io::{BufReader, Write};
use std::process::{Child, ChildStdin, ChildStdout, ExitStatus};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::Duration;
use tokio::time::Instant;

/// Nothing was judged yet.
const NOTHING: u64 = u64::MAX;
/// Blocks that are kept for who asks for them late.
const BLOCKS: usize = 20_000;
/// How often something that has to happen is looked for.
const LOOK: Duration = Duration::from_millis(2);

/// Why a call did not end well.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Failure {
    /// The host answered so.
    Said(Fault),
    /// It did not answer within this time.
    Silent(Duration),
    /// It is gone, or does not keep to the protocol.
    Gone(String),
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Said(fault) => write!(f, "{}: {}", fault.kind().word(), fault.message),
            Self::Silent(within) => write!(f, "no answer within {} ms", within.as_millis()),
            Self::Gone(why) => write!(f, "the host is gone: {why}"),
        }
    }
}

/// What was answered, and how long it took.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Answer<T> {
    pub(super) value: T,
    pub(super) at: Instant,
    pub(super) took: Duration,
}

#[derive(Default)]
struct Heard {
    replies: BTreeMap<u64, (Result<Vec<u8>, Fault>, Instant)>,
    /// Failures without an id.
    strays: usize,
    blocks: VecDeque<(Result<Block, String>, Instant)>,
    over: Option<String>,
}

struct Shared {
    heard: Mutex<Heard>,
    news: Condvar,
    paused: AtomicBool,
    beats: AtomicBool,
    generation: AtomicU64,
    judged: AtomicU64,
    input: Mutex<Option<ChildStdin>>,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A host and what it says.
pub(super) struct Voice {
    child: Child,
    shared: Arc<Shared>,
    next_id: u64,
}

impl Voice {
    /// Starts a host; its heart is beaten every `beat`.
    pub(super) fn start(program: &Program, instrument: &str, beat: Duration) -> Result<Self, String> {
        let mut child = program.start().map_err(|e| format!("its host can't be started: {e}"))?;
        let (Some(input), Some(output), Some(log)) =
            (child.stdin.take(), child.stdout.take(), child.stderr.take())
        else {
            return Err("its host has no standard streams".to_owned());
        };
        let shared = Arc::new(Shared {
            heard: Mutex::default(),
            news: Condvar::new(),
            paused: AtomicBool::new(false),
            beats: AtomicBool::new(true),
            generation: AtomicU64::new(0),
            judged: AtomicU64::new(NOTHING),
            input: Mutex::new(Some(input)),
        });
        let name = instrument.to_owned();
        thread::spawn(move || log_all(log, &name));
        let reader = shared.clone();
        thread::spawn(move || reader.read(output));
        let heart = Arc::downgrade(&shared);
        thread::spawn(move || {
            while let Some(shared) = heart.upgrade() {
                if shared.beats.load(Ordering::SeqCst) && shared.beat().is_err() {
                    return;
                }
                drop(shared);
                thread::sleep(beat);
            }
        });
        Ok(Self { child, shared, next_id: 0 })
    }

    /// Asks; gives the id.
    pub(super) fn ask<C: Call>(&mut self, ask: &C) -> Result<u64, Failure> {
        let id = self.next_id;
        self.next_id += 1;
        let line = request(id, ask).map_err(Failure::Said)?;
        self.write(&line)?;
        Ok(id)
    }

    /// Waits for the answer to a question.
    pub(super) fn wait<C: Call>(&self, id: u64, within: Duration) -> Result<Answer<C::Reply>, Failure> {
        let begun = Instant::now();
        let mut heard = lock(&self.shared.heard);
        loop {
            if let Some((reply, at)) = heard.replies.remove(&id) {
                let value = reply.and_then(|line| result(&line)).map_err(Failure::Said)?;
                return Ok(Answer { value, at, took: at.saturating_duration_since(begun) });
            }
            if let Some(why) = &heard.over {
                return Err(Failure::Gone(why.clone()));
            }
            let left = within.saturating_sub(begun.elapsed());
            if left.is_zero() {
                return Err(Failure::Silent(within));
            }
            heard = self.shared.news.wait_timeout(heard, left).unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    /// Asks and waits.
    pub(super) fn call<C: Call>(&mut self, ask: &C, within: Duration) -> Result<Answer<C::Reply>, Failure> {
        let id = self.ask(ask)?;
        self.wait::<C>(id, within)
    }

    /// Writes bytes as they are.
    pub(super) fn write(&self, bytes: &[u8]) -> Result<(), Failure> {
        let gone = |e: std::io::Error| Failure::Gone(format!("it takes no lines: {e}"));
        match lock(&self.shared.input).as_mut() {
            Some(input) => input.write_all(bytes).and_then(|()| input.flush()).map_err(gone),
            None => Err(Failure::Gone("its input was ended".to_owned())),
        }
    }

    /// Ends its input.
    pub(super) fn end_input(&self) {
        *lock(&self.shared.input) = None;
    }

    /// Whether its heart is beaten.
    pub(super) fn beat(&self, on: bool) {
        self.shared.beats.store(on, Ordering::SeqCst);
    }

    /// Which leave stands; 0 for none.
    pub(super) fn leave(&self, generation: u64) {
        self.shared.generation.store(generation, Ordering::SeqCst);
    }

    /// Says that everything before this sample was judged, at once.
    pub(super) fn judged(&self, end: u64) {
        self.shared.judged.store(end, Ordering::SeqCst);
        if self.shared.beats.load(Ordering::SeqCst) {
            // One that is gone is found out by who waits for it.
            let _ = self.shared.beat();
        }
    }

    /// Whether its output is left in the pipe.
    pub(super) fn pause(&self, on: bool) {
        self.shared.paused.store(on, Ordering::SeqCst);
    }

    /// The next block, and when it came.
    pub(super) fn block(&self, within: Duration) -> Result<Option<(Block, Instant)>, String> {
        let begun = Instant::now();
        let mut heard = lock(&self.shared.heard);
        loop {
            if let Some((block, at)) = heard.blocks.pop_front() {
                return block.map(|b| Some((b, at)));
            }
            if let Some(why) = &heard.over {
                return Err(why.clone());
            }
            let left = within.saturating_sub(begun.elapsed());
            if left.is_zero() {
                return Ok(None);
            }
            heard = self.shared.news.wait_timeout(heard, left).unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    /// Forgets blocks that were not asked for.
    pub(super) fn forget_blocks(&self) -> usize {
        let mut heard = lock(&self.shared.heard);
        let count = heard.blocks.len();
        heard.blocks.clear();
        count
    }

    /// How many failures without an id came so far.
    pub(super) fn strays(&self) -> usize {
        lock(&self.shared.heard).strays
    }

    /// Sends it a signal.
    pub(super) fn signal(&self, signal: Signal) -> Result<(), String> {
        let id = i32::try_from(self.child.id()).ok().and_then(Pid::from_raw);
        let id = id.ok_or("its process has no number")?;
        kill_process(id, signal).map_err(|e| format!("no signal reaches it: {e}"))
    }

    /// Waits until it ended; gives its exit status and how long that took.
    pub(super) fn ended(&mut self, within: Duration) -> Result<(ExitStatus, Duration), String> {
        let begun = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().map_err(|e| e.to_string())? {
                return Ok((status, begun.elapsed()));
            }
            if begun.elapsed() >= within {
                return Err(format!("its host did not end within {} ms", within.as_millis()));
            }
            thread::sleep(LOOK);
        }
    }
}

impl Drop for Voice {
    fn drop(&mut self) {
        self.pause(false);
        self.end_input();
        // In good order, so that its instrument is safe; what does not end is ended.
        if self.ended(Duration::from_secs(5)).is_err() {
            tracing::warn!("a host that did not end with its input is killed");
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
    }
}

impl Shared {
    fn beat(&self) -> std::io::Result<()> {
        let judged = self.judged.load(Ordering::SeqCst);
        let beat = Heartbeat {
            generation: self.generation.load(Ordering::SeqCst),
            judged_samples: (judged != NOTHING).then_some(judged),
        };
        let line = notification(HEARTBEAT, &beat).map_err(|f| std::io::Error::other(f.message))?;
        match lock(&self.input).as_mut() {
            Some(input) => input.write_all(&line).and_then(|()| input.flush()),
            None => Err(std::io::ErrorKind::BrokenPipe.into()),
        }
    }

    fn read(&self, output: ChildStdout) {
        let mut lines = LineReader::new(BufReader::with_capacity(1 << 12, output));
        let over = loop {
            while self.paused.load(Ordering::SeqCst) {
                thread::sleep(LOOK);
            }
            match lines.next_line() {
                Ok(Line::Whole(line)) => {
                    if let Err(why) = self.hear(line) {
                        break why;
                    }
                }
                Ok(Line::TooLong) => break "a line is longer than the protocol allows".to_owned(),
                Ok(Line::Torn) => break "its output ended within a line".to_owned(),
                Ok(Line::End) | Err(_) => break "its output ended".to_owned(),
            }
        };
        lock(&self.heard).over = Some(over);
        self.news.notify_all();
    }

    fn hear(&self, line: &[u8]) -> Result<(), String> {
        let now = Instant::now();
        let shown = || {
            let start: String = String::from_utf8_lossy(line).chars().take(80).collect();
            format!("it says what is no message of the protocol: {start:?}")
        };
        let message = parse(line).map_err(|_| shown())?;
        let mut heard = lock(&self.heard);
        match message {
            Message::Reply { id } => drop(heard.replies.insert(id, (Ok(line.to_vec()), now))),
            Message::Failure { id: Some(id), error } => drop(heard.replies.insert(id, (Err(error), now))),
            Message::Failure { id: None, .. } => heard.strays += 1,
            Message::Notification { method } if method == BLOCK => {
                if heard.blocks.len() >= BLOCKS {
                    heard.blocks.pop_front();
                }
                heard.blocks.push_back((read_block(line), now));
            }
            Message::Notification { method } if method == FAILED => {
                let fault: Fault = params(line).map_err(|_| shown())?;
                heard.blocks.push_back((Err(format!("sampling failed: {}", fault.message)), now));
            }
            Message::Notification { .. } => {}
            Message::Request { .. } => return Err(shown()),
        }
        drop(heard);
        self.news.notify_all();
        Ok(())
    }
}
