//! One link, one transfer at a time, and what makes safe goes first.
//!
//! Invariant: whoever holds the guard of [`Lane::calm`] gives it back after one transfer, or looks at
//! [`Lane::is_wanted`] before the next. So what makes safe waits for one transfer at most.

use std::sync::atomic::{AtomicUsize, Ordering};
use tokio::sync::{Mutex, MutexGuard};

/// Something that one caller at a time may use.
#[derive(Debug)]
pub(crate) struct Lane<T> {
    inner: Mutex<T>,
    urgent: AtomicUsize,
}

impl<T> Lane<T> {
    /// A free lane.
    pub(crate) fn new(inner: T) -> Self {
        Self { inner: Mutex::new(inner), urgent: AtomicUsize::new(0) }
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
        self.urgent.fetch_add(1, Ordering::SeqCst);
        let _waits = Waits(&self.urgent);
        self.inner.lock().await
    }

    /// True while something urgent waits.
    pub(crate) fn is_wanted(&self) -> bool {
        self.urgent.load(Ordering::SeqCst) > 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;

    #[tokio::test]
    async fn what_is_urgent_goes_first() {
        let lane = Arc::new(Lane::new(Vec::new()));
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
