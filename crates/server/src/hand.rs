//! One connection on which a page asks for plans while a point is dragged; `GET /api/hand`.
//!
//! The newest question wins: one is worked on and at most one waits. A newer question takes the
//! place of the waiting one and calls off the one worked on, but never two in a row: whatever
//! follows a question that was called off is answered, so that the line keeps moving however fast
//! the hand does.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::body::Bytes;
use axum::extract::State;
use axum::extract::ws::rejection::WebSocketUpgradeRejection;
use axum::extract::ws::{CloseFrame, Message, WebSocket, WebSocketUpgrade, close_code};
use axum::http::StatusCode;
use axum::response::Response;
use futures_util::stream::{SplitSink, SplitStream};
use futures_util::{SinkExt, StreamExt};
use planner::PlanError;
use serde::Deserialize;
use tokio::sync::Notify;

use crate::answer::{Refusal, beside};
use crate::api::{HandAnswer, HandQuestion};
use crate::{App, MAX_TOUR_BYTES};

/// Connections at once. Each holds a question that arrives, one that waits and one worked on.
pub(crate) const MOST_HANDS: u32 = 32;
/// A page that takes no answer for so long is gone.
const SEND_PATIENCE: Duration = Duration::from_secs(30);
/// How long the other side may take to say goodbye.
const GOODBYE: Duration = Duration::from_secs(1);

pub(crate) async fn hand(
    State(app): State<Arc<App>>,
    upgrade: Result<WebSocketUpgrade, WebSocketUpgradeRejection>,
) -> Result<Response, Refusal> {
    let upgrade = upgrade.map_err(|e| {
        let what = format!("this call opens a WebSocket: {}", e.body_text());
        Refusal::new(e.status(), what, "see docs/api.md")
    })?;
    let place = app.hands.clone().try_acquire_owned().map_err(|_| {
        let what = format!("{MOST_HANDS} pages are connected already");
        Refusal::new(
            StatusCode::SERVICE_UNAVAILABLE,
            what,
            "close some of them, or use POST /api/plan",
        )
    })?;
    Ok(upgrade
        .max_message_size(MAX_TOUR_BYTES)
        .max_frame_size(MAX_TOUR_BYTES)
        .on_upgrade(async move |socket| {
            hold(socket, app).await;
            drop(place);
        }))
}

/// Answers until either side goes.
async fn hold(socket: WebSocket, app: Arc<App>) {
    let (mut out, mut into) = socket.split();
    let desk = Desk::default();
    let mut stopping = app.stopping.clone();
    let why = tokio::select! {
        why = listen(&mut into, &desk) => why,
        why = answer(&mut out, &desk, &app) => why,
        _ = stopping.wait_for(|stopping| *stopping) => close(close_code::AWAY, "Lacet stops"),
    };
    desk.call_off();
    let goodbye = async {
        if out.send(Message::Close(why)).await.is_ok() {
            while let Some(Ok(_)) = into.next().await {}
        }
    };
    let _ = tokio::time::timeout(GOODBYE, goodbye).await;
}

fn close(code: u16, reason: &str) -> Option<CloseFrame> {
    let reason = reason.into();
    Some(CloseFrame { code, reason })
}

/// Puts what arrives on the desk until nothing more does.
async fn listen(into: &mut SplitStream<WebSocket>, desk: &Desk) -> Option<CloseFrame> {
    loop {
        match into.next().await {
            Some(Ok(Message::Text(text))) => desk.put(text.into()),
            Some(Ok(Message::Binary(bytes))) => desk.put(bytes),
            Some(Ok(Message::Ping(_) | Message::Pong(_))) => {}
            Some(Ok(Message::Close(_))) | None => return None,
            Some(Err(e)) => {
                return match e.to_string().contains("too long") {
                    true => {
                        let most = MAX_TOUR_BYTES / 1_000_000;
                        close(
                            close_code::SIZE,
                            &format!("a question holds more than {most} MB"),
                        )
                    }
                    false => close(close_code::PROTOCOL, "what was sent cannot be read"),
                };
            }
        }
    }
}

/// Answers the newest question, again and again, until an answer is not taken.
async fn answer(
    out: &mut SplitSink<WebSocket, Message>,
    desk: &Desk,
    app: &Arc<App>,
) -> Option<CloseFrame> {
    loop {
        desk.asked().await;
        // While others plan, newer questions may still take the place of this one.
        let turn = app.plan_turns.acquire().await;
        let Some((question, stop)) = desk.take() else {
            continue;
        };
        let work = {
            let app = app.clone();
            beside(move || Ok(answer_to(&app, &question, &stop)))
        };
        let text = match work.await {
            Ok(text) => text,
            Err(broken) => Some(written(&HandAnswer::refused(None, broken))),
        };
        drop(turn);
        desk.done(text.is_some());
        let Some(text) = text else { continue };
        let sending = out.send(Message::Text(text.into()));
        match tokio::time::timeout(SEND_PATIENCE, sending).await {
            Ok(Ok(())) => {}
            Ok(Err(_)) => return None,
            Err(_) => return close(close_code::POLICY, "answers are not taken"),
        }
    }
}

