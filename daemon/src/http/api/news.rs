//! What happens, as server-sent events: each with a number, so that a viewer goes on where it was cut off.
//!
//! A viewer that reads too slowly gets what is still kept and loses the rest: it never holds up anything.

use super::Asked;
use crate::http::admit::Viewer;
use crate::http::house::Shared;
use crate::http::problem::{Code, Problem};
use crate::serve::news::Told;
use crate::serve::words::News;
use axum::body::{Body, Bytes};
use axum::extract::State;
use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use std::convert::Infallible;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::{broadcast, mpsc};
use tokio_stream::wrappers::ReceiverStream;
use utoipa::IntoParams;

/// Events on their way to one viewer.
const ON_THE_WAY: usize = 64;

/// So often something is sent, that a dead connection shows, to scripts too: those see events, and nothing else of a stream.
const ALIVE: Duration = Duration::from_secs(15);

/// What is sent then. One without data would be none.
const ALIVE_EVENT: &[u8] = b"event: alive\ndata: {}\n\n";

/// What a stream begins with: so many ms after its end a browser opens it again. By themselves some wait for longer than a page
/// believes that the daemon is there.
const AGAIN: &[u8] = b"retry: 1000\n\n";

/// A stream ends so long after it began; the viewer comes again, and says again who it is.
const LONGEST: Duration = Duration::from_secs(3600);

/// From where on news is wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct From {
    /// News after this number, as far as it is kept; the header Last-Event-ID goes first.
    since: Option<u64>,
}

/// What happens: events `moment`, `point`, `rig`, `queue`, `began` and `ended`, each with its number and a body of JSON. An event
/// `alive` without a number says at least four times a minute that the connection is.
#[utoipa::path(get, path = "/news", tag = "news",
    params(From, ("Last-Event-ID" = Option<u64>, Header, description = "Number of the last event that came through")),
    responses((status = 200, description = "Events without end; `data` of each is a News", body = News,
        content_type = "text/event-stream")))]
pub(super) async fn news(
    State(shared): State<Arc<Shared>>,
    _: Viewer,
    Asked(from): Asked<From>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let since =
        match headers.get("last-event-id") {
            None => from.since,
            Some(id) => Some(id.to_str().ok().and_then(|id| id.trim().parse().ok()).ok_or_else(|| {
                Problem::new(Code::Request, "Last-Event-ID has to be the number of an event")
            })?),
        };
    let place = Seat::take(&shared).ok_or_else(|| {
        Problem::new(Code::TooMany, format!("{} viewers are there already", shared.limits.streams))
    })?;
    let (to, events) = mpsc::channel(ON_THE_WAY);
    // Before the answer begins: whoever sees that the stream is open has missed nothing since.
    let news = shared.desk.news(since);
    tokio::spawn(async move {
        tokio::select! {
            () = tell(&shared, news, since, &to) => {}
            () = tokio::time::sleep(LONGEST) => {}
            () = shared.when_closing() => {}
        }
        drop(place);
    });
    let headers = [(header::CONTENT_TYPE, "text/event-stream"), (header::CACHE_CONTROL, "no-cache")];
    Ok((headers, Body::from_stream(ReceiverStream::new(events))).into_response())
}

/// A place among the viewers.
struct Seat(Arc<Shared>);

impl Seat {
    fn take(shared: &Arc<Shared>) -> Option<Self> {
        let taken = shared.counts.streams.fetch_add(1, Ordering::SeqCst);
        // Given back by itself where there are too many.
        let seat = Self(shared.clone());
        (taken < shared.limits.streams).then_some(seat)
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        self.0.counts.streams.fetch_sub(1, Ordering::SeqCst);
    }
}

/// Events on their way.
type Line = mpsc::Sender<Result<Bytes, Infallible>>;

/// Sends what happened and what happens, until the viewer goes away.
async fn tell(
    shared: &Shared,
    (mut before, mut now): (Vec<Told>, broadcast::Receiver<Told>),
    since: Option<u64>,
    to: &Line,
) {
    // Not the number that the viewer came with: one from before the last start of the daemon is higher than any of now.
    let mut sent = None;
    if to.send(Ok(Bytes::from_static(AGAIN))).await.is_err() {
        return;
    }
    loop {
        for told in before.drain(..) {
            // What was lost and asked for again may have been sent before.
            if sent.is_some_and(|sent| told.news.id <= sent) {
                continue;
            }
            sent = Some(told.news.id);
            if to.send(Ok(Bytes::from_owner(told.event))).await.is_err() {
                return;
            }
        }
        match next(&mut now, to).await {
            Some(Ok(told)) => before.push(told),
            // What was lost and is kept comes once more; moments are not kept.
            Some(Err(())) => (before, now) = shared.desk.news(sent.or(since).or(Some(0))),
            None => return,
        }
    }
}

/// The next piece of news, or that some was lost; none when the viewer or the house is gone.
async fn next(now: &mut broadcast::Receiver<Told>, to: &Line) -> Option<Result<Told, ()>> {
    loop {
        tokio::select! {
            heard = tokio::time::timeout(ALIVE, now.recv()) => match heard {
                Ok(Ok(told)) => return Some(Ok(told)),
                Ok(Err(RecvError::Lagged(_))) => return Some(Err(())),
                Ok(Err(RecvError::Closed)) => return None,
                Err(_) => to.send(Ok(Bytes::from_static(ALIVE_EVENT))).await.ok()?,
            },
            () = to.closed() => return None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A remark of the stream would keep the connection as well, but a script that looks on is not told of it.
    #[tokio::test(start_paused = true)]
    async fn where_nothing_happens_a_script_sees_a_sign_of_life() {
        let (_tells, mut now) = broadcast::channel(4);
        let (to, mut events) = mpsc::channel(4);
        let looks = tokio::spawn(async move { next(&mut now, &to).await.is_none() });
        let sign = events.recv().await.unwrap().unwrap();
        assert_eq!(sign, Bytes::from_static(b"event: alive\ndata: {}\n\n"));
        drop(events);
        assert!(looks.await.unwrap(), "nobody looks on any more");
    }
}
