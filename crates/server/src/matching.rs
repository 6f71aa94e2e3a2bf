//! Laying recordings on roads.

use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::StatusCode;
use axum::response::Response;
use planner::files;
use planner::matching::MatchError;
use serde::Deserialize;

use crate::App;
use crate::answer::{Refusal, beside, json_body, ok};

/// Most bytes of a recording, with the escapes of JSON.
const MAX_BYTES: usize = 64_000_000;

/// Body of `POST /api/match`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct MatchRequest {
    region: String,
    /// GPX, GeoJSON or KML.
    file: String,
}

impl From<MatchError> for Refusal {
    fn from(e: MatchError) -> Self {
        let hint = "send a file with a track or a route";
        Refusal::new(StatusCode::UNPROCESSABLE_ENTITY, e.to_string(), hint)
    }
}

pub(crate) async fn matched(
    State(app): State<Arc<App>>,
    request: Request,
) -> Result<Response, Refusal> {
    // One large file in memory at a time.
    let _turn = app.read_turn.acquire().await;
    let asked: MatchRequest = json_body(request, MAX_BYTES).await?;
    let planner = app.region(asked.region).await?;
    let answer = beside(move || {
        let ride = files::read("the file", asked.file.as_bytes()).map_err(|e| {
            let hint = "Lacet reads GPX, GeoJSON and KML";
            Refusal::new(StatusCode::UNPROCESSABLE_ENTITY, e.to_string(), hint)
        })?;
        let fixes = ride.positions();
        let matched = planner.match_line(&fixes, &|_, _| true)?;
        Ok(planner.match_report(&fixes, &matched))
    });
    ok(&answer.await?)
}
