//! What handlers read and return: bodies within bounds, JSON, files, and refusals in plain words.

use std::time::Duration;

use axum::body::{Body, Bytes, to_bytes};
use axum::extract::Request;
use axum::extract::rejection::QueryRejection;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::api::ErrorBody;

/// A body that takes longer than this to arrive is given up.
const BODY_PATIENCE: Duration = Duration::from_secs(120);

/// A refusal: status, what went wrong, what to do.
#[derive(Debug)]
pub(crate) struct Refusal {
    pub status: StatusCode,
    pub error: String,
    pub hint: String,
}

impl Refusal {
    pub fn new(status: StatusCode, error: impl Into<String>, hint: impl Into<String>) -> Self {
        Refusal {
            status,
            error: error.into(),
            hint: hint.into(),
        }
    }

    /// Something asked for is not there.
    pub fn missing(error: impl Into<String>, hint: impl Into<String>) -> Self {
        Refusal::new(StatusCode::NOT_FOUND, error, hint)
    }

    /// A question that makes no sense.
    pub fn bad(error: impl Into<String>, hint: impl Into<String>) -> Self {
        Refusal::new(StatusCode::BAD_REQUEST, error, hint)
    }

    /// Our own fault.
    pub fn internal(error: impl Into<String>) -> Self {
        let hint = "try again; if it stays so, restart Lacet";
        Refusal::new(StatusCode::INTERNAL_SERVER_ERROR, error, hint)
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        json(
            self.status,
            &ErrorBody {
                error: self.error,
                hint: self.hint,
            },
        )
    }
}

impl From<QueryRejection> for Refusal {
    fn from(e: QueryRejection) -> Self {
        Refusal::bad(
            format!("the question cannot be read: {}", e.body_text()),
            "correct the address",
        )
    }
}

/// A JSON answer.
pub(crate) fn json<T: Serialize>(status: StatusCode, value: &T) -> Response {
    match serde_json::to_vec(value) {
        Ok(bytes) => {
            let kind = HeaderValue::from_static("application/json");
            (status, [(header::CONTENT_TYPE, kind)], bytes).into_response()
        }
        Err(e) => {
            let text = format!("{{\"error\":\"the answer cannot be written: {e}\",\"hint\":\"\"}}");
            (StatusCode::INTERNAL_SERVER_ERROR, text).into_response()
        }
    }
}

/// 200 with JSON.
pub(crate) fn ok<T: Serialize>(value: &T) -> Result<Response, Refusal> {
    Ok(json(StatusCode::OK, value))
}

/// A file to be saved; `name` must be plain ASCII.
pub(crate) fn attachment(
    name: &str,
    kind: &'static str,
    bytes: Vec<u8>,
) -> Result<Response, Refusal> {
    let disposition = HeaderValue::from_str(&format!("attachment; filename=\"{name}\""))
        .map_err(|_| Refusal::internal("the file has no name that can be sent"))?;
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static(kind)),
        (header::CONTENT_DISPOSITION, disposition),
    ];
    Ok((headers, bytes).into_response())
}

/// The whole body, at most `limit` bytes of it in memory.
pub(crate) async fn bytes(headers: &HeaderMap, body: Body, limit: usize) -> Result<Bytes, Refusal> {
    let too_large = || {
        Refusal::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            format!("more than {} MB were sent", limit.div_ceil(1_000_000)),
            "cut the file into several",
        )
    };
    let announced = headers.get(header::CONTENT_LENGTH);
    let announced: Option<u64> = announced.and_then(|v| v.to_str().ok()?.parse().ok());
    if announced.is_some_and(|n| n > limit as u64) {
        return Err(too_large());
    }
    match tokio::time::timeout(BODY_PATIENCE, to_bytes(body, limit)).await {
        Ok(Ok(bytes)) => Ok(bytes),
        Ok(Err(e)) => {
            let mut cause: Option<&dyn std::error::Error> = Some(&e);
            while let Some(inner) = cause {
                if inner.to_string().contains("length limit") {
                    return Err(too_large());
                }
                cause = inner.source();
            }
            Err(Refusal::bad(
                "the body did not arrive whole",
                "send it again",
            ))
        }
        Err(_) => Err(Refusal::new(
            StatusCode::REQUEST_TIMEOUT,
            "the body did not arrive in time",
            "send it again",
        )),
    }
}

/// A JSON body of at most `limit` bytes, declared as JSON.
pub(crate) async fn json_body<T: DeserializeOwned>(
    request: Request,
    limit: usize,
) -> Result<T, Refusal> {
    let (parts, body) = request.into_parts();
    let kind = parts
        .headers
        .get(header::CONTENT_TYPE)
        .and_then(|v| v.to_str().ok());
    let kind = kind.and_then(|k| k.split(';').next()).unwrap_or("").trim();
    if !kind.eq_ignore_ascii_case("application/json") {
        return Err(Refusal::new(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "the body is not declared as JSON",
            "send it with Content-Type: application/json",
        ));
    }
    let bytes = bytes(&parts.headers, body, limit).await?;
    serde_json::from_slice(&bytes).map_err(|e| {
        Refusal::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            format!("the body is not what this call takes: {e}"),
            "see docs/api.md",
        )
    })
}

/// Runs what computes or waits for the disk beside the threads that answer.
pub(crate) async fn beside<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Refusal> + Send + 'static,
) -> Result<T, Refusal> {
    match tokio::task::spawn_blocking(work).await {
        Ok(result) => result,
        Err(_) => Err(Refusal::internal(
            "the work was broken off by a fault in Lacet",
        )),
    }
}
