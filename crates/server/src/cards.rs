//! Calls about what lies on the shelf besides the documents of tours: search, map, recordings,
//! marks, collections.

use std::collections::HashSet;
use std::sync::{Arc, Mutex, PoisonError};

use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use planner::files;
use serde::Deserialize;
use shelf::pyramid::Line;
use shelf::{
    Card, Change, Collection, Filter, FilterError, Key, MAX_PHOTO_BYTES, Mark, MarkError, NewMark,
    Question, ShelfError,
};

use crate::App;
use crate::answer::{Refusal, attachment, beside, bytes, json, json_body, ok};
use crate::api::{
    CardInfo, ChangeCard, CollectionInfo, MarkInfo, NewCollection, NewKey, PlaceMark, ReadAnswer,
    RecordingInfo, SaveCollection, Saved, ShelfAnswer, ShelfItem,
};
use crate::page::{is_known, mark};
use crate::tours::rfc3339;

/// Most cards of one answer.
const MAX_CARDS: usize = 500;
/// Deepest zoom of tiles.
const MAX_ZOOM: u8 = 16;
/// Sets of rows that are kept for tiles.
const KEPT_SETS: usize = 16;
/// Largest description of a mark, collection or change, bytes.
const MAX_JSON: usize = 2_000_000;

/// Rows by question and pulse, last used last.
pub(crate) type RowSets = Mutex<Vec<((String, i64), Arc<HashSet<i64>>)>>;

impl From<FilterError> for Refusal {
    fn from(e: FilterError) -> Self {
        Refusal::bad(
            e.to_string(),
            "correct the question; docs/api.md says what can be asked",
        )
    }
}

impl From<MarkError> for Refusal {
    fn from(e: MarkError) -> Self {
        match e {
            MarkError::Shelf(e) => e.into(),
            e => Refusal::new(
                StatusCode::UNPROCESSABLE_ENTITY,
                e.to_string(),
                "correct it and send it again",
            ),
        }
    }
}

#[derive(Deserialize)]
pub(crate) struct SearchQuestion {
    #[serde(default)]
    q: String,
    like: Option<String>,
    offset: Option<usize>,
    limit: Option<usize>,
}

pub(crate) async fn search(
    State(app): State<Arc<App>>,
    question: Result<Query<SearchQuestion>, QueryRejection>,
) -> Result<Response, Refusal> {
    let Query(asked) = question?;
    let filter = Filter::parse(&asked.q)?;
    let like = asked.like.map(|k| key(&k)).transpose()?;
    let answer = beside(move || {
        let like: Option<Line> = like.map(|key| app.shelf.line(key)).transpose()?;
        let question = Question {
            filter,
            like,
            offset: asked.offset.unwrap_or(0),
            limit: asked.limit.unwrap_or(50).min(MAX_CARDS),
        };
        let found = app.shelf.search(&question)?;
        Ok(ShelfAnswer {
            total: found.total,
            pulse: app.shelf.pulse()?,
            bounds_deg: found.bounds,
            alike: found.alike,
            cards: found.cards.into_iter().map(card_info).collect(),
        })
    });
    ok(&answer.await?)
}

#[derive(Deserialize)]
pub(crate) struct TileQuestion {
    #[serde(default)]
    q: String,
}

pub(crate) async fn tile(
    State(app): State<Arc<App>>,
    Path((z, x, y)): Path<(String, String, String)>,
    question: Result<Query<TileQuestion>, QueryRejection>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    let Query(asked) = question?;
    let none = || Refusal::missing("there is no such tile", "zoom out");
    let (Ok(z), Ok(x), Ok(y)) = (z.parse::<u8>(), x.parse::<u32>(), y.parse::<u32>()) else {
        return Err(none());
    };
    if z > MAX_ZOOM || x >= 1 << z || y >= 1 << z {
        return Err(none());
    }
    let filter = Filter::parse(&asked.q)?;
    let shelf = app.clone();
    let pulse = beside(move || Ok(shelf.shelf.pulse()?)).await?;
    let tag = format!("\"s{pulse}\"");
    let mut answer = if is_known(&headers, &tag) {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        let _turn = app.tile_turns.acquire().await;
        let worker = app.clone();
        let bytes = beside(move || {
            let only = match asked.q.trim() {
                "" => None,
                q => Some(rows(&worker, q, &filter, pulse)?),
            };
            let [tours, recordings] = worker.shelf.strokes(z, x, y, only.as_deref())?;
            let layers = [
                ("tours", tours.as_slice()),
                ("recordings", recordings.as_slice()),
            ];
            tiles::strokes_tile(z, x, y, &layers).map_err(|e| Refusal::internal(e.to_string()))
        })
        .await?;
        match bytes.is_empty() {
            true => StatusCode::NO_CONTENT.into_response(),
            false => {
                let kind = HeaderValue::from_static("application/vnd.mapbox-vector-tile");
                ([(header::CONTENT_TYPE, kind)], bytes).into_response()
            }
        }
    };
    mark(answer.headers_mut(), &tag, "no-cache");
    Ok(answer)
}

