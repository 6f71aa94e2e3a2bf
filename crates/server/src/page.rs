//! The page, built from `web/` and embedded in the binary.

use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use rust_embed::RustEmbed;

use crate::answer::Refusal;
use crate::guard::is_api;

#[derive(RustEmbed)]
#[folder = "$OUT_DIR/page"]
struct Page;

/// Whatever is not in the API: a file of the page, or the page itself for an address without a
/// file ending.
pub(crate) async fn page(method: Method, uri: Uri, headers: HeaderMap) -> Response {
    let path = uri.path();
    if is_api(path) {
        return Refusal::missing(format!("there is no call {path}"), "see docs/api.md")
            .into_response();
    }
    if method != Method::GET && method != Method::HEAD {
        let hint = "open it in a browser";
        return Refusal::new(
            StatusCode::METHOD_NOT_ALLOWED,
            "the page is only read",
            hint,
        )
        .into_response();
    }
    let wanted = path.trim_start_matches('/');
    let is_file = wanted
        .rsplit('/')
        .next()
        .is_some_and(|last| last.contains('.'));
    let name = if is_file { wanted } else { "index.html" };
    let Some(file) = Page::get(name) else {
        return Refusal::missing("the page has no such file", "open the page again")
            .into_response();
    };
    let hash = file.metadata.sha256_hash();
    let tag: String = hash.iter().take(12).map(|b| format!("{b:02x}")).collect();
    let tag = format!("\"{tag}\"");
    // The bundler puts a hash of the content into the names of assets.
    let caching = if name.starts_with("assets/") {
        "private, max-age=31536000, immutable"
    } else {
        "no-cache"
    };
    let mut answer = if is_known(&headers, &tag) {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        let mut kind = file.metadata.mimetype().to_owned();
        if kind.starts_with("text/") {
            kind.push_str("; charset=utf-8");
        }
        let kind = HeaderValue::from_str(&kind)
            .unwrap_or(HeaderValue::from_static("application/octet-stream"));
        ([(header::CONTENT_TYPE, kind)], file.data).into_response()
    };
    mark(answer.headers_mut(), &tag, caching);
    answer
}

/// The API as an OpenAPI 3.1 document.
pub(crate) async fn openapi() -> Response {
    let kind = HeaderValue::from_static("application/json");
    let text = include_str!("../../../docs/openapi.json");
    ([(header::CONTENT_TYPE, kind)], text).into_response()
}

/// Whether the browser already holds what carries this tag.
pub(crate) fn is_known(headers: &HeaderMap, tag: &str) -> bool {
    let known = headers
        .get(header::IF_NONE_MATCH)
        .and_then(|v| v.to_str().ok())
        .unwrap_or("");
    known
        .split(',')
        .any(|k| k.trim().trim_start_matches("W/") == tag)
}

/// Says how long an answer may be kept, and its tag.
pub(crate) fn mark(headers: &mut HeaderMap, tag: &str, caching: &'static str) {
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static(caching));
    if let Ok(tag) = HeaderValue::from_str(tag) {
        headers.insert(header::ETAG, tag);
    }
}
