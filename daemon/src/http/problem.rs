//! Problem details (RFC 9457): how every request that fails is answered.
//!
//! Owns the codes that programs may rely on. What is said outside is for the caller; what only helps whoever keeps the
//! daemon goes to the log.

use crate::serve::desk::Refusal;
use axum::Json;
use axum::extract::rejection::{BytesRejection, FormRejection, JsonRejection, PathRejection, QueryRejection};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The media type of problem details.
pub const MEDIA_TYPE: &str = "application/problem+json";

/// What went wrong, as RFC 9457 writes it, with a code for programs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Problem {
    /// A name for the kind of problem, `urn:calwright:problem:` and the code; nothing is to be fetched there.
    #[serde(rename = "type")]
    pub kind: String,
    /// The kind of problem in words, the same each time.
    pub title: String,
    /// The HTTP status once more.
    pub status: u16,
    /// What happened this time, with the remedy where there is one.
    pub detail: String,
    /// The kind of problem as one word; stable.
    pub code: String,
}

/// Kinds of problems: code, status, title.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Code {
    /// Nobody said who asks.
    NoIdentity,
    /// Who asks may not.
    NotAllowed,
    /// Only at the machine.
    AtMachineOnly,
    /// The request came from a page that is not ours, or by a name that is not ours.
    WrongOrigin,
    /// There is no such thing.
    NotThere,
    /// There is such a place, but not for this method.
    Method,
    /// The request can't be understood.
    Request,
    /// The body is too large.
    TooLarge,
    /// The body is of another type than JSON.
    MediaType,
    /// What was written can't be used.
    Input,
    /// Not in this state.
    State,
    /// The key came with something else before.
    KeyUsed,
    /// Too many failures, or too many at once.
    TooMany,
    /// Disk or database.
    Environment,
    /// It took too long.
    TimeOut,
    /// A mistake in the program.
    Program,
}

impl Code {
    /// The word of this code.
    #[must_use]
    pub const fn word(self) -> &'static str {
        self.entry().0
    }

    /// The status it is answered with.
    #[must_use]
    pub const fn status(self) -> StatusCode {
        self.entry().1
    }

    /// The kind of problem in words.
    #[must_use]
    pub const fn title(self) -> &'static str {
        self.entry().2
    }

    const fn entry(self) -> (&'static str, StatusCode, &'static str) {
        match self {
            Self::NoIdentity => ("no_identity", StatusCode::UNAUTHORIZED, "An identity is needed"),
            Self::NotAllowed => ("not_allowed", StatusCode::FORBIDDEN, "This person may not"),
            Self::AtMachineOnly => ("at_machine_only", StatusCode::FORBIDDEN, "Only at the machine"),
            Self::WrongOrigin => ("wrong_origin", StatusCode::FORBIDDEN, "Not from here"),
            Self::NotThere => ("not_there", StatusCode::NOT_FOUND, "There is no such thing"),
            Self::Method => ("method", StatusCode::METHOD_NOT_ALLOWED, "Another method is needed"),
            Self::Request => ("request", StatusCode::BAD_REQUEST, "The request can't be understood"),
            Self::TooLarge => ("too_large", StatusCode::PAYLOAD_TOO_LARGE, "The body is too large"),
            Self::MediaType => ("media_type", StatusCode::UNSUPPORTED_MEDIA_TYPE, "The body has to be JSON"),
            Self::Input => ("input", StatusCode::UNPROCESSABLE_ENTITY, "What was written can't be used"),
            Self::State => ("state", StatusCode::CONFLICT, "Not in this state"),
            Self::KeyUsed => {
                ("key_used", StatusCode::UNPROCESSABLE_ENTITY, "The key was used for something else")
            }
            Self::TooMany => ("too_many", StatusCode::TOO_MANY_REQUESTS, "Too many at once"),
            Self::Environment => {
                ("environment", StatusCode::SERVICE_UNAVAILABLE, "Disk or database can't be used")
            }
            Self::TimeOut => ("time_out", StatusCode::SERVICE_UNAVAILABLE, "It took too long"),
            Self::Program => ("program", StatusCode::INTERNAL_SERVER_ERROR, "A mistake in the program"),
        }
    }
}

impl Problem {
    /// A problem of this kind.
    #[must_use]
    pub fn new(code: Code, detail: impl Into<String>) -> Self {
        Self {
            kind: format!("urn:calwright:problem:{}", code.word()),
            title: code.title().to_owned(),
            status: code.status().as_u16(),
            detail: detail.into(),
            code: code.word().to_owned(),
        }
    }

    /// The answer to somebody who did not say who they are.
    #[must_use]
    pub fn no_identity() -> Self {
        Self::new(
            Code::NoIdentity,
            "say who you are: a bearer token, a login on the page, or the socket of this machine",
        )
    }

    /// Its status.
    #[must_use]
    pub fn status(&self) -> StatusCode {
        StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
    }
}

impl From<Refusal> for Problem {
    fn from(refusal: Refusal) -> Self {
        match refusal {
            Refusal::NotThere(text) => Self::new(Code::NotThere, text),
            Refusal::NotAllowed(text) => Self::new(Code::NotAllowed, text),
            Refusal::Input(text) => Self::new(Code::Input, text),
            Refusal::State(text) => Self::new(Code::State, text),
            Refusal::KeyUsed(text) => Self::new(Code::KeyUsed, text),
            Refusal::Environment(text) => {
                tracing::error!(detail = text, "disk or database");
                Self::new(
                    Code::Environment,
                    "disk or database can't be used; a change may have been made in part: look before you ask again. The daemon's log says more",
                )
            }
        }
    }
}

impl From<JsonRejection> for Problem {
    fn from(rejection: JsonRejection) -> Self {
        let code = match rejection.status() {
            StatusCode::UNSUPPORTED_MEDIA_TYPE => Code::MediaType,
            StatusCode::PAYLOAD_TOO_LARGE => Code::TooLarge,
            StatusCode::UNPROCESSABLE_ENTITY => Code::Input,
            _ => Code::Request,
        };
        Self::new(code, rejection.body_text())
    }
}

impl From<BytesRejection> for Problem {
    fn from(rejection: BytesRejection) -> Self {
        let large = rejection.status() == StatusCode::PAYLOAD_TOO_LARGE;
        Self::new(if large { Code::TooLarge } else { Code::Request }, rejection.body_text())
    }
}

impl From<FormRejection> for Problem {
    fn from(rejection: FormRejection) -> Self {
        let large = rejection.status() == StatusCode::PAYLOAD_TOO_LARGE;
        Self::new(if large { Code::TooLarge } else { Code::Request }, rejection.body_text())
    }
}

impl From<PathRejection> for Problem {
    /// What can't be the name of a thing names none.
    fn from(rejection: PathRejection) -> Self {
        Self::new(Code::NotThere, rejection.body_text())
    }
}

impl From<QueryRejection> for Problem {
    fn from(rejection: QueryRejection) -> Self {
        Self::new(Code::Request, rejection.body_text())
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = self.status();
        let mut response = (status, Json(&self)).into_response();
        // The page shows problems in its own way.
        response.extensions_mut().insert(self);
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(MEDIA_TYPE));
        if status == StatusCode::UNAUTHORIZED {
            headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer realm=\"calwright\""));
        }
        if matches!(status, StatusCode::TOO_MANY_REQUESTS | StatusCode::SERVICE_UNAVAILABLE) {
            headers.insert(header::RETRY_AFTER, HeaderValue::from_static("10"));
        }
        response
    }
}
