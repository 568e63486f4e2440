//! A file of a run as an answer, piece by piece: raw waveforms are large.

use super::etag::has_it;
use super::problem::{Code, Problem};
use crate::serve::desk::RunFile;
use axum::body::{Body, Bytes};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use std::fs::{File, Metadata};
use std::io::{self, Read};
use std::os::unix::fs::MetadataExt;
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;

/// Bytes of a piece.
const PIECE: usize = 64 * 1024;
/// Pieces on their way.
const PIECES: usize = 4;

/// Answers with a file, or that the caller has it.
///
/// # Errors
/// Where it can't be read.
pub(super) async fn answer(file: RunFile, asked: &HeaderMap) -> Result<Response, Problem> {
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
        let mut answer = Response::new(pieces(opened));
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

fn pieces(mut file: File) -> Body {
    let (to, stream) = mpsc::channel::<io::Result<Bytes>>(PIECES);
    tokio::task::spawn_blocking(move || {
        let mut piece = vec![0; PIECE];
        loop {
            let read = match file.read(&mut piece) {
                Ok(0) => return,
                Ok(n) => piece.get(..n).map(|bytes| Ok(Bytes::copy_from_slice(bytes))),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) => Some(Err(error)),
            };
            let Some(read) = read else { return };
            let over = read.is_err();
            if to.blocking_send(read).is_err() || over {
                return;
            }
        }
    });
    Body::from_stream(ReceiverStream::new(stream))
}
