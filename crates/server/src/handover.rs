//! Calls that hand a tour over to a unit, and replay files.

use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::StatusCode;
use axum::response::Response;
use planner::document::Tour;
use planner::files;
use planner::handover::handed::{Handover, HandoverError};
use planner::handover::panel::{MOST_SPACING_M, Panel, PanelError, Settings};
use planner::handover::readback::{ReplayError, Replayed};
use planner::handover::unit::{Sheet, SheetError};
use serde::{Deserialize, Serialize};

use crate::answer::{Refusal, beside, json_body, ok};
use crate::{App, MAX_TOUR_BYTES};

/// Most bytes of a replay's files together.
const MAX_REPLAY_BYTES: usize = 64_000_000;

/// Body of `POST /api/handover`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct HandoverRequest {
    tour: Tour,
    /// A unit sheet by name; `common` if neither is given.
    #[serde(default)]
    unit: Option<String>,
    /// A unit sheet of one's own.
    #[serde(default)]
    sheet: Option<Sheet>,
    /// How much dearer every other way must be, thousandths.
    #[serde(default)]
    margin_permille: Option<u32>,
    /// Least distance between points, metres.
    #[serde(default)]
    spacing_m: Option<f64>,
    /// Further routers, TOML.
    #[serde(default)]
    panel: Option<String>,
}

#[derive(Debug, Serialize)]
struct HandoverAnswer {
    #[serde(flatten)]
    handover: Handover,
    /// GPX of the files, in their order.
    gpx: Vec<String>,
}

/// Body of `POST /api/replay`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct ReplayRequest {
    region: String,
    /// A file with the planned track, and with the route unless another is given.
    plan: String,
    /// A file with the route.
    #[serde(default)]
    route: Option<String>,
    /// Routers to ask instead of the panel, TOML.
    #[serde(default)]
    panel: Option<String>,
}

fn unfit(e: impl std::fmt::Display, hint: &str) -> Refusal {
    Refusal::new(StatusCode::UNPROCESSABLE_ENTITY, e.to_string(), hint)
}

impl From<SheetError> for Refusal {
    fn from(e: SheetError) -> Self {
        unfit(e, "docs/handover.md says what a unit sheet holds")
    }
}

impl From<PanelError> for Refusal {
    fn from(e: PanelError) -> Self {
        unfit(e, "docs/handover.md says what a panel file holds")
    }
}

impl From<HandoverError> for Refusal {
    fn from(e: HandoverError) -> Self {
        unfit(e, "correct the tour and try again")
    }
}

impl From<ReplayError> for Refusal {
    fn from(e: ReplayError) -> Self {
        unfit(e, "give a plan with a track, and a route")
    }
}

pub(crate) async fn units() -> Result<Response, Refusal> {
    ok(&Sheet::built_in())
}

pub(crate) async fn handover(
    State(app): State<Arc<App>>,
    request: Request,
) -> Result<Response, Refusal> {
    let asked: HandoverRequest = json_body(request, MAX_TOUR_BYTES).await?;
    let sheet = match (asked.sheet, asked.unit) {
        (Some(sheet), _) => {
            sheet.check()?;
            sheet
        }
        (None, unit) => {
            let name = unit.unwrap_or_else(|| "common".into());
            Sheet::named(&name).ok_or_else(|| {
                Refusal::missing("there is no such unit sheet", "GET /api/units lists them")
            })?
        }
    };
    let mut settings = Settings::default();
    if let Some(margin) = asked.margin_permille {
        settings.margin_permille = margin.min(1000);
    }
    if let Some(spacing_m) = asked.spacing_m {
        settings.spacing_m = spacing_m.clamp(0.0, MOST_SPACING_M);
    }
    if let Some(toml) = asked.panel {
        settings.panel.routers.extend(Panel::read(&toml)?.routers);
    }
    let planner = app.region(asked.tour.region.clone()).await?;
    let tour = asked.tour;
    let answer = beside(move || {
        let handover = planner.handover(&tour, &sheet, &settings, &|_, _| true)?;
        let gpx = handover.files.iter();
        Ok(HandoverAnswer {
            gpx: gpx
                .map(|f| String::from_utf8_lossy(&f.bytes).into_owned())
                .collect(),
            handover,
        })
    });
    ok(&answer.await?)
}

pub(crate) async fn replay(
    State(app): State<Arc<App>>,
    request: Request,
) -> Result<Response, Refusal> {
    let asked: ReplayRequest = json_body(request, MAX_REPLAY_BYTES).await?;
    let panel = match &asked.panel {
        Some(toml) => Panel::read(toml)?,
        None => Panel::default(),
    };
    let planner = app.region(asked.region.clone()).await?;
    let answer = beside(move || -> Result<Replayed, Refusal> {
        let read = |name: &str, text: &str| {
            files::read(name, text.as_bytes())
                .map_err(|e| unfit(e, "Lacet reads GPX, GeoJSON and KML"))
        };
        let plan = read("the plan", &asked.plan)?;
        let route = asked
            .route
            .as_deref()
            .map(|t| read("the route", t))
            .transpose()?;
        Ok(planner.replay_ride(&plan, route.as_ref(), &planner.kit(&panel))?)
    });
    ok(&answer.await?)
}