/// The answer as it is sent, or none if the question was called off.
fn answer_to(app: &App, question: &[u8], stop: &AtomicBool) -> Option<String> {
    let answer = match serde_json::from_slice::<HandQuestion>(question) {
        Ok(HandQuestion { seq, tour, have }) => {
            let have = have.into_iter().collect();
            let plan = app
                .regions
                .get(&tour.region)
                .map_err(Refusal::from)
                .map(|planner| planner.plan_until(&tour, &have, stop));
            match plan {
                Ok(Ok(plan)) => HandAnswer::planned(seq, plan),
                Ok(Err(PlanError::Cancelled)) => return None,
                Ok(Err(e)) => HandAnswer::refused(Some(seq), e.into()),
                Err(refusal) => HandAnswer::refused(Some(seq), refusal),
            }
        }
        Err(e) => {
            #[derive(Deserialize)]
            struct Numbered {
                seq: u64,
            }
            let seq = serde_json::from_slice::<Numbered>(question).ok();
            let refusal = Refusal::bad(
                format!("the question is not what this call takes: {e}"),
                "see docs/api.md",
            );
            HandAnswer::refused(seq.map(|n| n.seq), refusal)
        }
    };
    Some(written(&answer))
}

fn written(answer: &HandAnswer) -> String {
    serde_json::to_string(answer).unwrap_or_else(|e| {
        format!(
            "{{\"seq\":null,\"error\":\"the answer cannot be written\",\"hint\":\"{}\"}}",
            e.to_string().replace(['"', '\\'], " ")
        )
    })
}

impl HandAnswer {
    fn planned(seq: u64, plan: planner::plan::Plan) -> Self {
        HandAnswer {
            seq: Some(seq),
            plan: Some(plan),
            error: None,
            hint: None,
        }
    }

    fn refused(seq: Option<u64>, refusal: Refusal) -> Self {
        HandAnswer {
            seq,
            plan: None,
            error: Some(refusal.error),
            hint: Some(refusal.hint),
        }
    }
}

/// What one connection has to do: never more than two questions.
#[derive(Default)]
struct Desk {
    papers: Mutex<Papers>,
    arrived: Notify,
}

#[derive(Default)]
struct Papers {
    waiting: Option<Bytes>,
    /// Calls off the question worked on.
    at_work: Option<Arc<AtomicBool>>,
    /// The last question was called off, so this one will be answered.
    owed: bool,
}

impl Desk {
    fn papers(&self) -> MutexGuard<'_, Papers> {
        self.papers.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A question has come; it takes the place of one that waits.
    fn put(&self, question: Bytes) {
        let mut papers = self.papers();
        papers.waiting = Some(question);
        if let Some(stop) = papers.at_work.as_ref().filter(|_| !papers.owed) {
            stop.store(true, Ordering::Relaxed);
        }
        drop(papers);
        self.arrived.notify_one();
    }

    /// Ready when a question waits.
    async fn asked(&self) {
        while self.papers().waiting.is_none() {
            self.arrived.notified().await;
        }
    }

    /// The question to work on, and what calls it off.
    fn take(&self) -> Option<(Bytes, Arc<AtomicBool>)> {
        let mut papers = self.papers();
        let question = papers.waiting.take()?;
        let stop = Arc::new(AtomicBool::new(false));
        papers.at_work = Some(stop.clone());
        Some((question, stop))
    }

    /// The question taken is answered, or was called off.
    fn done(&self, answered: bool) {
        let mut papers = self.papers();
        papers.at_work = None;
        papers.owed = !answered;
    }

    /// Nobody wants an answer any more.
    fn call_off(&self) {
        let mut papers = self.papers();
        papers.waiting = None;
        if let Some(stop) = &papers.at_work {
            stop.store(true, Ordering::Relaxed);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::Ordering;

    use super::Desk;

    /// Works on the desk as long as questions come one after the other, each newer one arriving
    /// before the last is finished; returns which were answered.
    fn answered(desk: &Desk, questions: std::ops::Range<u8>) -> Vec<u8> {
        let mut answered = Vec::new();
        desk.put(vec![questions.start].into());
        for newer in questions.skip(1) {
            let (question, stop) = desk.take().unwrap();
            desk.put(vec![newer].into());
            let whole = !stop.load(Ordering::Relaxed);
            if whole {
                answered.push(question[0]);
            }
            desk.done(whole);
        }
        answered
    }

    #[test]
    fn a_steady_hand_gets_an_answer_to_every_second_question_however_slow() {
        let desk = Desk::default();
        assert_eq!(answered(&desk, 0..11), [1, 3, 5, 7, 9]);
    }

    #[test]
    fn the_newest_question_is_the_one_that_waits() {
        let desk = Desk::default();
        for n in 0..100u8 {
            desk.put(vec![n].into());
        }
        assert_eq!(desk.take().unwrap().0[..], [99]);
        assert!(desk.take().is_none());
    }

    #[test]
    fn a_closed_connection_wants_nothing_more() {
        let desk = Desk::default();
        desk.put(vec![1].into());
        let (_, stop) = desk.take().unwrap();
        desk.done(false);
        desk.put(vec![2].into());
        let (_, owed) = desk.take().unwrap();
        desk.put(vec![3].into());
        assert!(!owed.load(Ordering::Relaxed), "owed after one called off");
        desk.call_off();
        assert!(owed.load(Ordering::Relaxed) && !stop.load(Ordering::Relaxed));
        assert!(desk.take().is_none());
    }
}
