//! Calls about regions: the list, tiles, finder, nearest road.

use std::sync::Arc;

use axum::body::Bytes;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use planner::Planner;
use planner::taste::{Taste, TasteChoice};
use region::{Bounds, Point};
use serde::Deserialize;

use crate::answer::{Refusal, beside, ok};
use crate::page::{is_known, mark};
use crate::regions::{RegionError, edition};
use crate::{App, Tile};

/// Most answers of the finder.
const MAX_FOUND: usize = 100;
/// Longest question to the finder, bytes.
const MAX_QUERY_LEN: usize = 400;
/// Farthest road that is near, metres.
const MAX_NEAR_M: f64 = 5000.0;

impl From<RegionError> for Refusal {
    fn from(e: RegionError) -> Self {
        match e {
            RegionError::Unknown { .. } => {
                Refusal::missing(e.to_string(), "import it: lacet import NAME FILE")
            }
            RegionError::Open(_) | RegionError::Unusable(_) => Refusal::new(
                StatusCode::INTERNAL_SERVER_ERROR,
                e.to_string(),
                "import the region again: lacet import NAME FILE",
            ),
        }
    }
}

impl App {
    /// Opens a region beside the answering threads.
    pub async fn region(self: &Arc<Self>, name: String) -> Result<Arc<Planner>, Refusal> {
        let app = self.clone();
        beside(move || Ok(app.regions.get(&name)?)).await
    }
}

pub(crate) async fn regions(State(app): State<Arc<App>>) -> Result<Response, Refusal> {
    let list = beside(move || {
        app.regions
            .list()
            .map_err(|e| Refusal::internal(format!("cannot list the folder of regions: {e}")))
    });
    ok(&list.await?)
}

#[derive(Deserialize)]
pub(crate) struct TileQuestion {
    /// Edition the address is for.
    v: Option<String>,
    /// Name of a taste, or a taste as JSON.
    taste: Option<String>,
    /// `roads`: that layer alone.
    only: Option<String>,
}

impl TileQuestion {
    fn taste(&self) -> Result<Option<Taste>, Refusal> {
        let Some(text) = self.taste.as_deref().filter(|t| !t.is_empty()) else {
            return Ok(None);
        };
        let hint = "name a taste of /api/tastes, or send one as JSON (docs/taste-format.md)";
        if text.starts_with('{') {
            return serde_json::from_str(text)
                .map(Some)
                .map_err(|e| Refusal::bad(format!("the taste cannot be read: {e}"), hint));
        }
        let named = TasteChoice::from(text).taste();
        let none = || Refusal::bad("there is no taste of that name", hint);
        named.map(Some).ok_or_else(none)
    }
}

pub(crate) async fn vector_tile(
    state: State<Arc<App>>,
    path: Path<(String, String, String, String)>,
    question: Result<Query<TileQuestion>, QueryRejection>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    let Query(question) = question?;
    let taste = question.taste()?;
    let kind = match (&taste, question.only.as_deref()) {
        (Some(taste), None) => Tile::Shaded(taste.worth_key()),
        (Some(taste), Some("roads")) => Tile::Roads(taste.worth_key()),
        (None, None) => Tile::Vector,
        _ => {
            let hint = "ask for only=roads together with a taste";
            return Err(Refusal::bad("there is no such part of a tile", hint));
        }
    };
    tile(state, path, question.v, taste, headers, kind).await
}

pub(crate) async fn relief_tile(
    state: State<Arc<App>>,
    path: Path<(String, String, String, String)>,
    question: Result<Query<TileQuestion>, QueryRejection>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    let Query(question) = question?;
    tile(state, path, question.v, None, headers, Tile::Relief).await
}

async fn tile(
    State(app): State<Arc<App>>,
    Path((name, z, x, y)): Path<(String, String, String, String)>,
    asked: Option<String>,
    taste: Option<Taste>,
    headers: HeaderMap,
    kind: Tile,
) -> Result<Response, Refusal> {
    let none = || Refusal::missing("there is no such tile", "zoom out");
    let (Ok(z), Ok(x), Ok(y)) = (z.parse::<u8>(), x.parse::<u32>(), y.parse::<u32>()) else {
        return Err(none());
    };
    let planner = app.region(name).await?;
    let edition = edition(planner.region());
    let tag = match kind {
        Tile::Vector | Tile::Relief => format!("\"{edition}\""),
        Tile::Shaded(taste) | Tile::Roads(taste) => format!("\"{edition}-{taste:016x}\""),
    };
    // An address that names its edition never changes its content.
    let caching = if asked.as_deref() == Some(&edition) {
        "private, max-age=31536000, immutable"
    } else {
        "no-cache"
    };
    let mut answer = if is_known(&headers, &tag) {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        let key = (planner.region().id(), kind, z, x, y);
        let bytes = match app.tiles.get(&key) {
            Some(bytes) => bytes,
            None => {
                // As many at once as there are cores: a plan must not wait behind a screenful.
                let _turn = app.tile_turns.acquire().await;
                let bytes = beside(move || cut(&planner, kind, taste.as_ref(), z, x, y)).await?;
                app.tiles.insert(key, bytes.clone());
                bytes
            }
        };
        let mime = match kind {
            Tile::Relief => "image/png",
            _ => "application/vnd.mapbox-vector-tile",
        };
        if bytes.is_empty() {
            StatusCode::NO_CONTENT.into_response()
        } else {
            (
                [(header::CONTENT_TYPE, HeaderValue::from_static(mime))],
                bytes,
            )
                .into_response()
        }
    };
    mark(answer.headers_mut(), &tag, caching);
    Ok(answer)
}

