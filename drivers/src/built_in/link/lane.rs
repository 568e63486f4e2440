//! One link, one transfer at a time, and what makes safe goes first.
//!
//! Invariant: whoever holds the guard of [`Lane::calm`] gives it back after one transfer. What speaks over the link sees to
//! that: it has a [`Wanted`], and begins no transfer but those of [`MAKE_SAFE`] while something urgent waits. So what makes
//! safe waits for one transfer at most.

use crate::error::DriverError;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use tokio::sync::{Mutex, MutexGuard};

/// The call that gives way to nothing, and repeats nothing: what it is for can't wait.
pub(crate) const MAKE_SAFE: &str = "make_safe";

/// How many urgent callers wait for a lane.
#[derive(Debug, Clone, Default)]
pub(crate) struct Wanted(Arc<AtomicUsize>);

impl Wanted {
    /// True where a transfer of `op` has to wait, because it would keep something urgent waiting.
    pub(crate) fn before(&self, op: &str) -> bool {
        op != MAKE_SAFE && self.0.load(Ordering::SeqCst) > 0
    }
}

/// What is said to a call that gives way.
pub(crate) const GIVES_WAY: &str = "it is being made safe";

/// What a call in its turn comes to.
pub(crate) type Answer<'a, R> = Pin<Box<dyn Future<Output = Result<R, DriverError>> + Send + 'a>>;

/// Something that one caller at a time may use.
#[derive(Debug)]
pub(crate) struct Lane<T> {
    inner: Mutex<T>,
    wanted: Wanted,
}

impl<T> Lane<T> {
    /// A free lane; what speaks over it has `wanted` too.
    pub(crate) fn new(wanted: Wanted, inner: T) -> Self {
        Self { inner: Mutex::new(inner), wanted }
    }

    /// Waits for its turn, and lets everything urgent go first.
    pub(crate) async fn calm(&self) -> MutexGuard<'_, T> {
        loop {
            let guard = self.inner.lock().await;
            if !self.is_wanted() {
                return guard;
            }
            drop(guard);
            tokio::task::yield_now().await;
        }
    }

    /// Goes next, whoever else waits.
    pub(crate) async fn urgent(&self) -> MutexGuard<'_, T> {
        // Counts while it waits, also if it is given up.
        struct Waits<'a>(&'a AtomicUsize);
        impl Drop for Waits<'_> {
            fn drop(&mut self) {
                self.0.fetch_sub(1, Ordering::SeqCst);
            }
        }
        self.wanted.0.fetch_add(1, Ordering::SeqCst);
        let _waits = Waits(&self.wanted.0);
        self.inner.lock().await
    }

    /// A call by these settings in its turn; one that gave way to something urgent is begun anew after it.
    ///
    /// # Errors
    /// Those of the call.
    pub(crate) async fn in_turn<S, R>(
        &self,
        settings: &S,
        call: for<'a> fn(&'a mut T, &'a S) -> Answer<'a, R>,
    ) -> Result<R, DriverError> {
        loop {
            let answer = call(&mut *self.calm().await, settings).await;
            if answer.is_ok() || !self.is_wanted() {
                return answer;
            }
        }
    }

    /// True while something urgent waits.
    pub(crate) fn is_wanted(&self) -> bool {
        self.wanted.0.load(Ordering::SeqCst) > 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn what_is_urgent_goes_first() {
        let lane = Arc::new(Lane::new(Wanted::default(), Vec::new()));
        let held = lane.calm().await;
        let spawn = |name: &'static str, urgent: bool| {
            let lane = lane.clone();
            tokio::spawn(async move {
                if urgent { lane.urgent().await.push(name) } else { lane.calm().await.push(name) }
            })
        };
        let first = spawn("calm 1", false);
        let second = spawn("calm 2", false);
        tokio::task::yield_now().await;
        let last = spawn("urgent", true);
        tokio::task::yield_now().await;
        assert!(lane.is_wanted());
        drop(held);
        for task in [first, second, last] {
            task.await.unwrap();
        }
        assert_eq!(lane.calm().await.first(), Some(&"urgent"));
        assert!(!lane.is_wanted());
    }
}
