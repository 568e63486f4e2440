//! Panels that take lines of text: over TCP any number of connections, over a pseudo-terminal one.

use super::{Answer, Place};
use tokio::io::{AsyncBufReadExt, AsyncRead, AsyncWrite, AsyncWriteExt, BufReader};
use tokio::task::JoinSet;

/// Longest line that is taken.
const LINE_MAX: usize = 64 * 1024;

/// Answers lines until it is dropped.
pub(super) async fn serve(place: Place, answer: Answer) {
    match place {
        Place::Line { stream, .. } => converse(stream, answer).await,
        Place::Tcp(listener, _) => {
            // The connections end with this task.
            let mut connections = JoinSet::new();
            while let Ok((stream, _)) = listener.accept().await {
                let _ = stream.set_nodelay(true);
                connections.spawn(converse(stream, answer.clone()));
                while connections.try_join_next().is_some() {}
            }
        }
    }
}

async fn converse(stream: impl AsyncRead + AsyncWrite + Unpin, answer: Answer) {
    let mut lines = BufReader::new(stream);
    let mut line = Vec::new();
    loop {
        line.clear();
        match lines.read_until(b'\n', &mut line).await {
            Ok(count) if count > 0 && count <= LINE_MAX => {}
            _ => return,
        }
        let said = answer(String::from_utf8_lossy(&line).trim());
        if !said.is_empty() && (lines.write_all(&said).await.is_err() || lines.flush().await.is_err()) {
            return;
        }
    }
}
