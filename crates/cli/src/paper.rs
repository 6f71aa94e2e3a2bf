//! `lacet roadbook` and `lacet handout`.

use std::path::Path;

use ::paper::{Book, Sheet};
use planner::Planner;
use planner::document::Tour;
use planner::plan::Plan;
use planner::roadbook::Roadbook;
use server::data::DataDir;

use crate::failure::{Failure, Outcome};
use crate::files::replace;
use crate::{handover, regions};

/// Writes the roadbook as PDF or HTML.
pub fn roadbook(data: &DataDir, tour: &Path, region: &str, sheet: &str, output: &Path) -> Outcome {
    let Some(sheet) = Sheet::named(&sheet.to_ascii_lowercase()) else {
        return Err(Failure::user(
            format!("there is no paper '{sheet}'"),
            "choose a5, a4 or letter",
        ));
    };
    let ending = ending(output);
    if !["pdf", "html"].contains(&ending.as_str()) {
        return Err(Failure::user(
            format!("{} does not say how to write", output.display()),
            "end the name with .pdf or .html",
        ));
    }
    let ready = Ready::new(data, tour, region)?;
    let book = ready.book();
    let bytes = match ending.as_str() {
        "pdf" => book
            .roadbook_pdf(sheet)
            .map_err(|e| Failure::data(e.to_string(), "write .html and print it instead"))?,
        _ => book.roadbook_html(sheet).into_bytes(),
    };
    replace(output, &bytes)?;
    let rows: usize = ready.roadbook.days.iter().map(|d| d.rows.len()).sum();
    let days = ready.roadbook.days.len();
    eprintln!(
        "wrote {}: {days} day{}, {rows} rows",
        output.display(),
        if days == 1 { "" } else { "s" }
    );
    Ok(())
}

/// Writes the tour as one HTML file.
pub fn handout(data: &DataDir, tour: &Path, region: &str, output: &Path) -> Outcome {
    if ending(output) != "html" {
        return Err(Failure::user(
            format!("{} is not named as a page", output.display()),
            "end the name with .html",
        ));
    }
    let ready = Ready::new(data, tour, region)?;
    replace(output, ready.book().handout_html().as_bytes())?;
    eprintln!("wrote {}", output.display());
    Ok(())
}

fn ending(path: &Path) -> String {
    let ending = path.extension().and_then(|e| e.to_str());
    ending.unwrap_or("").to_ascii_lowercase()
}

/// A tour that can be put on paper.
struct Ready {
    planner: Planner,
    tour: Tour,
    plan: Plan,
    roadbook: Roadbook,
}

impl Ready {
    fn new(data: &DataDir, tour: &Path, region: &str) -> Result<Self, Failure> {
        let planner = regions::open(data, region)?;
        let tour = handover::tour(tour, &planner)?;
        let (plan, roadbook) = planner
            .roadbook(&tour)
            .map_err(|e| Failure::user(e.to_string(), "correct the tour and try again"))?;
        // A straight line where no way was found is no road to follow.
        if let Some(trouble) = plan.legs.iter().find_map(|l| l.trouble.as_ref()) {
            return Err(Failure::user(
                trouble.clone(),
                "mend the tour and try again; no file was written",
            ));
        }
        for w in plan.warnings.iter().filter(|w| w.km.is_none()) {
            eprintln!("warning: {}", w.text);
        }
        Ok(Ready {
            planner,
            tour,
            plan,
            roadbook,
        })
    }

    fn book(&self) -> Book<'_> {
        Book {
            region: self.planner.region(),
            tour: &self.tour,
            plan: &self.plan,
            roadbook: &self.roadbook,
        }
    }
}