/// The rows that a question lets through; a screenful of tiles asks the same.
fn rows(app: &App, q: &str, filter: &Filter, pulse: i64) -> Result<Arc<HashSet<i64>>, ShelfError> {
    let wanted = (q.to_owned(), pulse);
    let mut sets = app.row_sets.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(at) = sets.iter().position(|(k, _)| *k == wanted) {
        let set = sets.remove(at);
        let rows = set.1.clone();
        sets.push(set);
        return Ok(rows);
    }
    let rows = Arc::new(app.shelf.rows(filter)?);
    sets.push((wanted, rows.clone()));
    if sets.len() > KEPT_SETS {
        sets.remove(0);
    }
    Ok(rows)
}

pub(crate) async fn item(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    let key = key(&id)?;
    let answer = beside(move || {
        let card = app.shelf.card(key)?;
        let line = app.shelf.line(key)?.degrees();
        let recording = match key {
            Key::Recording(_) => {
                let r = app.shelf.recording(key)?;
                Some(RecordingInfo {
                    started: r.clock_s.map(|c| rfc3339(c.0 as i64)),
                    ended: r.clock_s.map(|c| rfc3339(c.1 as i64)),
                    points: r.points,
                    left_out: r.left_out,
                    file: r.file,
                    part: r.part,
                })
            }
            _ => None,
        };
        let mark = match key {
            Key::Mark(_) => Some(mark_info(app.shelf.mark(key)?)),
            _ => None,
        };
        Ok(ShelfItem {
            card: card_info(card),
            line,
            recording,
            mark,
        })
    });
    ok(&answer.await?)
}

pub(crate) async fn change(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    let key = key(&id)?;
    let asked: ChangeCard = json_body(request, MAX_JSON).await?;
    let change = Change {
        name: asked.name,
        note: asked.note,
        tags: asked.tags,
        rating: asked.rating,
    };
    let now_s = (app.now_s)();
    let revision =
        beside(move || Ok(app.shelf.change(key, asked.revision, &change, now_s)?)).await?;
    ok(&Saved { revision })
}

