//! Calls about the shelf: tours, the bin, and what the page wants remembered.

use std::sync::Arc;
use std::time::{Duration, SystemTime};

use axum::extract::{Path, Request, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde_json::{Map, Value};
use shelf::{Kept, Shelf, ShelfError, TourId};

use crate::answer::{Refusal, beside, json, json_body, ok};
use crate::api::{Conflict, KeptTour, NewTour, SaveTour, Saved, TourEntry, TourKey};
use crate::{App, MAX_TOUR_BYTES};

/// Most the page may have remembered, bytes.
const MAX_STATE_BYTES: usize = 64 * 1024;

impl From<ShelfError> for Refusal {
    fn from(e: ShelfError) -> Self {
        let (status, hint) = match &e {
            ShelfError::Unknown { .. } | ShelfError::NoCollection { .. } => {
                (StatusCode::NOT_FOUND, "choose another one from the list")
            }
            ShelfError::Conflict { .. } | ShelfError::Stale { .. } => (
                StatusCode::CONFLICT,
                "look at the newer one, then change that",
            ),
            ShelfError::Full { .. } | ShelfError::Disk { .. } => (
                StatusCode::INSUFFICIENT_STORAGE,
                "make room on the disk; what was kept before is safe",
            ),
            ShelfError::Busy { .. } => (StatusCode::LOCKED, "try again in a moment"),
            ShelfError::Unwritable { .. } => (
                StatusCode::UNPROCESSABLE_ENTITY,
                "check the numbers of the tour",
            ),
            _ => (
                StatusCode::INTERNAL_SERVER_ERROR,
                "what was kept before is still in the file",
            ),
        };
        Refusal::new(status, e.to_string(), hint)
    }
}

impl App {
    /// Uses the shelf beside the answering threads.
    async fn on_shelf<T: Send + 'static>(
        self: Arc<Self>,
        work: impl FnOnce(&Shelf) -> Result<T, ShelfError> + Send + 'static,
    ) -> Result<T, Refusal> {
        beside(move || Ok(work(&self.shelf)?)).await
    }
}

pub(crate) async fn list(State(app): State<Arc<App>>) -> Result<Response, Refusal> {
    let entries = app.on_shelf(Shelf::list).await?;
    let entries: Vec<TourEntry> = entries
        .into_iter()
        .map(|e| TourEntry {
            id: e.id.to_string(),
            name: e.name,
            region: e.region,
            changed: rfc3339(e.changed_s),
            length_m: e.length_m,
            days: e.days,
            deleted: e.deleted_s.is_some(),
        })
        .collect();
    ok(&entries)
}

pub(crate) async fn add(
    State(app): State<Arc<App>>,
    request: Request,
) -> Result<Response, Refusal> {
    let new: NewTour = json_body(request, MAX_TOUR_BYTES).await?;
    let now_s = (app.now_s)();
    let kept = app
        .clone()
        .on_shelf(move |s| s.add(&new.tour, new.length_m, now_s))
        .await?;
    app.measure(kept.id);
    let key = TourKey {
        id: kept.id.to_string(),
        revision: kept.revision,
    };
    Ok(json(StatusCode::CREATED, &key))
}

pub(crate) async fn get(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    let id = tour_id(&id)?;
    ok(&wire(app.on_shelf(move |s| s.get(id)).await?))
}

pub(crate) async fn save(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    let id = tour_id(&id)?;
    let change: SaveTour = json_body(request, MAX_TOUR_BYTES).await?;
    let now_s = (app.now_s)();
    // A conflict is an answer of its own, not a failure.
    let saved = app
        .clone()
        .on_shelf(move |s| {
            match s.save(id, change.revision, &change.tour, change.length_m, now_s) {
                Err(ShelfError::Conflict { newer }) => Ok(Err(newer)),
                other => other.map(Ok),
            }
        })
        .await?;
    match saved {
        Ok(revision) => {
            app.measure(id);
            ok(&Saved { revision })
        }
        Err(newer) => Ok(json(
            StatusCode::CONFLICT,
            &Conflict {
                error: "this tour was changed in another window meanwhile".into(),
                hint: "look at the newer one, then keep one of them or both".into(),
                newer: wire(*newer),
            },
        )),
    }
}

pub(crate) async fn delete(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    let id = tour_id(&id)?;
    let now_s = (app.now_s)();
    app.on_shelf(move |s| s.delete(id, now_s)).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

pub(crate) async fn restore(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    let id = tour_id(&id)?;
    app.on_shelf(move |s| s.restore(id)).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

pub(crate) async fn state(State(app): State<Arc<App>>) -> Result<Response, Refusal> {
    let text = app.on_shelf(Shelf::state).await?;
    let value: Map<String, Value> = text
        .and_then(|t| serde_json::from_str(&t).ok())
        .unwrap_or_default();
    ok(&value)
}

pub(crate) async fn set_state(
    State(app): State<Arc<App>>,
    request: Request,
) -> Result<Response, Refusal> {
    let value: Map<String, Value> = json_body(request, MAX_STATE_BYTES).await?;
    let text = Value::Object(value).to_string();
    app.on_shelf(move |s| s.set_state(&text)).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

fn tour_id(text: &str) -> Result<TourId, Refusal> {
    let unknown = || Refusal::missing("there is no such tour", "choose one from the list");
    TourId::parse(text).ok_or_else(unknown)
}

fn wire(kept: Kept) -> KeptTour {
    KeptTour {
        id: kept.id.to_string(),
        revision: kept.revision,
        deleted: kept.deleted_s.is_some(),
        tour: kept.tour,
    }
}

pub(crate) fn rfc3339(unix_s: i64) -> String {
    let since = Duration::from_secs(unix_s.clamp(0, 253_402_300_799).cast_unsigned());
    humantime::format_rfc3339_seconds(SystemTime::UNIX_EPOCH + since).to_string()
}
