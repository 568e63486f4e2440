//! The host's life from its first line to its end.

use super::dispatch::Reader;
use super::output::Output;
use super::roles::Desk;
use super::safe::{Shared, duration};
use crate::error::{DriverError, ErrorKind};
use crate::protocol::{
    Call, Fault, Hello, Line, LineReader, Message, NO_PARAMS, PARSE, VERSION, Version, failure, params, parse,
};
use crate::registry::Registry;
use crate::safe::{SafeProof, StopReason};
use plan_schema::units::Seconds;
use std::io::{BufReader, Read, Write};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread;
use std::time::Duration;
use tokio::runtime::Runtime;

/// How a host's life ended.
#[derive(Debug)]
pub enum End {
    /// Nothing was opened: the input ended before, or `hello` failed.
    NeverOpen,
    /// The instrument read back as safe.
    Safe,
    /// The instrument may not be safe.
    NotSafe(String),
}

/// What the watch is told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Sign {
    /// A heartbeat that is believed.
    Alive,
    /// The host has to end.
    Over(&'static str),
}

/// What the watch is given with a good `hello`.
struct Greeted {
    shared: Arc<Shared>,
    heartbeat_limit_s: f64,
    /// Ends when the instrument is open, or could not be opened.
    opened: Receiver<()>,
}

/// Longest time that an opening may still take when the host has to end.
const OPENING: Duration = Duration::from_secs(10);

/// How often making safe is tried at the end.
const TRIES: u32 = 3;

/// Roles that may each block a thread, and some that never do.
const THREADS: usize = 8;

/// Serves one instrument of any driver in `registry` until the daemon is gone or says so.
///
/// `input` and `output` are the standard streams. Returns only when the instrument was made safe, or could not be; the
/// caller then ends the process at once, since a call may still hang.
///
/// # Errors
/// Where the system gives no threads or signals.
pub fn serve(
    registry: Registry,
    input: impl Read + Send + 'static,
    output: impl Write + Send + 'static,
) -> std::io::Result<End> {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(THREADS).enable_all().build()?;
    let output = Output::new(output);
    let (signs, heard) = channel();
    signals(&runtime, &signs)?;
    let mut lines = LineReader::new(BufReader::with_capacity(1 << 16, input));
    let (greeted, greeting) = channel();
    let (reply_to, to_watch, handle) = (output.clone(), signs.clone(), runtime.handle().clone());
    thread::spawn(move || {
        let Some((id, hello)) = first(&mut lines, &reply_to) else {
            let _ = to_watch.send(Sign::Over("the input ended before any hello"));
            return;
        };
        let shared = Arc::new(Shared::new(hello.instrument.clone()));
        let heartbeat_limit_s = hello.heartbeat_limit_s;
        let (opening, opened) = channel();
        // The watch looks at the greeting when it hears a sign.
        if greeted.send(Greeted { shared: shared.clone(), heartbeat_limit_s, opened }).is_err()
            || to_watch.send(Sign::Alive).is_err()
        {
            return;
        }
        let reply_limit = duration(Seconds::new(hello.reply_limit_s));
        let desk = Desk { shared, output: reply_to, reply_limit };
        Reader::open(desk, to_watch, handle, opening, registry, id, hello).read(lines);
    });
    let end = watch(&runtime, &heard, &greeting);
    runtime.shutdown_background();
    Ok(end)
}

/// Reads lines until a good `hello` comes; what comes before is answered with a failure.
fn first<R: std::io::BufRead>(lines: &mut LineReader<R>, output: &Output) -> Option<(u64, Hello)> {
    loop {
        let (id, fault) = match lines.next_line() {
            Ok(Line::Whole(line)) => match parse(line) {
                Ok(Message::Request { id, method }) if method == Hello::METHOD => match greet(line) {
                    Ok(hello) => return Some((id, hello)),
                    Err(fault) => (Some(id), fault),
                },
                Ok(Message::Request { id, .. }) => {
                    (Some(id), Fault::of(ErrorKind::Protocol, "say hello first"))
                }
                // Heartbeats may begin at any time.
                Ok(_) => continue,
                Err(fault) => (None, fault),
            },
            Ok(Line::TooLong) => (None, Fault::plain(PARSE, "the line is too long")),
            Ok(Line::Torn | Line::End) | Err(_) => return None,
        };
        output.reply(failure(id, &fault));
    }
}