fn cut(
    planner: &Planner,
    kind: Tile,
    taste: Option<&Taste>,
    z: u8,
    x: u32,
    y: u32,
) -> Result<Bytes, Refusal> {
    let region = planner.region();
    let worth = || taste.map(|t| planner.shade(t)).unwrap_or_default();
    let cut = match kind {
        Tile::Vector => tiles::vector_tile(region, z, x, y),
        Tile::Relief => tiles::relief_tile(region, z, x, y).map(Option::unwrap_or_default),
        Tile::Shaded(_) => tiles::shaded_tile(region, &worth(), z, x, y),
        Tile::Roads(_) => tiles::road_tile(region, &worth(), z, x, y),
    };
    match cut {
        Ok(bytes) => Ok(bytes.into()),
        Err(e @ tiles::TileError::OutOfRange { .. }) => {
            Err(Refusal::missing(e.to_string(), "zoom out"))
        }
        Err(e) => Err(Refusal::internal(e.to_string())),
    }
}

#[derive(Deserialize)]
pub(crate) struct FindQuestion {
    q: String,
    lat: Option<f64>,
    lon: Option<f64>,
    limit: Option<usize>,
}

pub(crate) async fn find(
    State(app): State<Arc<App>>,
    Path(name): Path<String>,
    question: Result<Query<FindQuestion>, QueryRejection>,
) -> Result<Response, Refusal> {
    let Query(question) = question?;
    if question.q.len() > MAX_QUERY_LEN {
        return Err(Refusal::bad(
            "the question is too long",
            "ask for one place",
        ));
    }
    let near = match (question.lat, question.lon) {
        (Some(lat), Some(lon)) => Some(place(lat, lon)?),
        _ => None,
    };
    let limit = question.limit.unwrap_or(10).min(MAX_FOUND);
    let planner = app.region(name).await?;
    ok(&beside(move || Ok(planner.find(&question.q, near, limit))).await?)
}

#[derive(Deserialize)]
pub(crate) struct NearQuestion {
    lat: f64,
    lon: f64,
    radius_m: Option<f64>,
}

pub(crate) async fn near(
    State(app): State<Arc<App>>,
    Path(name): Path<String>,
    question: Result<Query<NearQuestion>, QueryRejection>,
) -> Result<Response, Refusal> {
    let Query(question) = question?;
    let at = place(question.lat, question.lon)?;
    let radius_m = question.radius_m.unwrap_or(100.0);
    if !(0.0..=MAX_NEAR_M).contains(&radius_m) {
        let hint = format!("ask for 0 to {MAX_NEAR_M} metres");
        return Err(Refusal::bad("the radius makes no sense", hint));
    }
    let planner = app.region(name).await?;
    let road = beside(move || Ok(planner.nearest_road(at, radius_m))).await?;
    let hint = "choose a place nearer to a road, or a larger radius";
    ok(&road.ok_or_else(|| Refusal::missing(format!("no road within {radius_m:.0} m"), hint))?)
}

pub(crate) async fn stretch(
    State(app): State<Arc<App>>,
    Path((name, id)): Path<(String, String)>,
) -> Result<Response, Refusal> {
    let planner = app.region(name).await?;
    let none = || {
        let hint = "the region was imported anew: ask for the stretches again";
        Refusal::missing(format!("there is no stretch {id}"), hint)
    };
    let number: u32 = id.parse().map_err(|_| none())?;
    let stretch = planner.ratings().stretch(planner.region(), number);
    ok(&stretch.ok_or_else(none)?)
}

#[derive(Deserialize)]
pub(crate) struct StretchesQuestion {
    bounds: Option<String>,
    limit: Option<usize>,
}

pub(crate) async fn stretches(
    State(app): State<Arc<App>>,
    Path(name): Path<String>,
    question: Result<Query<StretchesQuestion>, QueryRejection>,
) -> Result<Response, Refusal> {
    let Query(question) = question?;
    let bounds = match &question.bounds {
        Some(words) => corners(words)?,
        None => Bounds::WORLD,
    };
    let limit = question.limit.unwrap_or(10).min(MAX_FOUND);
    let planner = app.region(name).await?;
    let best = beside(move || Ok(planner.ratings().stretches(planner.region(), bounds, limit)));
    ok(&best.await?)
}

/// A box from `west,south,east,north` in degrees.
fn corners(words: &str) -> Result<Bounds, Refusal> {
    let refuse = || {
        let hint = "send bounds=west,south,east,north in degrees";
        Refusal::bad("the bounds make no sense", hint)
    };
    let degrees: Vec<f64> = words
        .split(',')
        .map(|w| w.trim().parse().map_err(|_| refuse()))
        .collect::<Result<_, _>>()?;
    let [west, south, east, north] = degrees[..] else {
        return Err(refuse());
    };
    let corner = |lat, lon| Point::from_degrees(lat, lon).ok_or_else(refuse);
    let (low, high) = (corner(south, west)?, corner(north, east)?);
    Ok(Bounds {
        west_e7: low.lon_e7,
        south_e7: low.lat_e7,
        east_e7: high.lon_e7,
        north_e7: high.lat_e7,
    })
}

fn place(lat: f64, lon: f64) -> Result<Point, Refusal> {
    Point::from_degrees(lat, lon).ok_or_else(|| {
        Refusal::bad(
            format!("{lat}, {lon} is no place on the globe"),
            "send latitude, then longitude",
        )
    })
}
