//! A running host and the way to it. Three threads; nobody else touches its streams.

use super::hosts::Hosts;
use super::log::log_all;
use super::program::Program;
use crate::block::Block;
use crate::error::{DriverError, ErrorKind};
use crate::protocol::{
    BLOCK, Call, FAILED, Fault, HEARTBEAT, Line, LineReader, Message, notification, op_of, params, parse,
    read_block, request, result,
};
use crate::room;
use plan_schema::units::SampleCount;
use std::collections::BTreeMap;
use std::io::{BufReader, Write};
use std::process::{Child, ChildStdin, ChildStdout, ExitStatus};
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};
use tokio::time::Instant;

/// Lines that may wait for a host. The roles together never have more than a few under way.
const LINES: usize = 64;

/// Blocks that may wait for the station before an acquisition was configured.
const BLOCKS: usize = 64;

/// How often a process that has to end is looked at.
const LOOK: Duration = Duration::from_millis(5);

/// What a host is asked while leave stands: whatever it answers, a failure too, shows that it lives.
const ALIVE: &str = "alive";

/// Ids from here on are those of [`ALIVE`].
const ALIVE_IDS: u64 = 1 << 40;

/// Beats without such an answer after which a host hangs: the time in which it would stop believing a heart.
const UNANSWERED: u32 = 5;

/// How long a host may live on after it closed its output.
const SILENT: Duration = Duration::from_millis(50);

/// What the reader thread hands to the acquisition.
pub(super) type Blocks = mpsc::Receiver<Result<Block, DriverError>>;

/// The way to a host. The host's input ends with the last of it, and so does the host.
pub(super) struct Link {
    instrument: String,
    lines: SyncSender<Vec<u8>>,
    state: Arc<State>,
    next_id: AtomicU64,
}

/// What both threads know.
struct State {
    child: Mutex<Child>,
    waiting: Mutex<Waiting>,
    /// The station let go of the host, or ended it: its end is no loss.
    expected: AtomicBool,
    /// Last of the [`ALIVE_IDS`] that was answered.
    alive: AtomicU64,
    /// Blocks that may wait for the station.
    room: AtomicUsize,
    /// Why it was killed, where it hung.
    hung: Mutex<Option<String>>,
}

