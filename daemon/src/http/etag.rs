//! Conditional reads: an answer carries the hash of its bytes, and is not sent again to whoever has it.

use super::problem::{Code, Problem};
use crate::hash::sha256;
use axum::body::{Body, to_bytes};
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

/// Largest answer that is hashed: all of a queue, a result, 1000 entries.
const BYTES_MAX: usize = 64 << 20;

/// Gives an answer its tag. One that has a tag already, such as a file, is left as it is.
pub(super) async fn with_etag(request: Request, next: Next) -> Response {
    let asked = request.headers().clone();
    let answer = next.run(request).await;
    if answer.status() != StatusCode::OK || answer.headers().contains_key(header::ETAG) {
        return answer;
    }
    let (mut head, body) = answer.into_parts();
    let Ok(bytes) = to_bytes(body, BYTES_MAX).await else {
        return Problem::new(Code::Program, "an answer was too large to be sent").into_response();
    };
    let tag = format!("\"{}\"", &sha256(&bytes)[..32]);
    head.headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("private, no-cache"));
    if let Ok(value) = HeaderValue::from_str(&tag) {
        head.headers.insert(header::ETAG, value);
    }
    if has_it(&asked, &tag) {
        head.status = StatusCode::NOT_MODIFIED;
        head.headers.remove(header::CONTENT_TYPE);
        head.headers.remove(header::CONTENT_LENGTH);
        return Response::from_parts(head, Body::empty());
    }
    Response::from_parts(head, Body::from(bytes))
}

/// Whether the caller says that it has what this tag stands for.
pub(super) fn has_it(asked: &HeaderMap, tag: &str) -> bool {
    asked
        .get_all(header::IF_NONE_MATCH)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|line| line.split(','))
        .map(|one| one.trim().trim_start_matches("W/"))
        .any(|one| one == "*" || one == tag)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tags_are_compared_weakly_and_one_of_several_will_do() {
        let asked = |text: &str| {
            HeaderMap::from_iter([(header::IF_NONE_MATCH, HeaderValue::from_str(text).unwrap())])
        };
        assert!(has_it(&asked("\"a\", W/\"b\""), "\"b\""));
        assert!(has_it(&asked("*"), "\"b\""));
        assert!(!has_it(&asked("\"c\""), "\"b\"") && !has_it(&HeaderMap::new(), "\"b\""));
    }
}
