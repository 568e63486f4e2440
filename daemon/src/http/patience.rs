//! A connection whose other end has to read: what is written and not taken in time ends it.
//!
//! Without this a client that asks and never reads would keep its seat, its file and whatever answers it for good.

use std::future::Future;
use std::io;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Instant, Sleep};

/// A socket, which has nothing to flush of its own, with a limit on how long its other end may take nothing while there is something to take.
pub(super) struct Patience<S> {
    stream: S,
    limit: Duration,
    /// Runs since something could not be written.
    waiting: Option<Pin<Box<Sleep>>>,
}

impl<S> Patience<S> {
    pub(super) fn new(stream: S, limit: Duration) -> Self {
        Self { stream, limit, waiting: None }
    }

    /// What became of a try to write; an error where the other end took nothing for too long.
    fn judged(
        &mut self,
        tried: Poll<io::Result<usize>>,
        context: &mut Context<'_>,
    ) -> Poll<io::Result<usize>> {
        if tried.is_ready() {
            self.waiting = None;
            return tried;
        }
        let limit = self.limit;
        let waiting =
            self.waiting.get_or_insert_with(|| Box::pin(tokio::time::sleep_until(Instant::now() + limit)));
        match waiting.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Patience<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, into)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Patience<S> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let tried = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.judged(tried, context)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        pieces: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let tried = Pin::new(&mut self.stream).poll_write_vectored(context, pieces);
        self.judged(tried, context)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::future::poll_fn;

    #[tokio::test(start_paused = true)]
    async fn whoever_takes_nothing_for_too_long_is_let_go_and_whoever_takes_a_little_is_not() {
        let (here, mut there) = tokio::io::duplex(4);
        let mut stream = Patience::new(here, Duration::from_secs(30));
        let mut write = async || poll_fn(|c| Pin::new(&mut stream).poll_write(c, b"abcd")).await;
        assert_eq!(write().await.unwrap(), 4);
        let begun = Instant::now();
        let reading = async {
            tokio::time::sleep(Duration::from_secs(29)).await;
            let mut bytes = [0; 4];
            let mut into = ReadBuf::new(&mut bytes);
            poll_fn(|c| Pin::new(&mut there).poll_read(c, &mut into)).await.unwrap();
        };
        let (wrote, ()) = tokio::join!(write(), reading);
        assert_eq!(wrote.unwrap(), 4, "it read in time");
        assert_eq!(write().await.unwrap_err().kind(), io::ErrorKind::TimedOut);
        assert_eq!(begun.elapsed(), Duration::from_secs(29 + 30));
    }
}
