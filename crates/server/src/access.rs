//! Who may use Lacet where other machines can reach it: one password, and a session for each
//! browser that knew it.
//!
//! The password is kept as an Argon2id hash (RFC 9106, its second recommended option: 64 MiB, 3
//! passes, 4 lanes) in a file of the data directory. Guessing is slowed down for each address.

use std::collections::HashMap;
use std::io::Write;
use std::net::{IpAddr, Ipv6Addr};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};
use argon2::{Algorithm, Argon2, Params, Version};
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use thiserror::Error;
use tokio::sync::Semaphore;

use crate::answer::{Refusal, beside, bytes, json};
use crate::door::Peer;
use crate::guard::is_api;

/// Shortest password, characters.
pub const MIN_PASSWORD_LEN: usize = 10;
/// Longest one, bytes.
const MAX_PASSWORD_LEN: usize = 1000;
/// How long a session lasts.
const SESSION_S: i64 = 30 * 24 * 3600;
/// Most sessions; the oldest end first.
const MAX_SESSIONS: usize = 200;
/// Wrong passwords that cost nothing.
const FREE_TRIES: u32 = 5;
/// Longest wait after a wrong password.
const MAX_WAIT_S: i64 = 15 * 60;
/// Addresses that are remembered; those that failed longest ago are forgotten first.
const MAX_ADDRESSES: usize = 10_000;
const COOKIE: &str = "lacet";

/// Why a password cannot be set.
#[derive(Debug, Error)]
pub enum PasswordError {
    /// Too short to keep anybody out, or too long.
    #[error("a password has {MIN_PASSWORD_LEN} characters or more, up to {MAX_PASSWORD_LEN} bytes")]
    Length,
    /// It cannot be hashed.
    #[error("the password cannot be hashed: {reason}")]
    Hash {
        /// What is wrong.
        reason: String,
    },
    /// It cannot be written down.
    #[error("cannot write {path}: {source}")]
    Io {
        /// The file.
        path: std::path::PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
}

fn argon2() -> Result<Argon2<'static>, String> {
    let params = Params::new(64 * 1024, 3, 4, None).map_err(|e| e.to_string())?;
    Ok(Argon2::new(Algorithm::Argon2id, Version::V0x13, params))
}

