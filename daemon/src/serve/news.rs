//! News: what happened, numbered, to everybody who looks on.
//!
//! Invariant: nobody who tells waits for somebody who listens. A viewer that lags loses moments, and where it lags far, more.

use super::words::{Happening, News};
use crate::record::UtcTime;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::broadcast;

/// So many are kept for viewers that come back. Moments are not: a new one comes in a moment.
const KEPT: usize = 4096;

/// So many may wait for a viewer.
const DEPTH: usize = 512;

/// A piece of news, written once for all who look on.
#[derive(Debug, Clone)]
pub struct Told {
    /// What it is.
    pub news: Arc<News>,
    /// The same as an event of a stream (server-sent events: id, event, data, an empty line).
    pub event: Arc<[u8]>,
}

impl Told {
    /// Writes it.
    #[must_use]
    pub fn new(news: News) -> Self {
        // News are plain words and numbers: they always have a JSON form, of one line.
        let data = serde_json::to_string(&news).unwrap_or_default();
        let event = format!("id: {}\nevent: {}\ndata: {data}\n\n", news.id, news.what.kind());
        Self { news: Arc::new(news), event: event.into_bytes().into() }
    }
}

/// Where news come together.
#[derive(Debug)]
pub struct Newsroom {
    kept: Mutex<Kept>,
    line: broadcast::Sender<Told>,
}

#[derive(Debug, Default)]
struct Kept {
    last: u64,
    news: VecDeque<Told>,
}

impl Default for Newsroom {
    fn default() -> Self {
        Self { kept: Mutex::default(), line: broadcast::channel(DEPTH).0 }
    }
}

impl Newsroom {
    /// A newsroom that opens now. Its numbers begin at the milliseconds since 1970: higher than those of earlier starts, since
    /// nobody tells a thousand things a second, so that a viewer from before a restart misses nothing.
    #[must_use]
    pub fn at(now: UtcTime) -> Self {
        let last = u64::try_from(now.timestamp().as_millisecond()).unwrap_or(0);
        Self { kept: Mutex::new(Kept { last, news: VecDeque::new() }), ..Self::default() }
    }

    /// Tells what happened.
    pub fn tell(&self, what: Happening) {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.last += 1;
        let news = Told::new(News { id: kept.last, what });
        if !matches!(news.news.what, Happening::Moment(_)) {
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
    pub fn since(&self, id: Option<u64>) -> (Vec<Told>, broadcast::Receiver<Told>) {
        let kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        let line = self.line.subscribe();
        let Some(id) = id else { return (Vec::new(), line) };
        // A number that is higher than any of now is from before a start, and the clock was set back: everything is new then.
        let id = if id > kept.last { 0 } else { id };
        (kept.news.iter().filter(|n| n.news.id > id).cloned().collect(), line)
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
        assert_eq!(
            missed.iter().map(|n| n.news.id).collect::<Vec<_>>(),
            [4, 5],
            "moments are not sent again"
        );
        room.tell(Happening::Queue);
        assert_eq!(line.try_recv().unwrap().news.id, 7);
        assert!(room.since(None).0.is_empty());
        assert_eq!(room.since(Some(1_000_000)).0.len(), 6, "from before a restart");
    }

    #[test]
    fn numbers_rise_over_a_restart() {
        let before = Newsroom::at("2026-01-01T00:00:00Z".parse().unwrap());
        (0..5000).for_each(|_| before.tell(Happening::Queue));
        let last = before.since(Some(0)).0.last().unwrap().news.id;
        let after = Newsroom::at("2026-01-01T00:00:10Z".parse().unwrap());
        after.tell(Happening::Queue);
        assert_eq!(after.since(Some(last)).0.len(), 1);
    }

    #[test]
    fn an_event_is_one_of_a_stream() {
        let told = Told::new(News { id: 7, what: Happening::Began("a\nb".to_owned()) });
        let expected = "id: 7\nevent: began\ndata: {\"id\":7,\"kind\":\"began\",\"body\":\"a\\nb\"}\n\n";
        assert_eq!(std::str::from_utf8(&told.event).unwrap(), expected);
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
