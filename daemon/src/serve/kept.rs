//! What was read or drawn a moment ago, for many who ask for the same.
//!
//! Nothing is believed for longer than its time: other hands of this machine may change what lies on the disk, and nobody tells.
//! What the daemon itself changes is forgotten at once.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Values by name, each for a while.
pub struct Kept<V> {
    inner: Mutex<Inner<V>>,
    most: usize,
    lasts: Duration,
}

struct Inner<V> {
    /// How often everything was forgotten: what was begun to be read before is old.
    forgotten: u64,
    values: BTreeMap<String, (Instant, Arc<V>)>,
}

/// A value that may be being read while others are forgotten.
#[derive(Debug, Clone, Copy)]
pub struct Begun(u64);

impl<V> Kept<V> {
    /// Keeps so many values at most, each for so long.
    #[must_use]
    pub fn new(most: usize, lasts: Duration) -> Self {
        Self { inner: Mutex::new(Inner { forgotten: 0, values: BTreeMap::new() }), most, lasts }
    }

    fn lock(&self) -> MutexGuard<'_, Inner<V>> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The value of a name, or leave to read it and to put it here.
    ///
    /// # Errors
    /// Where it is not here: what [`Self::put`] asks for.
    pub fn get(&self, name: &str) -> Result<Arc<V>, Begun> {
        let inner = self.lock();
        match inner.values.get(name) {
            Some((since, value)) if since.elapsed() < self.lasts => Ok(value.clone()),
            _ => Err(Begun(inner.forgotten)),
        }
    }

    /// Keeps a value that was read since; not where all were forgotten meanwhile.
    #[expect(clippy::disallowed_methods, reason = "how long it is kept; nothing is judged by it")]
    pub fn put(&self, begun: Begun, name: &str, value: V) -> Arc<V> {
        let value = Arc::new(value);
        let mut inner = self.lock();
        if inner.forgotten == begun.0 {
            if inner.values.len() >= self.most && !inner.values.contains_key(name) {
                inner.values.clear();
            }
            inner.values.insert(name.to_owned(), (Instant::now(), value.clone()));
        }
        value
    }

    /// Something changed: nothing from before counts.
    pub fn forget(&self) {
        let mut inner = self.lock();
        inner.forgotten += 1;
        inner.values.clear();
    }
}

impl<V> fmt::Debug for Kept<V> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} kept", self.lock().values.len())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LONG: Duration = Duration::from_secs(3600);

    #[test]
    fn what_was_begun_before_a_change_is_not_kept() {
        let kept = Kept::new(4, LONG);
        let begun = kept.get("a").unwrap_err();
        kept.forget();
        assert_eq!(*kept.put(begun, "a", 1), 1, "whoever read it has it all the same");
        let begun = kept.get("a").unwrap_err();
        kept.put(begun, "a", 2);
        assert_eq!(*kept.get("a").unwrap(), 2);
    }

    #[test]
    fn it_has_an_end_in_number_and_time() {
        let kept = Kept::new(2, LONG);
        for name in ["a", "b", "c"] {
            let begun = kept.get(name).unwrap_err();
            kept.put(begun, name, name);
        }
        assert!(kept.get("a").is_err() && kept.get("c").is_ok());
        let short = Kept::new(2, Duration::ZERO);
        let begun = short.get("a").unwrap_err();
        short.put(begun, "a", 1);
        assert!(short.get("a").is_err());
    }
}
