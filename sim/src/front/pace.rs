//! Simulated time that passes with real time.
//!
//! Owns: the thread that moves the world on, and where the samples go that it takes meanwhile. The world is locked for a
//! short stretch at a time. A machine that can't keep up falls behind; nothing is skipped.

use crate::SimulatedRig;
use crate::acquisition::Taken;
use plan_schema::units::{Mono, Seconds};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{JoinHandle, sleep};
use std::time::{Duration, Instant};
use tokio::sync::mpsc::{Sender, error::TrySendError};

/// How often time is moved on.
const STEP: Duration = Duration::from_millis(2);
/// Most that is moved on while the world is locked.
const STRETCH: Seconds = Seconds::new(0.005);
/// How long the world is let go of between two stretches.
const BREATH: Duration = Duration::from_micros(50);

/// Where samples go while somebody takes them.
#[derive(Clone, Default)]
pub(super) struct Sink(Arc<Mutex<Option<Sender<Taken>>>>);

impl Sink {
    /// From now on samples go here, and nowhere else.
    pub(super) fn set(&self, sender: Option<Sender<Taken>>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = sender;
    }

    fn put(&self, taken: Taken) {
        let mut current = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let sent = current.as_ref().map(|sender| sender.try_send(taken));
        if matches!(sent, Some(Err(TrySendError::Closed(_)))) {
            *current = None;
        }
    }
}

/// The thread that moves time on; it ends when this is dropped.
pub(super) struct Pace {
    sink: Sink,
    over: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Pace {
    /// Lets time pass from now on.
    #[expect(clippy::disallowed_methods, reason = "this is where simulated time follows real time")]
    pub(super) fn begin(rig: SimulatedRig) -> Self {
        let (sink, over) = (Sink::default(), Arc::new(AtomicBool::new(false)));
        let (out, ends) = (sink.clone(), over.clone());
        let thread = std::thread::spawn(move || {
            let (begun, from) = (Instant::now(), rig.now());
            while !ends.load(Ordering::SeqCst) {
                let due = from.after(Seconds::new(begun.elapsed().as_secs_f64()));
                while rig.now() < due && !ends.load(Ordering::SeqCst) {
                    rig.pass(due).into_iter().for_each(|taken| out.put(taken));
                    // A panel that waits for the world goes first, also where time has to be caught up with.
                    sleep(BREATH);
                }
                sleep(STEP);
            }
        });
        Self { sink, over, thread: Some(thread) }
    }

    /// Where samples go.
    pub(super) fn sink(&self) -> Sink {
        self.sink.clone()
    }
}

impl Drop for Pace {
    fn drop(&mut self) {
        self.over.store(true, Ordering::SeqCst);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

impl SimulatedRig {
    /// Lets time pass towards `due`, for a short stretch at most; returns the blocks that became full.
    fn pass(&self, due: Mono) -> Vec<Taken> {
        let mut world = self.lock();
        let mut taken = Vec::new();
        let end = world.now().after(STRETCH).min(due);
        while world.now() < end {
            let left = end.since(world.now());
            if world.sampler.is_running() {
                taken.extend(world.collect(left));
            } else {
                world.run_out(left);
            }
        }
        taken
    }
}
