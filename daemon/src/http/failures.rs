//! Failed tries to say who one is, counted by address.
//!
//! A token has 256 bits, so nobody guesses one; this keeps a broken client from filling log and time. What is right is let
//! through at any time, so that nobody is locked out by the mistakes of another behind the same address.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;
use tokio::time::Instant;

/// So long a failure counts.
const COUNTS: Duration = Duration::from_secs(60);

/// Most addresses that are remembered; beyond that all together count as one.
const ADDRESSES: usize = 4096;

/// Failures of late.
#[derive(Debug)]
pub struct Failures {
    most: usize,
    of: Mutex<BTreeMap<Option<IpAddr>, Vec<Instant>>>,
}

impl Failures {
    /// Allows so many a minute.
    #[must_use]
    pub fn new(most: usize) -> Self {
        Self { most, of: Mutex::default() }
    }

    /// Counts one; false if there were too many, and it is not even to be answered at length.
    pub fn count(&self, address: Option<IpAddr>) -> bool {
        let now = Instant::now();
        let mut of = self.of.lock().unwrap_or_else(PoisonError::into_inner);
        of.retain(|_, times| {
            times.retain(|t| now.duration_since(*t) < COUNTS);
            !times.is_empty()
        });
        let key = if of.len() < ADDRESSES || of.contains_key(&address) { address } else { None };
        let times = of.entry(key).or_default();
        if times.len() >= self.most {
            return false;
        }
        times.push(now);
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test(start_paused = true)]
    async fn too_many_in_a_minute_are_too_many_for_that_address_only() {
        let failures = Failures::new(3);
        let (one, two) = ("10.0.0.1".parse().ok(), "10.0.0.2".parse().ok());
        assert!((0..3).all(|_| failures.count(one)));
        assert!(!failures.count(one) && failures.count(two));
        tokio::time::advance(Duration::from_secs(61)).await;
        assert!(failures.count(one));
    }
}