#[derive(Default)]
struct Waiting {
    replies: BTreeMap<u64, oneshot::Sender<Result<Vec<u8>, Fault>>>,
    lost: Option<(ErrorKind, String)>,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Link {
    /// Starts a program and listens to it. `beat` is how often its heart beats, `patience` how long it may take to end
    /// after its input did.
    pub(super) fn start(
        program: &Program,
        instrument: &str,
        hosts: &Arc<Hosts>,
        beat: Duration,
        patience: Duration,
    ) -> Result<(Self, Blocks), DriverError> {
        let error = |detail: String| DriverError::new(ErrorKind::Disconnected, instrument, "open", detail);
        let mut child = program.start().map_err(|e| error(format!("its host can't be started: {e}")))?;
        let (Some(input), Some(output), Some(log)) =
            (child.stdin.take(), child.stdout.take(), child.stderr.take())
        else {
            return Err(error("its host has no standard streams".to_owned()));
        };
        let state = Arc::new(State {
            child: Mutex::new(child),
            waiting: Mutex::default(),
            expected: AtomicBool::new(false),
            alive: AtomicU64::new(ALIVE_IDS),
            room: AtomicUsize::new(BLOCKS),
            hung: Mutex::default(),
        });
        let name = instrument.to_owned();
        thread::spawn(move || log_all(log, &name));
        let (lines, queue) = sync_channel(LINES);
        let (ending, shared) = (state.clone(), hosts.clone());
        thread::spawn(move || write(input, &queue, &shared, beat, &ending, patience));
        let (sender, blocks) = mpsc::channel(usize::from(room::MOST));
        let reader = Reader {
            instrument: instrument.to_owned(),
            state: state.clone(),
            hosts: hosts.clone(),
            blocks: sender,
            dropped: 0,
        };
        thread::spawn(move || reader.read(output));
        Ok((Self { instrument: instrument.to_owned(), lines, state, next_id: AtomicU64::new(0) }, blocks))
    }

    /// Asks and waits for the reply, at most `within`.
    pub(super) async fn call<C: Call>(&self, ask: &C, within: Duration) -> Result<C::Reply, DriverError> {
        let op = op_of(C::METHOD);
        let error = |kind, detail: String| DriverError::new(kind, &self.instrument, op, detail);
        let id = self.next_id.fetch_add(1, Ordering::SeqCst);
        let line = request(id, ask).map_err(|fault| fault.into_error(&self.instrument, op))?;
        let (sender, reply) = oneshot::channel();
        {
            let mut waiting = lock(&self.state.waiting);
            if let Some((kind, detail)) = &waiting.lost {
                return Err(error(*kind, detail.clone()));
            }
            waiting.replies.insert(id, sender);
        }
        let sent = self.lines.try_send(line);
        let answer = match sent {
            Ok(()) => tokio::time::timeout(within, reply).await,
            Err(TrySendError::Full(_) | TrySendError::Disconnected(_)) => {
                lock(&self.state.waiting).replies.remove(&id);
                return Err(error(ErrorKind::Busy, format!("its host does not take {LINES} lines")));
            }
        };
        match answer {
            Ok(Ok(Ok(line))) => result(&line).map_err(|fault| fault.into_error(&self.instrument, op)),
            Ok(Ok(Err(fault))) => Err(fault.into_error(&self.instrument, op)),
            Ok(Err(_)) => Err(self.lost_error(op)),
            Err(_) => {
                // A reply that comes later finds nobody, and is never taken for that of another call.
                lock(&self.state.waiting).replies.remove(&id);
                Err(error(ErrorKind::Timeout, format!("its host did not answer within {within:?}")))
            }
        }
    }

    /// Why the host is gone.
    pub(super) fn lost_error(&self, op: &'static str) -> DriverError {
        let lost = lock(&self.state.waiting).lost.clone();
        let (kind, detail) = lost.unwrap_or((ErrorKind::Disconnected, "its host is gone".to_owned()));
        DriverError::new(kind, &self.instrument, op, detail)
    }

    /// Ends the host at once, whatever it does. For one that does not answer any more.
    pub(super) fn kill(&self) {
        // It may have ended before.
        let _ = lock(&self.state.child).kill();
    }

    /// True if the host's process is gone.
    pub(super) fn is_gone(&self) -> bool {
        lock(&self.state.child).try_wait().is_ok_and(|status| status.is_some())
    }

    /// From now on so many blocks may wait for the station.
    pub(super) fn keep(&self, blocks: usize) {
        self.state.room.store(blocks, Ordering::SeqCst);
    }

    /// From now on the host's end is no loss.
    pub(super) fn let_go(&self) {
        self.state.expected.store(true, Ordering::SeqCst);
    }
}

impl Drop for Link {
    /// The queue ends with it, then the host's input, and the host ends by its own rule.
    fn drop(&mut self) {
        self.let_go();
    }
}

/// Writes lines as they come, and heartbeats at least every `beat`.
fn write(
    mut input: ChildStdin,
    lines: &Receiver<Vec<u8>>,
    hosts: &Hosts,
    beat: Duration,
    state: &State,
    patience: Duration,
) {
    let mut pulse = Pulse { asked: ALIVE_IDS, since: None };
    loop {
        let line = match lines.recv_timeout(beat) {
            Ok(line) => Some(line),
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => break,
        };
        // With every line too: a queue that is never empty must not stop the heart.
        let says = hosts.beat();
        let Ok(heartbeat) = notification(HEARTBEAT, &says) else {
            break;
        };
        let mut bytes = line.unwrap_or_default();
        bytes.extend(heartbeat);
        bytes.extend(pulse.ask(state, says.generation != 0, beat * UNANSWERED));
        if input.write_all(&bytes).and_then(|()| input.flush()).is_err() {
            break;
        }
    }
    drop(input);
    end(state, patience);
}

/// Whether a host lives that nobody asks anything at the moment. Nothing moves without leave, so nothing is asked then.
struct Pulse {
    /// Last id that was asked.
    asked: u64,
    /// Since when it is not answered.
    since: Option<Instant>,
}

impl Pulse {
    /// The next question, where one is due; kills a host that hangs.
    fn ask(&mut self, state: &State, under_leave: bool, limit: Duration) -> Vec<u8> {
        let answered = state.alive.load(Ordering::SeqCst) >= self.asked;
        if !under_leave {
            self.since = None;
            return Vec::new();
        }
        match self.since {
            Some(since) if !answered => {
                if since.elapsed() > limit {
                    *lock(&state.hung) =
                        Some(format!("its host hangs: no answer for {} ms", limit.as_millis()));
                    let _ = lock(&state.child).kill();
                }
                Vec::new()
            }
            _ => {
                (self.asked, self.since) = (self.asked + 1, Some(Instant::now()));
                let id = self.asked;
                format!("{{\"jsonrpc\":\"2.0\",\"id\":{id},\"method\":\"{ALIVE}\",\"params\":{{}}}}\n")
                    .into_bytes()
            }
        }
    }
}

/// Waits until the host has ended, at most `patience`, then ends it.
fn end(state: &State, patience: Duration) -> Option<ExitStatus> {
    let mut left = patience;
    loop {
        {
            let mut child = lock(&state.child);
            match child.try_wait() {
                Ok(None) => {}
                Ok(status) => return status,
                Err(_) => return None,
            }
            if left.is_zero() {
                // Nothing more can be done here: its instrument is made safe by whoever finds it gone.
                let _ = child.kill();
                return child.wait().ok();
            }
        }
        thread::sleep(LOOK);
        left = left.saturating_sub(LOOK);
    }
}

struct Reader {
    instrument: String,
    state: Arc<State>,
    hosts: Arc<Hosts>,
    blocks: mpsc::Sender<Result<Block, DriverError>>,
    /// Samples that the station did not take in time.
    dropped: u64,
}

impl Reader {
    fn read(mut self, output: ChildStdout) {
        let mut lines = LineReader::new(BufReader::with_capacity(1 << 16, output));
        let broken = loop {
            match lines.next_line() {
                Ok(Line::Whole(line)) => {
                    if let Err(wrong) = self.hear(line) {
                        break Some(wrong);
                    }
                }
                Ok(Line::TooLong) => break Some("a line that is longer than the protocol allows".to_owned()),
                Ok(Line::Torn | Line::End) | Err(_) => break None,
            }
        };
        let lost = match broken {
            // Whoever breaks the protocol can't be believed in anything, its safe state included.
            Some(wrong) => {
                let _ = lock(&self.state.child).kill();
                (ErrorKind::Protocol, format!("its host does not keep to the protocol: {wrong}"))
            }
            None => (ErrorKind::Disconnected, String::new()),
        };
        let status = end(&self.state, SILENT);
        self.lost(lost.0, lost.1, status);
    }

