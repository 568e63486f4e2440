//! A file of a run as an answer, piece by piece: raw waveforms are large.

use super::etag::has_it;
use super::house::Shared;
use super::problem::{Code, Problem};
use crate::serve::desk::RunFile;
use axum::body::{Body, Bytes};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use std::fs::{File, Metadata};
use std::io::{self, Read};
use std::os::unix::fs::MetadataExt;
use std::sync::Arc;
use tokio::sync::{OwnedSemaphorePermit, mpsc};
use tokio_stream::wrappers::ReceiverStream;

/// Bytes of a piece.
const PIECE: usize = 64 * 1024;
/// Pieces on their way.
const PIECES: usize = 4;

/// Answers with a file, or that the caller has it.
///
/// # Errors
/// Where it can't be read.
pub(super) async fn answer(shared: &Shared, file: RunFile, asked: &HeaderMap) -> Result<Response, Problem> {
    let path = file.path.clone();
    let opened = tokio::task::spawn_blocking(move || -> io::Result<(File, Metadata)> {
        let file = File::open(path)?;
        let about = file.metadata()?;
        Ok((file, about))
    });
    let (opened, about) = match opened.await {
        Ok(Ok(opened)) => opened,
        Ok(Err(error)) if error.kind() == io::ErrorKind::NotFound => {
            return Err(Problem::new(Code::NotThere, "this run has no such file"));
        }
        other => {
            tracing::error!(?other, path = %file.path.display(), "a file of a run can't be read");
            return Err(Problem::new(
                Code::Environment,
                "the file can't be read; the daemon's log says more",
            ));
        }
    };
    // Files of a run are put in place whole, so size, time and place tell one version from another.
    let tag =
        format!("\"{:x}-{:x}-{:x}-{:x}\"", about.ino(), about.size(), about.mtime(), about.mtime_nsec());
    let mut answer = if has_it(asked, &tag) {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        // Whoever comes when many files are on their way waits for its turn, within the time of an answer.
        let leave = shared.downloads.clone().acquire_owned().await.map_err(|error| {
            tracing::error!(%error, "no file can be sent");
            Problem::new(Code::Program, "no file can be sent; the daemon's log says more")
        })?;
        let mut answer = Response::new(pieces(opened, leave));
        answer.headers_mut().insert(header::CONTENT_TYPE, HeaderValue::from_static(file.media_type));
        answer.headers_mut().insert(header::CONTENT_LENGTH, about.size().into());
        answer
    };
    let headers = answer.headers_mut();
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("private, no-cache"));
    if let Ok(tag) = HeaderValue::from_str(&tag) {
        headers.insert(header::ETAG, tag);
    }
    if let Ok(value) = HeaderValue::from_str(&disposition(&file)) {
        headers.insert(header::CONTENT_DISPOSITION, value);
    }
    Ok(answer)
}

/// Kept under its own name rather than shown: what a template made is not trusted in a page of ours.
fn disposition(file: &RunFile) -> String {
    let name = file.path.file_name().unwrap_or_default().to_string_lossy();
    let plain: String =
        name.chars().map(|c| if c.is_ascii_alphanumeric() || "._- ".contains(c) { c } else { '_' }).collect();
    format!("attachment; filename=\"{plain}\"")
}

/// A body that is read as it is taken: no thread waits for whoever reads it slowly. `leave` ends with it.
fn pieces(file: File, leave: OwnedSemaphorePermit) -> Body {
    let (to, stream) = mpsc::channel::<io::Result<Bytes>>(PIECES);
    let file = Arc::new(file);
    tokio::spawn(async move {
        let _leave = leave;
        loop {
            let from = file.clone();
            let read = tokio::task::spawn_blocking(move || next_piece(&from)).await;
            let read = read.unwrap_or_else(|error| Err(io::Error::other(error)));
            let failed = read.is_err();
            let at_end = matches!(&read, Ok(piece) if piece.is_empty());
            if at_end || to.send(read).await.is_err() || failed {
                return;
            }
        }
    });
    Body::from_stream(ReceiverStream::new(stream))
}

/// The next piece of a file; empty at its end.
fn next_piece(mut file: &File) -> io::Result<Bytes> {
    let mut piece = vec![0; PIECE];
    loop {
        match file.read(&mut piece) {
            Ok(n) => {
                piece.truncate(n);
                return Ok(piece.into());
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}