/// Writes the hash of a password to a file that only its owner can read.
pub fn set_password(path: &Path, password: &str) -> Result<(), PasswordError> {
    if password.chars().count() < MIN_PASSWORD_LEN || password.len() > MAX_PASSWORD_LEN {
        return Err(PasswordError::Length);
    }
    let failed = |reason| PasswordError::Hash { reason };
    let hash = argon2()
        .map_err(failed)?
        .hash_password(password.as_bytes())
        .map_err(|e| failed(e.to_string()))?;
    let io = |source| PasswordError::Io {
        path: path.into(),
        source,
    };
    let mut beside = path.as_os_str().to_owned();
    beside.push(".partial");
    let mut options = std::fs::File::options();
    options.write(true).create(true).truncate(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(&beside).map_err(io)?;
    writeln!(file, "{hash}")
        .and_then(|()| file.sync_all())
        .map_err(io)?;
    std::fs::rename(&beside, path).map_err(io)
}

/// Sessions and wrong guesses.
pub(crate) struct Access {
    hash: String,
    /// Whether cookies may only go over TLS.
    secure: bool,
    /// Whether the address of who asks stands in `X-Forwarded-For`, written by our own proxy.
    proxied: bool,
    sessions: Mutex<HashMap<String, i64>>,
    failures: Mutex<HashMap<IpAddr, (u32, i64)>>,
    /// Hashing takes memory: one at a time.
    turn: Semaphore,
    now_s: fn() -> i64,
}

impl Access {
    /// With the hash that [`set_password`] wrote; `None` if it is none.
    pub fn new(hash: &str, secure: bool, proxied: bool, now_s: fn() -> i64) -> Option<Self> {
        PasswordHash::new(hash.trim()).ok()?;
        Some(Access {
            hash: hash.trim().to_owned(),
            secure,
            proxied,
            sessions: Mutex::default(),
            failures: Mutex::default(),
            turn: Semaphore::new(1),
            now_s,
        })
    }

    fn cookie_name(&self) -> String {
        // The prefix binds the cookie to this host and to TLS (RFC 6265bis).
        let prefix = if self.secure { "__Host-" } else { "" };
        format!("{prefix}{COOKIE}")
    }

    fn token(&self, headers: &HeaderMap) -> Option<String> {
        let name = self.cookie_name();
        let cookies = headers
            .get_all(header::COOKIE)
            .iter()
            .filter_map(|v| v.to_str().ok());
        let mut pairs = cookies
            .flat_map(|c| c.split(';'))
            .filter_map(|c| c.trim().split_once('='));
        pairs.find(|(n, _)| *n == name).map(|(_, v)| v.to_owned())
    }

    fn is_known(&self, headers: &HeaderMap) -> bool {
        let Some(token) = self.token(headers) else {
            return false;
        };
        let sessions = self.sessions.lock().unwrap_or_else(PoisonError::into_inner);
        sessions
            .get(&token)
            .is_some_and(|began_s| (self.now_s)() - began_s < SESSION_S)
    }

    fn begin(&self) -> Result<String, Refusal> {
        let mut random = [0u8; 32];
        getrandom::fill(&mut random)
            .map_err(|_| Refusal::internal("there is no chance to be had"))?;
        let token: String = random.iter().map(|b| format!("{b:02x}")).collect();
        let mut sessions = self.sessions.lock().unwrap_or_else(PoisonError::into_inner);
        if sessions.len() >= MAX_SESSIONS
            && let Some(oldest) = sessions
                .iter()
                .min_by_key(|(_, began)| **began)
                .map(|(t, _)| t.clone())
        {
            sessions.remove(&oldest);
        }
        sessions.insert(token.clone(), (self.now_s)());
        Ok(token)
    }

    /// Whose guesses are counted together: an IPv4 address, or the network of an IPv6 one.
    fn address(&self, request: &Request) -> IpAddr {
        let peer = request.extensions().get::<Peer>().map(|p| p.0);
        let forwarded = request
            .headers()
            .get_all("x-forwarded-for")
            .iter()
            .next_back();
        // Our own proxy appends; what stands before was written by whoever asks.
        let forwarded =
            forwarded.and_then(|v| v.to_str().ok()?.rsplit(',').next()?.trim().parse().ok());
        let address = forwarded.filter(|_| self.proxied).or(peer);
        match address
            .unwrap_or(IpAddr::V6(Ipv6Addr::UNSPECIFIED))
            .to_canonical()
        {
            IpAddr::V6(a) => {
                let [n0, n1, n2, n3, ..] = a.segments();
                IpAddr::V6(Ipv6Addr::new(n0, n1, n2, n3, 0, 0, 0, 0))
            }
            v4 => v4,
        }
    }

    /// Seconds that an address must still wait.
    fn wait_s(&self, address: IpAddr) -> i64 {
        let failures = self.failures.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(&(count, last_s)) = failures.get(&address) else {
            return 0;
        };
        let Some(over) = count.checked_sub(FREE_TRIES) else {
            return 0;
        };
        let wait_s = (1i64 << over.min(20)).min(MAX_WAIT_S);
        (last_s + wait_s - (self.now_s)()).clamp(0, MAX_WAIT_S)
    }

    fn failed(&self, address: IpAddr) {
        let now_s = (self.now_s)();
        let mut failures = self.failures.lock().unwrap_or_else(PoisonError::into_inner);
        if failures.len() >= MAX_ADDRESSES
            && let Some(oldest) = failures
                .iter()
                .min_by_key(|(_, (_, last))| *last)
                .map(|(a, _)| *a)
        {
            failures.remove(&oldest);
        }
        let entry = failures.entry(address).or_default();
        *entry = (entry.0.saturating_add(1), now_s);
    }
}

#[derive(Deserialize)]
struct Login {
    password: String,
}

/// Lets in who has a session; answers the calls that begin and end one.
pub(crate) async fn admit(
    State(access): State<Arc<Access>>,
    request: Request,
    next: Next,
) -> Response {
    let path = request.uri().path().to_owned();
    match (request.method().as_str(), path.as_str()) {
        ("POST", "/api/login") => {
            return login(access, request)
                .await
                .unwrap_or_else(IntoResponse::into_response);
        }
        ("POST", "/api/logout") => {
            if let Some(token) = access.token(request.headers()) {
                access
                    .sessions
                    .lock()
                    .unwrap_or_else(PoisonError::into_inner)
                    .remove(&token);
            }
            return StatusCode::NO_CONTENT.into_response();
        }
        _ => {}
    }
    if access.is_known(request.headers()) {
        return next.run(request).await;
    }
    if is_api(&path) {
        let hint = "log in: POST /api/login";
        return Refusal::new(StatusCode::UNAUTHORIZED, "nobody is logged in here", hint)
            .into_response();
    }
    form(StatusCode::UNAUTHORIZED, "")
}

async fn login(access: Arc<Access>, request: Request) -> Result<Response, Refusal> {
    let address = access.address(&request);
    let (parts, body) = request.into_parts();
    let kind = parts
        .headers
        .get(header::CONTENT_TYPE)
        .and_then(|v| v.to_str().ok())
        .unwrap_or("");
    let is_form = kind.starts_with("application/x-www-form-urlencoded");
    let body = bytes(&parts.headers, body, 4000).await?;
    let login: Option<Login> = match is_form {
        true => form_field(&body, "password").map(|password| Login { password }),
        false => serde_json::from_slice(&body).ok(),
    };
    let Some(login) = login.filter(|l| l.password.len() <= MAX_PASSWORD_LEN) else {
        return Err(Refusal::bad(
            "there is no password in the call",
            "send {\"password\": \"...\"}",
        ));
    };
    // Taken in turn, so that guesses sent at once are counted one after the other.
    let turn = access.turn.acquire().await;
    let wait_s = access.wait_s(address);
    if wait_s > 0 {
        let hint = format!("wait {wait_s} seconds, then try again");
        let mut answer = match is_form {
            true => form(StatusCode::TOO_MANY_REQUESTS, &hint),
            false => Refusal::new(
                StatusCode::TOO_MANY_REQUESTS,
                "too many wrong passwords",
                hint,
            )
            .into_response(),
        };
        answer
            .headers_mut()
            .insert(header::RETRY_AFTER, HeaderValue::from(wait_s));
        return Ok(answer);
    }
    let hash = access.hash.clone();
    let right = beside(move || {
        let parsed = PasswordHash::new(&hash).map_err(|e| Refusal::internal(e.to_string()))?;
        let argon2 = argon2().map_err(Refusal::internal)?;
        Ok(argon2
            .verify_password(login.password.as_bytes(), &parsed)
            .is_ok())
    })
    .await?;
    if !right {
        access.failed(address);
        drop(turn);
        return Ok(match is_form {
            true => form(StatusCode::FORBIDDEN, "That is not the password."),
            false => Refusal::new(
                StatusCode::FORBIDDEN,
                "that is not the password",
                "try again",
            )
            .into_response(),
        });
    }
    access
        .failures
        .lock()
        .unwrap_or_else(PoisonError::into_inner)
        .remove(&address);
    let token = access.begin()?;
    let secure = if access.secure { "; Secure" } else { "" };
    let name = access.cookie_name();
    let cookie =
        format!("{name}={token}; Path=/; HttpOnly; SameSite=Strict; Max-Age={SESSION_S}{secure}");
    let cookie =
        HeaderValue::from_str(&cookie).map_err(|_| Refusal::internal("the session has no name"))?;
    let mut answer = match is_form {
        true => (
            StatusCode::SEE_OTHER,
            [(header::LOCATION, HeaderValue::from_static("/"))],
        )
            .into_response(),
        false => json(
            StatusCode::OK,
            &serde_json::json!({ "until_s": (access.now_s)() + SESSION_S }),
        ),
    };
    answer.headers_mut().insert(header::SET_COOKIE, cookie);
    Ok(answer)
}

/// A field of an urlencoded form (WHATWG URL, section 5).
fn form_field(body: &[u8], name: &str) -> Option<String> {
    let text = std::str::from_utf8(body).ok()?;
    let (_, value) = text
        .split('&')
        .filter_map(|p| p.split_once('='))
        .find(|(n, _)| *n == name)?;
    let mut out = Vec::new();
    let mut raw = value.bytes();
    while let Some(b) = raw.next() {
        out.push(match b {
            b'+' => b' ',
            b'%' => {
                let digits = [raw.next()?, raw.next()?];
                u8::from_str_radix(std::str::from_utf8(&digits).ok()?, 16).ok()?
            }
            b => b,
        });
    }
    String::from_utf8(out).ok()
}

/// The page that asks for the password. It needs neither script nor style.
fn form(status: StatusCode, word: &str) -> Response {
    let body = format!(
        "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width\">\
<title>Lacet</title><h1>Lacet</h1><form method=\"post\" action=\"/api/login\">\
<p><label>Password <input type=\"password\" name=\"password\" autocomplete=\"current-password\" required autofocus></label> \
<button>Log in</button></p><p role=\"status\">{word}</p></form></html>\n"
    );
    let kind = HeaderValue::from_static("text/html; charset=utf-8");
    let mut answer = (status, [(header::CONTENT_TYPE, kind)], body).into_response();
    answer
        .headers_mut()
        .insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    answer
}