    /// Everybody who waits is told, and the station.
    fn lost(&self, kind: ErrorKind, detail: String, status: Option<ExitStatus>) {
        let hung = lock(&self.state.hung).take();
        let detail = match (detail.is_empty(), status) {
            (false, _) => detail,
            (true, _) if hung.is_some() => hung.unwrap_or_default(),
            (true, Some(status)) => format!("its host ended ({status})"),
            (true, None) => "its host is gone".to_owned(),
        };
        let mut waiting = lock(&self.state.waiting);
        waiting.lost = Some((kind, detail.clone()));
        waiting.replies.clear();
        drop(waiting);
        if !self.state.expected.load(Ordering::SeqCst) {
            tracing::error!(instrument = self.instrument, "{detail}");
            self.hosts.tell_lost(DriverError::new(kind, &self.instrument, "host", detail));
        }
    }

    fn hear(&mut self, line: &[u8]) -> Result<(), String> {
        let shown = || {
            let start: String = String::from_utf8_lossy(line).chars().take(80).collect();
            format!("a line that is no message of the protocol: {start:?}")
        };
        match parse(line).map_err(|_| shown())? {
            Message::Reply { id } => self.answer(id, Ok(line.to_vec())),
            Message::Failure { id: Some(id), error } => self.answer(id, Err(error)),
            Message::Failure { id: None, error } => {
                return Err(format!("it could not read a line: {}", error.message));
            }
            Message::Notification { method } if method == BLOCK => {
                let block = read_block(line).map_err(|wrong| {
                    DriverError::new(ErrorKind::BadData, &self.instrument, "next_block", wrong)
                });
                self.block(block);
            }
            Message::Notification { method } if method == FAILED => {
                let fault: Fault = params(line).map_err(|_| shown())?;
                self.block(Err(fault.into_error(&self.instrument, "next_block")));
            }
            Message::Notification { method } => tracing::debug!(%method, "not known and passed over"),
            Message::Request { .. } => return Err(shown()),
        }
        Ok(())
    }

    fn answer(&self, id: u64, answer: Result<Vec<u8>, Fault>) {
        if id > ALIVE_IDS {
            self.state.alive.fetch_max(id, Ordering::SeqCst);
            return;
        }
        match lock(&self.state.waiting).replies.remove(&id) {
            // Who asked may have given up.
            Some(reply) => drop(reply.send(answer)),
            None => {
                tracing::warn!(instrument = self.instrument, id, "a reply came too late, or to no question")
            }
        }
    }

    /// Never waits for the station: replies come behind.
    fn block(&mut self, block: Result<Block, DriverError>) {
        let block = block.map(|mut block| {
            block.gap_before = SampleCount(block.gap_before.0.saturating_add(self.dropped));
            block
        });
        let waiting = self.blocks.max_capacity() - self.blocks.capacity();
        match block {
            Ok(block) if waiting >= self.state.room.load(Ordering::SeqCst) => {
                self.dropped = block.gap_before.0.saturating_add(block.frames() as u64);
                tracing::warn!(
                    instrument = self.instrument,
                    samples = self.dropped,
                    "the station does not take the blocks: samples are dropped and counted"
                );
            }
            // Beyond the room of blocks there is always some for an error; where not, it shows as blocks that are missing.
            block => {
                if self.blocks.try_send(block).is_ok() {
                    self.dropped = 0;
                }
            }
        }
    }
}
