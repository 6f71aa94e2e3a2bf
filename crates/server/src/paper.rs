//! Tours on paper, over HTTP.

use std::sync::Arc;

use ::paper::{Book, Sheet};
use axum::extract::{Path, Request, State};
use axum::http::StatusCode;
use axum::response::Response;
use planner::Planner;
use planner::document::Tour;

use crate::answer::{Refusal, attachment, beside, json_body};
use crate::api::PaperRequest;
use crate::plans::one_name;
use crate::{App, MAX_TOUR_BYTES};

/// What a tour is written as.
#[derive(Clone, Copy)]
enum Kind {
    RoadbookPdf,
    RoadbookHtml,
    Handout,
}

pub(crate) async fn paper(
    State(app): State<Arc<App>>,
    Path(what): Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    let kind = match what.as_str() {
        "roadbook.pdf" => Kind::RoadbookPdf,
        "roadbook.html" => Kind::RoadbookHtml,
        "handout.html" => Kind::Handout,
        _ => {
            return Err(Refusal::missing(
                "there is no such paper",
                "choose roadbook.pdf, roadbook.html or handout.html",
            ));
        }
    };
    let PaperRequest { tour, size } = json_body(request, MAX_TOUR_BYTES).await?;
    let size = size.as_deref().unwrap_or("a5");
    let Some(sheet) = Sheet::named(size) else {
        return Err(Refusal::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            format!("there is no paper of size {size:?}"),
            "choose a5, a4 or letter",
        ));
    };
    let planner = app.region(tour.region.clone()).await?;
    let (name, mime, bytes) = beside(move || write(&planner, &tour, kind, sheet)).await?;
    attachment(&name, mime, bytes)
}

fn write(
    planner: &Planner,
    tour: &Tour,
    kind: Kind,
    sheet: Sheet,
) -> Result<(String, &'static str, Vec<u8>), Refusal> {
    let (plan, roadbook) = planner.roadbook(tour)?;
    if let Some(trouble) = plan.legs.iter().find_map(|l| l.trouble.as_ref()) {
        return Err(Refusal::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            trouble.clone(),
            "mend the tour first: a straight line is no road to follow",
        ));
    }
    let book = Book {
        region: planner.region(),
        tour,
        plan: &plan,
        roadbook: &roadbook,
    };
    let title = match tour.name.trim() {
        "" => "tour",
        name => name,
    };
    let html = "text/html; charset=utf-8";
    Ok(match kind {
        Kind::RoadbookPdf => {
            let pdf = book
                .roadbook_pdf(sheet)
                .map_err(|e| Refusal::internal(e.to_string()))?;
            let name = one_name(&format!("{title} roadbook"), ".pdf");
            (name, "application/pdf", pdf)
        }
        Kind::RoadbookHtml => {
            let name = one_name(&format!("{title} roadbook"), ".html");
            (name, html, book.roadbook_html(sheet).into_bytes())
        }
        Kind::Handout => {
            let name = one_name(title, ".html");
            (name, html, book.handout_html().into_bytes())
        }
    })
}
