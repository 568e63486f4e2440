//! Panels that take lines of text: over TCP any number of connections, over a pseudo-terminal one.

use super::scpi::asks_for_completion;
use super::{Place, Text};
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncRead, AsyncWrite, AsyncWriteExt, BufReader};
use tokio::task::JoinSet;

/// Between two looks whether what was told is in effect.
const LOOK: Duration = Duration::from_millis(1);

/// Longest line that is taken.
const LINE_MAX: usize = 64 * 1024;

/// Answers lines until it is dropped.
pub(super) async fn serve(place: Place, panel: Text) {
    match place {
        Place::Line { stream, .. } => converse(stream, panel).await,
        Place::Tcp(listener, _) => {
            // The connections end with this task.
            let mut connections = JoinSet::new();
            while let Ok((stream, _)) = listener.accept().await {
                let _ = stream.set_nodelay(true);
                connections.spawn(converse(stream, panel.clone()));
                while connections.try_join_next().is_some() {}
            }
        }
    }
}

async fn converse(stream: impl AsyncRead + AsyncWrite + Unpin, panel: Text) {
    let mut lines = BufReader::new(stream);
    let mut line = Vec::new();
    loop {
        line.clear();
        match lines.read_until(b'\n', &mut line).await {
            Ok(count) if count > 0 && count <= LINE_MAX => {}
            _ => return,
        }
        let text = String::from_utf8_lossy(&line);
        let said = (panel.answer)(text.trim());
        // What stands in the same line was told before it is asked for.
        while asks_for_completion(&text) && (panel.is_busy)() {
            tokio::time::sleep(LOOK).await;
        }
        if !said.is_empty() && (lines.write_all(&said).await.is_err() || lines.flush().await.is_err()) {
            return;
        }
    }
}
