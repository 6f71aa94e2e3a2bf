//! Proposals: `POST /api/propose/{alternatives,between,round}`. The answer is a line of JSON for
//! every step of the work and one for its end; whoever closes the connection calls the work off.

use std::convert::Infallible;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use axum::body::{Body, Bytes};
use axum::extract::{Path, Request, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use planner::Planner;
use planner::propose::{Between, OtherWays, Proposals, ProposeError, Round, Watch};
use serde::Serialize;
use tokio::sync::mpsc;

use crate::answer::{Refusal, json_body};
use crate::api::{ErrorBody, Progress};
use crate::{App, MAX_TOUR_BYTES};

/// Requests that wait for their turn or are worked on.
pub(crate) const MOST_ASKED: usize = 16;
/// Bytes of a question without a tour.
const MAX_QUESTION_BYTES: usize = 100_000;
/// Lines that wait to be sent; steps that do not fit are left out.
const MOST_LINES: usize = 32;

enum Ask {
    Ways(Box<OtherWays>),
    Between(Between),
    Round(Round),
}

impl Ask {
    fn region(&self) -> &str {
        match self {
            Ask::Ways(ask) => &ask.tour.region,
            Ask::Between(ask) => &ask.region,
            Ask::Round(ask) => &ask.region,
        }
    }

    fn answer(&self, planner: &Planner, watch: &mut Watch) -> Result<Proposals, ProposeError> {
        match self {
            Ask::Ways(ask) => planner.alternatives(ask, watch),
            Ask::Between(ask) => planner.between(ask, watch),
            Ask::Round(ask) => planner.round_trips(ask, watch),
        }
    }
}

pub(crate) async fn propose(
    State(app): State<Arc<App>>,
    Path(what): Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    let place = app
        .propose_places
        .clone()
        .try_acquire_owned()
        .map_err(|_| {
            Refusal::new(
                StatusCode::SERVICE_UNAVAILABLE,
                format!("{MOST_ASKED} proposals are being worked on"),
                "wait for one, or close it",
            )
        })?;
    let ask = match what.as_str() {
        "alternatives" => Ask::Ways(Box::new(json_body(request, MAX_TOUR_BYTES).await?)),
        "between" => Ask::Between(json_body(request, MAX_QUESTION_BYTES).await?),
        "round" => Ask::Round(json_body(request, MAX_QUESTION_BYTES).await?),
        _ => {
            return Err(Refusal::missing(
                "there are no such proposals",
                "choose alternatives, between or round",
            ));
        }
    };
    let planner = app.region(ask.region().to_owned()).await?;
    let turn = app.propose_turns.clone().acquire_owned().await;
    let (lines, sent) = mpsc::channel(MOST_LINES);
    let stop = Arc::new(AtomicBool::new(false));
    let called_off = CallOff(stop.clone());
    tokio::task::spawn_blocking(move || {
        let _held = (place, turn);
        work(&ask, &planner, &app, &stop, &lines);
    });
    let body = futures_util::stream::unfold((sent, called_off), async |(mut sent, guard)| {
        let line = sent.recv().await?;
        Some((Ok::<Bytes, Infallible>(line), (sent, guard)))
    });
    let kind = [(header::CONTENT_TYPE, "application/x-ndjson")];
    Ok((kind, Body::from_stream(body)).into_response())
}

/// Raises its flag when the answer is no longer wanted.
struct CallOff(Arc<AtomicBool>);

impl Drop for CallOff {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

fn work(ask: &Ask, planner: &Planner, app: &App, stop: &AtomicBool, lines: &mpsc::Sender<Bytes>) {
    let mut last = (-1.0, "");
    let mut progress = |share: f32, stage: &'static str| {
        if *app.stopping.borrow() || lines.is_closed() {
            stop.store(true, Ordering::Relaxed);
        }
        if share - last.0 >= 0.02 || stage != last.1 {
            last = (share, stage);
            let stage = stage.to_owned();
            let _ = lines.try_send(line(&Progress {
                progress: share,
                stage,
            }));
        }
    };
    let mut watch = Watch {
        progress: &mut progress,
        stop,
    };
    let end = match ask.answer(planner, &mut watch) {
        Ok(proposals) => line(&proposals),
        Err(e) => line(&ErrorBody {
            error: e.to_string(),
            hint: e.hint().into(),
        }),
    };
    let _ = lines.blocking_send(end);
}

fn line(value: &impl Serialize) -> Bytes {
    let mut text = serde_json::to_vec(value).unwrap_or_default();
    text.push(b'\n');
    text.into()
}