pub(crate) async fn delete(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    let key = key(&id)?;
    let now_s = (app.now_s)();
    beside(move || Ok(app.shelf.set_deleted(key, Some(now_s))?)).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

pub(crate) async fn restore(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    let key = key(&id)?;
    beside(move || Ok(app.shelf.set_deleted(key, None)?)).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

#[derive(Deserialize)]
pub(crate) struct CopyQuestion {
    #[serde(default)]
    region: String,
}

/// A tour or recording as a copy to plan from.
pub(crate) async fn copy(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
    question: Result<Query<CopyQuestion>, QueryRejection>,
) -> Result<Response, Refusal> {
    let key = key(&id)?;
    let Query(asked) = question?;
    let planner = app.region(asked.region.clone()).await.ok();
    let answer = beside(move || match key {
        Key::Tour(id) => Ok(ReadAnswer {
            tour: app.shelf.get(id)?.tour,
            summary: String::new(),
            warnings: Vec::new(),
        }),
        Key::Recording(_) => {
            let ride = app.shelf.ride(key)?;
            let (tour, warnings) = crate::plans::tour_of(planner.as_deref(), &ride, &asked.region)?;
            Ok(ReadAnswer {
                tour,
                summary: crate::plans::summary(&ride),
                warnings,
            })
        }
        Key::Mark(_) => Err(Refusal::missing(
            "a mark is no ride",
            "choose a tour or a recording",
        )),
    });
    ok(&answer.await?)
}

pub(crate) async fn file(
    State(app): State<Arc<App>>,
    Path((id, what)): Path<(String, String)>,
) -> Result<Response, Refusal> {
    let key = key(&id)?;
    let (name, kind, bytes) = beside(move || match what.as_str() {
        "original" => {
            let (name, bytes) = app.shelf.original(key)?;
            Ok((
                file_name(&name, ending(&bytes)),
                "application/octet-stream",
                bytes,
            ))
        }
        "gpx" => {
            let ride = app.shelf.ride(key)?;
            Ok((
                file_name(&ride.name, ".gpx"),
                "application/gpx+xml",
                files::write_gpx(&ride),
            ))
        }
        "photo" => {
            let (kind, bytes) = app.shelf.photo(key)?;
            let (kind, ending) = match kind.as_str() {
                "image/png" => ("image/png", ".png"),
                "image/webp" => ("image/webp", ".webp"),
                _ => ("image/jpeg", ".jpeg"),
            };
            Ok((format!("{key}{ending}"), kind, bytes))
        }
        _ => Err(Refusal::missing(
            "there is no such file",
            "ask for original, gpx or photo",
        )),
    })
    .await?;
    if kind.starts_with("image/") {
        return Ok((
            [(header::CONTENT_TYPE, HeaderValue::from_static(kind))],
            bytes,
        )
            .into_response());
    }
    attachment(&name, kind, bytes)
}

fn file_name(title: &str, ending: &str) -> String {
    let names = files::file_names(&[title.to_owned()], ending);
    names
        .into_iter()
        .next()
        .unwrap_or_else(|| format!("ride{ending}"))
}

fn ending(bytes: &[u8]) -> &'static str {
    let head = String::from_utf8_lossy(&bytes[..bytes.len().min(1000)]).into_owned();
    match head.trim_start() {
        h if h.starts_with(['{', '[']) => ".geojson",
        h if h.contains("<kml") => ".kml",
        _ => ".gpx",
    }
}

pub(crate) async fn marks(State(app): State<Arc<App>>) -> Result<Response, Refusal> {
    let marks = beside(move || Ok(app.shelf.marks()?)).await?;
    let marks: Vec<MarkInfo> = marks.into_iter().map(mark_info).collect();
    ok(&marks)
}

pub(crate) async fn add_mark(
    State(app): State<Arc<App>>,
    request: Request,
) -> Result<Response, Refusal> {
    let asked: PlaceMark = json_body(request, MAX_JSON).await?;
    let new = NewMark {
        name: asked.name,
        note: asked.note,
        tags: asked.tags,
        rating: asked.rating,
        at: asked.at,
        road: asked.road,
    };
    let now_s = (app.now_s)();
    let key = beside(move || Ok(app.shelf.add_mark(&new, None, now_s)?)).await?;
    Ok(json(
        StatusCode::CREATED,
        &NewKey {
            key: key.to_string(),
            revision: 1,
        },
    ))
}

pub(crate) async fn move_mark(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    let key = key(&id)?;
    let asked: PlaceMark = json_body(request, MAX_JSON).await?;
    let now_s = (app.now_s)();
    let revision = beside(move || {
        Ok(app
            .shelf
            .move_mark(key, asked.revision, asked.at, &asked.road, now_s)?)
    })
    .await?;
    ok(&Saved { revision })
}

#[derive(Deserialize)]
pub(crate) struct PhotoQuestion {
    #[serde(default)]
    name: String,
    lat: Option<f64>,
    lon: Option<f64>,
}

/// A picture becomes a mark where it was taken, or where the rider says.
pub(crate) async fn add_photo(
    State(app): State<Arc<App>>,
    question: Result<Query<PhotoQuestion>, QueryRejection>,
    request: Request,
) -> Result<Response, Refusal> {
    let Query(asked) = question?;
    let (parts, body) = request.into_parts();
    let bytes = bytes(&parts.headers, body, MAX_PHOTO_BYTES).await?;
    let now_s = (app.now_s)();
    let key = beside(move || {
        let photo = shelf::Photo::look(&bytes)?;
        let given = asked.lat.zip(asked.lon).map(|(lat, lon)| [lat, lon]);
        let at = given.or(photo.at).ok_or(MarkError::NoPosition)?;
        let new = NewMark {
            name: asked.name,
            at,
            ..NewMark::default()
        };
        Ok(app.shelf.add_mark(&new, Some(&bytes), now_s)?)
    })
    .await?;
    Ok(json(
        StatusCode::CREATED,
        &NewKey {
            key: key.to_string(),
            revision: 1,
        },
    ))
}

pub(crate) async fn collections(State(app): State<Arc<App>>) -> Result<Response, Refusal> {
    let all = beside(move || Ok(app.shelf.collections()?)).await?;
    let all: Vec<CollectionInfo> = all.into_iter().map(collection_info).collect();
    ok(&all)
}

pub(crate) async fn add_collection(
    State(app): State<Arc<App>>,
    request: Request,
) -> Result<Response, Refusal> {
    let asked: NewCollection = json_body(request, MAX_JSON).await?;
    let new = Collection {
        name: asked.name,
        note: asked.note,
        members: keys(&asked.members)?,
        ..Collection::default()
    };
    let now_s = (app.now_s)();
    let kept = beside(move || Ok(app.shelf.add_collection(&new, now_s)?)).await?;
    Ok(json(StatusCode::CREATED, &collection_info(kept)))
}

pub(crate) async fn collection(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    let number = number(&id)?;
    ok(&collection_info(
        beside(move || Ok(app.shelf.collection(number)?)).await?,
    ))
}

pub(crate) async fn save_collection(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    let number = number(&id)?;
    let asked: SaveCollection = json_body(request, MAX_JSON).await?;
    let new = Collection {
        name: asked.name,
        note: asked.note,
        members: keys(&asked.members)?,
        ..Collection::default()
    };
    let now_s = (app.now_s)();
    let kept = beside(move || {
        Ok(app
            .shelf
            .save_collection(number, asked.revision, &new, now_s)?)
    })
    .await?;
    ok(&collection_info(kept))
}

pub(crate) async fn delete_collection(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    let number = number(&id)?;
    let now_s = (app.now_s)();
    beside(move || Ok(app.shelf.set_collection_deleted(number, Some(now_s))?)).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

pub(crate) async fn restore_collection(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    let number = number(&id)?;
    beside(move || Ok(app.shelf.set_collection_deleted(number, None)?)).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

/// A key of the shelf in an address.
pub(crate) fn key(text: &str) -> Result<Key, Refusal> {
    Key::parse(text).ok_or_else(|| {
        Refusal::missing(
            "there is no such thing on the shelf",
            "choose one from the list",
        )
    })
}

/// Several of them.
pub(crate) fn keys(texts: &[String]) -> Result<Vec<Key>, Refusal> {
    texts.iter().map(|t| key(t)).collect()
}

fn number(text: &str) -> Result<i64, Refusal> {
    let plain = text.bytes().all(|b| b.is_ascii_digit());
    let number = text.parse::<i64>().ok().filter(|_| plain);
    number
        .ok_or_else(|| Refusal::missing("there is no such collection", "choose one from the list"))
}

fn card_info(card: Card) -> CardInfo {
    CardInfo {
        key: card.key.to_string(),
        revision: card.revision,
        name: card.name,
        note: card.note,
        tags: card.tags,
        rating: card.rating,
        date: card.date,
        length_m: card.length_m,
        riding_s: card.riding_s,
        climb_m: card.climb_m,
        highest_m: card.highest_m,
        pass: card.pass,
        pass_m: card.pass_m,
        places: card.places,
        regions: card.regions,
        bounds_deg: card.bounds,
        changed: rfc3339(card.changed_s),
        deleted: card.deleted_s.is_some(),
    }
}

fn mark_info(mark: Mark) -> MarkInfo {
    MarkInfo {
        at: mark.at,
        road: mark.road,
        photo: mark.photo.is_some(),
        taken: mark.taken,
        card: card_info(mark.card),
    }
}

fn collection_info(c: Collection) -> CollectionInfo {
    CollectionInfo {
        number: c.number,
        revision: c.revision,
        name: c.name,
        note: c.note,
        members: c.members.iter().map(Key::to_string).collect(),
        changed: rfc3339(c.changed_s),
        deleted: c.deleted_s.is_some(),
    }
}
