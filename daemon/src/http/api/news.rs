//! What happens, as server-sent events: each with a number, so that a viewer goes on where it was cut off.
//!
//! A viewer that reads too slowly gets what is still kept and loses the rest: it never holds up anything.

use super::Asked;
use crate::http::admit::Viewer;
use crate::http::house::Shared;
use crate::http::problem::{Code, Problem};
use crate::serve::words::{Happening, News};
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::sse::{Event, KeepAlive, Sse};
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

/// So often something is sent, that a dead connection shows.
const ALIVE: Duration = Duration::from_secs(15);

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

/// What happens: events `moment`, `point`, `rig`, `queue`, `began` and `ended`, each with its number and a body of JSON.
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
    let stream = Sse::new(ReceiverStream::new(events)).keep_alive(KeepAlive::new().interval(ALIVE));
    Ok(stream.into_response())
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

/// Sends what happened and what happens, until the viewer goes away.
async fn tell(
    shared: &Shared,
    (mut before, mut now): (Vec<News>, broadcast::Receiver<News>),
    since: Option<u64>,
    to: &mpsc::Sender<Result<Event, Infallible>>,
) {
    let mut last = since.unwrap_or(0);
    loop {
        for news in before.drain(..) {
            if send(to, &news, &mut last).await.is_none() {
                return;
            }
        }
        match next(&mut now, to).await {
            Some(Ok(news)) => before.push(news),
            // What was lost and is kept comes once more; moments are not kept.
            Some(Err(())) => (before, now) = shared.desk.news(Some(last)),
            None => return,
        }
    }
}

/// The next piece of news, or that some was lost; none when the viewer or the house is gone.
async fn next(
    now: &mut broadcast::Receiver<News>,
    to: &mpsc::Sender<Result<Event, Infallible>>,
) -> Option<Result<News, ()>> {
    tokio::select! {
        heard = now.recv() => match heard {
            Ok(news) => Some(Ok(news)),
            Err(RecvError::Lagged(_)) => Some(Err(())),
            Err(RecvError::Closed) => None,
        },
        () = to.closed() => None,
    }
}

/// Sends one piece of news, unless it was sent before.
async fn send(to: &mpsc::Sender<Result<Event, Infallible>>, news: &News, last: &mut u64) -> Option<()> {
    if news.id <= *last {
        return Some(());
    }
    *last = news.id;
    let kind = match news.what {
        Happening::Moment(_) => "moment",
        Happening::Point(_) => "point",
        Happening::Rig(_) => "rig",
        Happening::Queue => "queue",
        Happening::Began(_) => "began",
        Happening::Ended(_) => "ended",
    };
    let event = Event::default().id(news.id.to_string()).event(kind).json_data(news).ok()?;
    to.send(Ok(event)).await.ok()
}
