//! News: what happened, numbered, to everybody who looks on.
//!
//! Invariant: nobody who tells waits for somebody who listens. A viewer that lags loses moments, and where it lags far, more.

use super::words::{Happening, News};
use std::collections::VecDeque;
use std::sync::{Mutex, PoisonError};
use tokio::sync::broadcast;

/// So many are kept for viewers that come back. Moments are not: a new one comes in a moment.
const KEPT: usize = 4096;

/// So many may wait for a viewer.
const DEPTH: usize = 512;

/// Where news come together.
#[derive(Debug)]
pub struct Newsroom {
    kept: Mutex<Kept>,
    line: broadcast::Sender<News>,
}

#[derive(Debug, Default)]
struct Kept {
    last: u64,
    news: VecDeque<News>,
}

impl Default for Newsroom {
    fn default() -> Self {
        Self { kept: Mutex::default(), line: broadcast::channel(DEPTH).0 }
    }
}

impl Newsroom {
    /// Tells what happened.
    pub fn tell(&self, what: Happening) {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.last += 1;
        let news = News { id: kept.last, what };
        if !matches!(news.what, Happening::Moment(_)) {
            if kept.news.len() == KEPT {
                kept.news.pop_front();
            }
            kept.news.push_back(news.clone());
        }
        // Nobody may be listening. Sent under the lock, so that numbers rise on the line too.
        let _ = self.line.send(news);
    }

    /// What happened since a number, as far as it is kept, and what happens from now on: nothing between is missed or doubled.
    #[must_use]
    pub fn since(&self, id: Option<u64>) -> (Vec<News>, broadcast::Receiver<News>) {
        let kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        let line = self.line.subscribe();
        let Some(id) = id else { return (Vec::new(), line) };
        // A number from before the last start of the daemon is higher than any of now: everything is new then.
        let id = if id > kept.last { 0 } else { id };
        (kept.news.iter().filter(|n| n.id > id).cloned().collect(), line)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::serve::words::Moment;

    #[test]
    fn a_viewer_goes_on_where_it_was_cut_off() {
        let room = Newsroom::default();
        (0..5).for_each(|_| room.tell(Happening::Queue));
        room.tell(Happening::Moment(Moment::default()));
        let (missed, mut line) = room.since(Some(3));
        assert_eq!(missed.iter().map(|n| n.id).collect::<Vec<_>>(), [4, 5], "moments are not sent again");
        room.tell(Happening::Queue);
        assert_eq!(line.try_recv().unwrap().id, 7);
        assert!(room.since(None).0.is_empty());
        assert_eq!(room.since(Some(1_000_000)).0.len(), 6, "from before a restart");
    }

    #[test]
    fn a_viewer_that_lags_holds_up_nobody_and_memory_has_an_end() {
        let room = Newsroom::default();
        let (_, mut slow) = room.since(None);
        (0..3 * KEPT).for_each(|_| room.tell(Happening::Queue));
        assert!(matches!(slow.try_recv(), Err(broadcast::error::TryRecvError::Lagged(_))));
        assert_eq!(room.since(Some(0)).0.len(), KEPT);
    }
}
