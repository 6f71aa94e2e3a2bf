//! Calls about one tour document: plan it, write it as files, read it from a file.

use std::collections::HashSet;
use std::io::{Cursor, Write};
use std::sync::Arc;

use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, Request, State};
use axum::http::StatusCode;
use axum::response::Response;
use planner::document::Tour;
use planner::files::{self, Ride};
use planner::plan::Plan;
use planner::taste::{self, Taste, TasteError};
use planner::{PlanError, Planner};
use serde::Deserialize;
use zip::write::SimpleFileOptions;

use crate::answer::{Refusal, attachment, beside, bytes, json_body, ok};
use crate::api::{DaysRequest, ExportRequest, PlanRequest, ReadAnswer};
use crate::{App, MAX_TOUR_BYTES};

/// Most bytes of a file to read: a little more than the reader takes, so that it can say so.
const MAX_FILE_BYTES: usize = 210_000_000;

impl From<PlanError> for Refusal {
    fn from(e: PlanError) -> Self {
        let hint = "correct the tour and plan it again";
        Refusal::new(StatusCode::UNPROCESSABLE_ENTITY, e.to_string(), hint)
    }
}

impl From<TasteError> for Refusal {
    fn from(e: TasteError) -> Self {
        let hint = "correct the file; docs/taste-format.md says what a taste holds";
        let status = match e {
            TasteError::TooLarge { .. } => StatusCode::PAYLOAD_TOO_LARGE,
            _ => StatusCode::UNPROCESSABLE_ENTITY,
        };
        Refusal::new(status, e.to_string(), hint)
    }
}

pub(crate) async fn tastes() -> Result<Response, Refusal> {
    ok(&taste::tastes())
}

/// A taste file as a taste.
pub(crate) async fn read_taste(request: Request) -> Result<Response, Refusal> {
    let (parts, body) = request.into_parts();
    // A little more than the reader takes, so that it can say so.
    let toml = bytes(&parts.headers, body, taste::MAX_BYTES + 1000).await?;
    ok(&Taste::read(&toml)?)
}

/// A taste as a taste file.
pub(crate) async fn write_taste(request: Request) -> Result<Response, Refusal> {
    let taste: Taste = json_body(request, taste::MAX_BYTES).await?;
    let name = one_name(&taste.name, ".toml");
    attachment(&name, "application/toml", taste.write().into_bytes())
}

pub(crate) async fn plan(
    State(app): State<Arc<App>>,
    request: Request,
) -> Result<Response, Refusal> {
    let PlanRequest { tour, have } = json_body(request, MAX_TOUR_BYTES).await?;
    let planner = app.region(tour.region.clone()).await?;
    let have: HashSet<String> = have.into_iter().collect();
    ok(&beside(move || Ok(planner.plan(&tour, &have)?)).await?)
}

/// Nights for a long tour.
pub(crate) async fn days(
    State(app): State<Arc<App>>,
    request: Request,
) -> Result<Response, Refusal> {
    let DaysRequest { tour, limits } = json_body(request, MAX_TOUR_BYTES).await?;
    let planner = app.region(tour.region.clone()).await?;
    ok(&beside(move || Ok(planner.propose_days(&tour, &limits)?)).await?)
}

/// A format that tours are written in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Format {
    Gpx,
    GeoJson,
    Kml,
}

impl Format {
    fn named(name: &str) -> Result<Self, Refusal> {
        match name {
            "gpx" => Ok(Format::Gpx),
            "geojson" => Ok(Format::GeoJson),
            "kml" => Ok(Format::Kml),
            _ => Err(Refusal::missing(
                "there is no such format",
                "choose gpx, geojson or kml",
            )),
        }
    }

    fn ending(self) -> &'static str {
        match self {
            Format::Gpx => ".gpx",
            Format::GeoJson => ".geojson",
            Format::Kml => ".kml",
        }
    }

    fn mime(self) -> &'static str {
        match self {
            Format::Gpx => "application/gpx+xml",
            Format::GeoJson => "application/geo+json",
            Format::Kml => "application/vnd.google-earth.kml+xml",
        }
    }

    fn write(self, ride: &Ride) -> Vec<u8> {
        match self {
            Format::Gpx => files::write_gpx(ride),
            Format::GeoJson => files::write_geojson(ride),
            Format::Kml => files::write_kml(ride),
        }
    }
}

