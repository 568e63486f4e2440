//! Listening: connections of a door, each served apart from the others, with limits on number and time.
//!
//! Owns accepting, TLS, and the end of it all. A connection beyond the limit is told so and closed at once.

use super::house::Shared;
use super::patience::Patience;
use super::peer::Peer;
use super::seats::Seats;
use axum::Router;
use axum::body::Body;
use axum::http::Request;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::io;
use std::pin::pin;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, UnixListener};
use tokio::task::JoinSet;
use tokio_rustls::TlsAcceptor;
use tower::ServiceExt;

/// So long a door waits after accepting failed, such as for want of file descriptors.
const AFTER_FAILURE: Duration = Duration::from_millis(200);

/// So long the other end may take to greet over TLS.
const GREETING: Duration = Duration::from_secs(10);

/// So long connections may take to end when the doors close.
const PARTING: Duration = Duration::from_secs(5);

/// What is answered to a connection too many.
const TOO_MANY: &[u8] =
    b"HTTP/1.1 503 Service Unavailable\r\nRetry-After: 10\r\nContent-Length: 0\r\nConnection: close\r\n\r\n";

/// A door that is open.
pub(super) enum Door {
    /// The socket of this machine.
    Socket(UnixListener),
    /// The port, with TLS or without.
    Port(TcpListener, Option<TlsAcceptor>),
}

/// One connection, before it was greeted.
enum Come {
    Socket(tokio::net::UnixStream, Peer),
    Port(tokio::net::TcpStream, Peer),
}

impl Come {
    fn peer(&self) -> Peer {
        match self {
            Self::Socket(_, peer) | Self::Port(_, peer) => *peer,
        }
    }
}

impl Door {
    async fn next(&self) -> io::Result<Come> {
        match self {
            Self::Socket(listener) => {
                let (stream, _) = listener.accept().await?;
                let uid = stream.peer_cred()?.uid();
                Ok(Come::Socket(stream, Peer::Socket { uid }))
            }
            Self::Port(listener, _) => {
                let (stream, address) = listener.accept().await?;
                // Small answers go out at once; where that can't be set they are only later.
                let _ = stream.set_nodelay(true);
                Ok(Come::Port(stream, Peer::Port(address)))
            }
        }
    }

    /// Serves until the doors close, then lets each connection end what it is at.
    pub(super) async fn serve(self, router: Router, shared: Arc<Shared>) {
        let seats = Seats::new(shared.limits.connections, shared.limits.an_address);
        let mut connections = JoinSet::new();
        loop {
            let come = tokio::select! {
                come = self.next() => come,
                () = shared.when_closing() => break,
                // Those that ended are forgotten.
                Some(_) = connections.join_next() => continue,
            };
            let come = match come {
                Ok(come) => come,
                Err(error) => {
                    tracing::warn!(%error, "a connection can't be accepted");
                    tokio::time::sleep(AFTER_FAILURE).await;
                    continue;
                }
            };
            let Some(seat) = seats.take(come.peer()) else {
                shared.counts.refused.fetch_add(1, Ordering::Relaxed);
                refuse(come);
                continue;
            };
            let one = Connection { router: router.clone(), shared: shared.clone() };
            let tls = match &self {
                Self::Port(_, tls) => tls.clone(),
                Self::Socket(_) => None,
            };
            connections.spawn(async move {
                one.take(come, tls).await;
                drop(seat);
            });
        }
        let ended = async { while connections.join_next().await.is_some() {} };
        if tokio::time::timeout(PARTING, ended).await.is_err() {
            tracing::warn!("connections that did not end were cut");
        }
    }
}

/// Says that there is no room, without waiting for whoever does not read it.
fn refuse(come: Come) {
    match come {
        Come::Socket(stream, _) => {
            let _ = stream.try_write(TOO_MANY);
        }
        Come::Port(stream, _) => {
            let _ = stream.try_write(TOO_MANY);
        }
    }
}

struct Connection {
    router: Router,
    shared: Arc<Shared>,
}

impl Connection {
    async fn take(self, come: Come, tls: Option<TlsAcceptor>) {
        let limit = Duration::from_secs(self.shared.limits.write_s);
        match (come, tls) {
            (Come::Socket(stream, peer), _) => self.serve(Patience::new(stream, limit), peer).await,
            (Come::Port(stream, peer), None) => self.serve(Patience::new(stream, limit), peer).await,
            (Come::Port(stream, peer), Some(tls)) => {
                match tokio::time::timeout(GREETING, tls.accept(Patience::new(stream, limit))).await {
                    Ok(Ok(stream)) => self.serve(stream, peer).await,
                    Ok(Err(error)) => tracing::debug!(%error, ?peer, "no TLS"),
                    Err(_) => tracing::debug!(?peer, "no greeting over TLS in time"),
                }
            }
        }
    }

    async fn serve<S>(self, stream: S, peer: Peer)
    where
        S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
    {
        let counts = &self.shared.counts;
        counts.connections.fetch_add(1, Ordering::Relaxed);
        let service = self.router.map_request(move |mut request: Request<Incoming>| {
            request.extensions_mut().insert(peer);
            request.map(Body::new)
        });
        let head = Duration::from_secs(self.shared.limits.head_s);
        let mut connection = pin!(
            http1::Builder::new()
                .timer(TokioTimer::new())
                .header_read_timeout(head)
                .serve_connection(TokioIo::new(stream), TowerToHyperService::new(service))
        );
        let ended = tokio::select! {
            ended = connection.as_mut() => ended,
            () = self.shared.when_closing() => {
                connection.as_mut().graceful_shutdown();
                connection.await
            }
        };
        if let Err(error) = ended {
            tracing::debug!(%error, ?peer, "a connection broke off");
        }
        counts.connections.fetch_sub(1, Ordering::Relaxed);
    }
}
