//! Style and script of the page, under names that change with what is in them, so that a browser keeps them and never an old one.

use crate::hash::sha256;
use crate::http::api::Part;
use crate::http::problem::{Code, Problem};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use std::sync::OnceLock;

const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");
const ICON: &str = include_str!("icon.svg");

struct Names {
    style: String,
    script: String,
    icon: String,
}

fn names() -> &'static Names {
    static NAMES: OnceLock<Names> = OnceLock::new();
    NAMES.get_or_init(|| {
        let named = |text: &str, ending: &str| format!("{}.{ending}", &sha256(text.as_bytes())[..16]);
        Names { style: named(STYLE, "css"), script: named(SCRIPT, "js"), icon: named(ICON, "svg") }
    })
}

/// Where the style is.
pub(super) fn style() -> String {
    format!("/assets/{}", names().style)
}

/// Where the script is.
pub(super) fn script() -> String {
    format!("/assets/{}", names().script)
}

/// Where the icon is.
pub(super) fn icon() -> String {
    format!("/assets/{}", names().icon)
}

pub(super) async fn asset(Part(name): Part<String>) -> Result<Response, Problem> {
    let names = names();
    let (text, media_type) = match name {
        _ if name == names.style => (STYLE, "text/css; charset=utf-8"),
        _ if name == names.script => (SCRIPT, "text/javascript; charset=utf-8"),
        _ if name == names.icon => (ICON, "image/svg+xml"),
        _ => return Err(Problem::new(Code::NotThere, "there is nothing here")),
    };
    let headers =
        [(header::CONTENT_TYPE, media_type), (header::CACHE_CONTROL, "public, max-age=31536000, immutable")];
    Ok((headers, text).into_response())
}