pub(crate) async fn export(
    State(app): State<Arc<App>>,
    Path(format): Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    let format = Format::named(&format)?;
    let ExportRequest { tour, split_days } = json_body(request, MAX_TOUR_BYTES).await?;
    let planner = app.region(tour.region.clone()).await?;
    let (name, mime, bytes) = beside(move || write(&planner, &tour, format, split_days)).await?;
    attachment(&name, mime, bytes)
}

fn write(
    planner: &Planner,
    tour: &Tour,
    format: Format,
    split_days: bool,
) -> Result<(String, &'static str, Vec<u8>), Refusal> {
    let plan = planner.plan(tour, &HashSet::new())?;
    let title = if tour.name.trim().is_empty() {
        "tour"
    } else {
        tour.name.as_str()
    };
    if !split_days {
        let bytes = format.write(&files::ride_of_plan(tour, &plan, None));
        return Ok((one_name(title, format.ending()), format.mime(), bytes));
    }
    let bytes = zip_of_days(tour, &plan, title, format)
        .map_err(|e| Refusal::internal(format!("the zip could not be made: {e}")))?;
    Ok((one_name(title, ".zip"), "application/zip", bytes))
}

fn zip_of_days(
    tour: &Tour,
    plan: &Plan,
    title: &str,
    format: Format,
) -> zip::result::ZipResult<Vec<u8>> {
    let wanted: Vec<String> = (1..=plan.days.len())
        .map(|n| format!("{n} {title}"))
        .collect();
    let names = files::file_names(&wanted, format.ending());
    let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
    for (day, name) in names.iter().enumerate() {
        zip.start_file(name.as_str(), SimpleFileOptions::default())?;
        zip.write_all(&format.write(&files::ride_of_plan(tour, plan, Some(day))))?;
    }
    Ok(zip.finish()?.into_inner())
}

pub(crate) fn one_name(title: &str, ending: &str) -> String {
    let names = files::file_names(&[title.to_owned()], ending);
    names
        .into_iter()
        .next()
        .unwrap_or_else(|| format!("tour{ending}"))
}

#[derive(Deserialize)]
pub(crate) struct ReadQuestion {
    region: Option<String>,
    name: Option<String>,
}

pub(crate) async fn read(
    State(app): State<Arc<App>>,
    question: Result<Query<ReadQuestion>, QueryRejection>,
    request: Request,
) -> Result<Response, Refusal> {
    let Query(question) = question?;
    // One large file in memory at a time.
    let _turn = app.read_turn.acquire().await;
    let (parts, body) = request.into_parts();
    let bytes = bytes(&parts.headers, body, MAX_FILE_BYTES).await?;
    let name = question.name.unwrap_or_else(|| "the file".into());
    let region = question.region.unwrap_or_default();
    // Without a region tracks can only be simplified.
    let planner = app.region(region.clone()).await.ok();
    let answer = beside(move || {
        let ride = files::read(&name, &bytes).map_err(|e| {
            let hint = "Lacet reads GPX, GeoJSON and KML";
            Refusal::new(StatusCode::UNPROCESSABLE_ENTITY, e.to_string(), hint)
        })?;
        drop(bytes);
        let summary = summary(&ride);
        let (tour, warnings) = tour_of(planner.as_deref(), &ride, &region)?;
        Ok(ReadAnswer {
            tour,
            summary,
            warnings,
        })
    });
    ok(&answer.await?)
}

/// A ride as a tour: matched to the roads of the region, if there is one.
pub(crate) fn tour_of(
    planner: Option<&Planner>,
    ride: &Ride,
    region: &str,
) -> Result<(Tour, Vec<String>), Refusal> {
    match planner {
        Some(planner) => Ok(planner.tour_of_ride(ride, &"fastest".into(), &|_, _| true)?),
        None => Ok(files::tour_of_ride(ride, region)),
    }
}

/// What a file holds, in one line.
pub(crate) fn summary(ride: &Ride) -> String {
    let counts = ride.counts();
    let parts = [
        (counts.tracks, "track"),
        (counts.routes, "route"),
        (counts.waypoints, "waypoint"),
    ];
    let mut text: Vec<String> = parts
        .iter()
        .filter(|(n, _)| *n > 0)
        .map(|(n, word)| format!("{n} {word}{}", if *n == 1 { "" } else { "s" }))
        .collect();
    if counts.track_points > 0 {
        text.push(format!(
            "{:.1} km recorded or drawn",
            ride.track_length_m() / 1000.0
        ));
    }
    if text.is_empty() {
        "nothing to ride".into()
    } else {
        text.join(", ")
    }
}
