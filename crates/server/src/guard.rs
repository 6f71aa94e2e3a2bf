//! Keeps other web pages out, and tells the browser what the page may do.
//!
//! A page elsewhere can reach a server on loopback in two ways: by a host name that resolves to
//! 127.0.0.1 (then `Host` is foreign), or by sending requests across origins (then `Origin`, or
//! `Sec-Fetch-Site` of the Fetch Metadata draft, is foreign).

use std::net::IpAddr;

use axum::extract::Request;
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use crate::answer::Refusal;

const POLICY: &str = "default-src 'self'; script-src 'self'; style-src 'self'; \
worker-src 'self' blob:; img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self'; \
object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// Headers of every answer.
const ALWAYS: [(HeaderName, &str); 6] = [
    (header::CONTENT_SECURITY_POLICY, POLICY),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::REFERRER_POLICY, "no-referrer"),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
    (
        HeaderName::from_static("cross-origin-opener-policy"),
        "same-origin",
    ),
];

/// Refuses foreign requests; adds the headers that every answer carries.
pub(crate) async fn guard(request: Request, next: Next) -> Response {
    let is_api = is_api(request.uri().path());
    let mut response = match judge(request.headers(), is_api) {
        Ok(()) => next.run(request).await,
        Err(refusal) => refusal.into_response(),
    };
    let headers = response.headers_mut();
    for (name, value) in ALWAYS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    if is_api && !headers.contains_key(header::CACHE_CONTROL) {
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
    response
}

/// Whether a path belongs to the API and not to the page.
pub(crate) fn is_api(path: &str) -> bool {
    path == "/api" || path.starts_with("/api/")
}

fn judge(headers: &HeaderMap, is_api: bool) -> Result<(), Refusal> {
    let foreign = |what: &str| {
        Err(Refusal::new(
            StatusCode::FORBIDDEN,
            format!("this request comes from elsewhere ({what})"),
            "open Lacet by the address that it printed",
        ))
    };
    let text = |name| {
        headers
            .get(name)
            .map(|v: &HeaderValue| v.to_str().unwrap_or(""))
    };
    let mut hosts = headers.get_all(header::HOST).iter();
    let host = match (hosts.next(), hosts.next()) {
        (Some(host), None) => host.to_str().unwrap_or(""),
        _ => return foreign("no Host, or several"),
    };
    if !is_loopback_host(host) {
        return foreign("a foreign Host");
    }
    if let Some(origin) = text(header::ORIGIN)
        && origin
            .strip_prefix("http://")
            .is_none_or(|o| !o.eq_ignore_ascii_case(host))
    {
        return foreign("a foreign Origin");
    }
    // A link elsewhere may open the page, but nothing elsewhere may use the API.
    match text(HeaderName::from_static("sec-fetch-site")) {
        Some("cross-site" | "same-site") if is_api => foreign("another site"),
        _ => Ok(()),
    }
}

/// `localhost` or a loopback address, with or without a port. The port may differ from the one
/// listened on: a tunnel changes it.
fn is_loopback_host(host: &str) -> bool {
    let (name, port) = match host.strip_prefix('[').and_then(|rest| rest.split_once(']')) {
        Some((name, port)) => (name, port),
        None => host.find(':').map_or((host, ""), |at| host.split_at(at)),
    };
    let port_is_fine = port.is_empty()
        || port
            .strip_prefix(':')
            .is_some_and(|p| p.parse::<u16>().is_ok());
    let is_v6 = host.starts_with('[');
    let name_is_fine = match name.parse::<IpAddr>() {
        Ok(ip) => ip.is_loopback() && ip.is_ipv6() == is_v6,
        Err(_) => !is_v6 && name.eq_ignore_ascii_case("localhost"),
    };
    port_is_fine && name_is_fine
}

#[cfg(test)]
mod tests {
    use super::is_loopback_host;

    #[test]
    fn only_loopback_names_are_hosts() {
        for good in [
            "localhost",
            "LOCALHOST:80",
            "127.0.0.1",
            "127.0.0.1:8080",
            "127.9.9.9:1",
            "[::1]:8080",
            "[::1]",
        ] {
            assert!(is_loopback_host(good), "{good}");
        }
        for bad in [
            "",
            "example.org",
            "localhost.example.org",
            "127.0.0.1.example.org",
            "10.0.0.1:80",
            "[::2]",
            "::1",
            "[127.0.0.1]",
            "localhost:x",
            "localhost:99999",
            "user@localhost",
            "[localhost]",
            "0.0.0.0",
        ] {
            assert!(!is_loopback_host(bad), "{bad}");
        }
    }
}