fn greet(line: &[u8]) -> Result<Hello, Fault> {
    let hello: Hello = params(line)?;
    let theirs: Version = hello.protocol.parse().map_err(|e: String| Fault::plain(NO_PARAMS, e))?;
    VERSION.agree(theirs).map_err(|e| Fault::of(ErrorKind::Unsupported, e))?;
    let times = [hello.latency_s, hello.reply_limit_s, hello.heartbeat_limit_s];
    if times.iter().all(|t| t.is_finite() && *t >= 0.0) && hello.heartbeat_limit_s > 0.0 {
        return Ok(hello);
    }
    Err(Fault::plain(NO_PARAMS, "the times of hello have to be finite, and the heartbeat's limit above 0"))
}

/// SIGTERM and SIGINT end the host as the end of its input does.
fn signals(runtime: &Runtime, signs: &Sender<Sign>) -> std::io::Result<()> {
    use tokio::signal::unix::{SignalKind, signal};
    let _inside = runtime.enter();
    for kind in [SignalKind::terminate(), SignalKind::interrupt()] {
        let (mut signal, signs) = (signal(kind)?, signs.clone());
        runtime.spawn(async move {
            while signal.recv().await.is_some() {
                if signs.send(Sign::Over("a signal said so")).is_err() {
                    return;
                }
            }
        });
    }
    Ok(())
}

/// Waits until the host has to end, and makes its instrument safe.
fn watch(runtime: &Runtime, heard: &Receiver<Sign>, greeting: &Receiver<Greeted>) -> End {
    // Nothing is open before `hello`, so nothing has to beat.
    let mut early = None;
    let Greeted { shared, heartbeat_limit_s, opened } = loop {
        if let Ok(greeted) = greeting.try_recv() {
            break greeted;
        }
        if early.is_some() {
            return End::NeverOpen;
        }
        match heard.recv() {
            Ok(Sign::Over(why)) => early = Some(why),
            Ok(Sign::Alive) => {}
            Err(_) => return End::NeverOpen,
        }
    };
    let limit = duration(Seconds::new(heartbeat_limit_s));
    let why = early.unwrap_or_else(|| {
        loop {
            match heard.recv_timeout(limit) {
                Ok(Sign::Alive) => {}
                Ok(Sign::Over(why)) => break why,
                Err(RecvTimeoutError::Timeout) => break "no heartbeat came that could be believed",
                Err(RecvTimeoutError::Disconnected) => break "the reader is gone",
            }
        }
    });
    tracing::info!("the host ends: {why}");
    // What is being opened may be what a host before this one left on: it is made safe as soon as that can be done.
    let _ = opened.recv_timeout(OPENING);
    make_safe_at_last(runtime, &shared)
}

/// Tries to make the instrument safe, each time within its time and a little more, never longer.
fn make_safe_at_last(runtime: &Runtime, shared: &Arc<Shared>) -> End {
    let mut failed = String::new();
    for _ in 0..TRIES {
        let Some(within) = shared.safe_within() else {
            return End::NeverOpen;
        };
        let (done, ended) = channel::<Result<SafeProof, DriverError>>();
        let one = shared.clone();
        runtime.spawn(async move {
            // Nobody listens any more if it took too long.
            let _ = done.send(one.make_safe(StopReason::LinkLost).await);
        });
        match ended.recv_timeout(within + Duration::from_millis(100)) {
            Ok(Ok(proof)) if proof.is_safe() => return End::Safe,
            Ok(Ok(proof)) => failed = format!("it read back {proof:?}"),
            Ok(Err(error)) => failed = error.to_string(),
            Err(_) => failed = "the driver holds up every thread".to_owned(),
        }
        tracing::error!("could not be made safe: {failed}");
    }
    End::NotSafe(failed)
}
