//! Keeps other web pages out, and tells the browser what the page may do.
//!
//! Where other machines can reach it, the same holds for the names that it is called by there.
//!
//! A page elsewhere can reach a server on loopback in two ways: by a host name that resolves to
//! 127.0.0.1 (then `Host` is foreign), or by sending requests across origins (then `Origin`, or
//! `Sec-Fetch-Site` of the Fetch Metadata draft, is foreign).

use std::net::IpAddr;
use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use crate::answer::Refusal;

const POLICY: &str = "default-src 'self'; script-src 'self'; style-src 'self'; \
worker-src 'self' blob:; img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self'; \
object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'";

/// The names by which it may be called.
#[derive(Clone, Debug)]
pub(crate) struct Names {
    /// `http` or `https`, as the browser sees it.
    pub scheme: &'static str,
    /// Names besides those of loopback; empty where only this machine can reach it.
    pub hosts: Vec<String>,
    /// Any numeric address, too: no foreign page is served under one that is ours.
    pub numeric: bool,
}

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
pub(crate) async fn guard(
    State(names): State<Arc<Names>>,
    request: Request,
    next: Next,
) -> Response {
    let is_api = is_api(request.uri().path());
    let mut response = match judge(request.headers(), is_api, &names) {
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

fn judge(headers: &HeaderMap, is_api: bool, names: &Names) -> Result<(), Refusal> {
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
    if !is_our_host(host, names) {
        return foreign("a foreign Host");
    }
    if let Some(origin) = text(header::ORIGIN)
        && origin
            .strip_prefix(names.scheme)
            .and_then(|o| o.strip_prefix("://"))
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

/// `localhost`, a loopback address or one of the names, with or without a port. The port may differ
/// from the one listened on: a tunnel changes it.
fn is_our_host(host: &str, names: &Names) -> bool {
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
        Ok(ip) => (ip.is_loopback() || names.numeric) && ip.is_ipv6() == is_v6,
        Err(_) => {
            let ours = names.hosts.iter().any(|h| h.eq_ignore_ascii_case(name));
            !is_v6 && (ours || name.eq_ignore_ascii_case("localhost"))
        }
    };
    port_is_fine && name_is_fine
}

#[cfg(test)]
mod tests {
    use super::{Names, is_our_host};

    const ALONE: Names = Names {
        scheme: "http",
        hosts: Vec::new(),
        numeric: false,
    };

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
            assert!(is_our_host(good, &ALONE), "{good}");
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
            assert!(!is_our_host(bad, &ALONE), "{bad}");
        }
    }

    #[test]
    fn where_others_can_reach_it_its_own_names_are_hosts_too() {
        let names = Names {
            scheme: "https",
            hosts: vec!["tours.example".into()],
            numeric: true,
        };
        for good in [
            "tours.example",
            "TOURS.example:8443",
            "192.168.1.7:443",
            "[fd00::1]",
        ] {
            assert!(is_our_host(good, &names), "{good}");
        }
        for bad in ["evil.example", "tours.example.evil", "xtours.example", ""] {
            assert!(!is_our_host(bad, &names), "{bad}");
        }
    }
}
