//! `lacet handover` and `lacet replay`.

use std::path::{Path, PathBuf};

use planner::Planner;
use planner::document::Tour;
use planner::files::{self, Ride};
use planner::handover::handed::{Handover, HandoverError};
use planner::handover::panel::{MOST_SPACING_M, Panel, PanelError, Settings};
use planner::handover::replay::Report;
use planner::handover::unit::Sheet;
use serde::Serialize;
use server::data::DataDir;

use crate::failure::{Failure, Outcome};
use crate::files::{bytes, print_json, read, replace_checked, say};
use crate::progress::Progress;
use crate::regions;

/// What was asked of `lacet handover`.
pub struct Wanted {
    /// Tour document or ride file.
    pub tour: PathBuf,
    /// Region to plan on.
    pub region: String,
    /// Unit sheet by name, or its file.
    pub unit: String,
    /// Folder or mounted unit to write to.
    pub out: Option<PathBuf>,
    /// Further routers.
    pub panel: Option<PathBuf>,
    /// How much dearer every other way must be, percent.
    pub margin: f64,
    /// Least distance between points, metres.
    pub spacing: f64,
    /// Print as JSON.
    pub json: bool,
}

#[derive(Serialize)]
struct Printed<'a> {
    #[serde(flatten)]
    handover: &'a Handover,
    sheet: &'a Sheet,
    written: Vec<PathBuf>,
}

/// Chooses points, rides them with the panel, writes the files.
pub fn run(data: &DataDir, wanted: &Wanted) -> Outcome {
    let sheet = sheet(&wanted.unit)?;
    if !(0.0..=100.0).contains(&wanted.margin) {
        return Err(Failure::user(
            format!("a margin of {} % makes no sense", wanted.margin),
            "give 0 to 100; 5 is usual",
        ));
    }
    if !(0.0..=MOST_SPACING_M).contains(&wanted.spacing) {
        return Err(Failure::user(
            format!("points cannot be {} m apart", wanted.spacing),
            format!("give 0 to {MOST_SPACING_M}; 0 lets the line decide"),
        ));
    }
    let mut settings = Settings {
        spacing_m: wanted.spacing,
        margin_permille: (wanted.margin * 10.0).round() as u32,
        ..Settings::default()
    };
    if let Some(path) = &wanted.panel {
        settings.panel.routers.extend(panel(path)?.routers);
    }
    let planner = regions::open(data, &wanted.region)?;
    let tour = tour(&wanted.tour, &planner)?;
    let handover = planner
        .handover(&tour, &sheet, &settings, &|_, _| true)
        .map_err(|e: HandoverError| {
            Failure::user(e.to_string(), "correct the tour and try again")
        })?;
    // What is lost is said before anything is written.
    if !wanted.json {
        table(&handover)?;
    }
    let mut written = Vec::new();
    if let Some(out) = &wanted.out {
        let folder = unit_folder(out, &sheet)?;
        for file in &handover.files {
            let path = folder.join(&file.name);
            replace_checked(&path, &file.bytes)?;
            eprintln!("wrote {}", path.display());
            written.push(path);
        }
    }
    if wanted.json {
        print_json(&Printed {
            handover: &handover,
            sheet: &sheet,
            written,
        })?;
    } else if written.is_empty() {
        eprintln!("nothing was written; name a folder or a mounted unit with --out DIR");
    }
    Ok(())
}

/// The sheet's folder below a unit's top, where the unit has it; else the folder named.
fn unit_folder(out: &Path, sheet: &Sheet) -> Result<PathBuf, Failure> {
    if out.is_file() {
        return Err(Failure::user(
            format!("{} is a file", out.display()),
            "name a folder with --out DIR",
        ));
    }
    let inside = out.join(&sheet.folder);
    let safe = Path::new(&sheet.folder)
        .components()
        .all(|c| matches!(c, std::path::Component::Normal(_)));
    if !sheet.folder.is_empty() && safe && inside.is_dir() {
        return Ok(inside);
    }
    std::fs::create_dir_all(out).map_err(|e| Failure::io("make", out, &e))?;
    Ok(out.into())
}

/// A unit sheet by name, or from its file.
fn sheet(wanted: &str) -> Result<Sheet, Failure> {
    if let Some(sheet) = Sheet::named(wanted) {
        return Ok(sheet);
    }
    let path = Path::new(wanted);
    if path.extension().is_none_or(|e| e != "toml") {
        let known: Vec<String> = Sheet::built_in().into_iter().map(|s| s.name).collect();
        return Err(Failure::user(
            format!("there is no unit sheet '{wanted}'"),
            format!("choose one of: {}; or name a .toml file", known.join(", ")),
        ));
    }
    let hint = "docs/handover.md says what a unit sheet holds";
    let text = text(path, hint)?;
    Sheet::read(&text).map_err(|e| Failure::data(e.to_string(), hint))
}

fn panel(path: &Path) -> Result<Panel, Failure> {
    let hint = "docs/handover.md says what a panel file holds";
    let text = text(path, hint)?;
    Panel::read(&text).map_err(|e: PanelError| Failure::data(e.to_string(), hint))
}

fn text(path: &Path, hint: &str) -> Result<String, Failure> {
    String::from_utf8(bytes(path)?)
        .map_err(|_| Failure::data(format!("{} is no text in UTF-8", path.display()), hint))
}

/// A tour document, or a ride file as a tour on the region.
pub fn tour(path: &Path, planner: &Planner) -> Result<Tour, Failure> {
    let content = bytes(path)?;
    let document = content
        .windows(planner::document::FORMAT.len())
        .take(4096)
        .any(|w| w == planner::document::FORMAT.as_bytes());
    if document {
        return serde_json::from_slice(&content).map_err(|e| {
            Failure::data(
                format!("{} is no tour document: {e}", path.display()),
                "save the tour again",
            )
        });
    }
    let mut ride = files::read(&path.display().to_string(), &content)
        .map_err(|e| Failure::data(e.to_string(), "GPX, GeoJSON and KML are read"))?;
    // The line is what was planned; points are chosen anew.
    if ride.track_length_m() > 0.0 {
        ride.routes.clear();
    }
    let progress = Progress::new();
    let show = |share: f64, stage: &str| {
        progress.show(stage, (share * 1000.0) as u64, 1000);
        true
    };
    let read = planner.tour_of_ride(&ride, &"fastest".into(), &show);
    progress.finish();
    let (tour, warnings) = read.map_err(|e| {
        let hint = "name a file with a track or a route";
        Failure::data(format!("{}: {e}", path.display()), hint)
    })?;
    warnings.iter().for_each(|w| eprintln!("warning: {w}"));
    Ok(tour)
}

fn percent(share: f64) -> String {
    // Never round up to whole what is not.
    format!("{:.2} %", (share * 10_000.0).floor() / 100.0)
}

fn table(handover: &Handover) -> Outcome {
    say(&format!(
        "{} points for {:.1} km ({:.0} per 100 km); the fewest for this panel and margin are {}{}",
        handover.points.len(),
        handover.length_m / 1000.0,
        handover.per_100_km,
        handover.minimum,
        match handover.minimum_confirmed {
            true => "",
            false => " (not confirmed from the end)",
        }
    ))?;
    reports(&handover.routers)?;
    for loss in &handover.lost {
        let m = loss.length_m;
        say(&format!(
            "! km {:.1}, {:.2} km: {}",
            loss.km,
            m / 1000.0,
            loss.text
        ))?;
    }
    for note in &handover.notes {
        say(&format!("! {note}"))?;
    }
    for file in &handover.files {
        say(&format!(
            "{}: routes of {:?} points, tracks of {:?} points at most {:.1} m off",
            file.name, file.route_points, file.track_points, file.track_off_m
        ))?;
    }
    say(planner::plan::CAUTIONS)
}

fn reports(routers: &[Report]) -> Outcome {
    for router in routers {
        say(&format!("{:>9}  {}", percent(router.share), router.router))?;
        for leave in &router.leaves {
            say(&format!(
                "           km {:.1} misses {:.0} m. {} A point at {:.5},{:.5} would hold it.",
                leave.km, leave.missed_m, leave.why, leave.add[0], leave.add[1]
            ))?;
        }
    }
    Ok(())
}

/// Rides the route of a file with the panel and compares with its track.
pub fn replay(
    data: &DataDir,
    plan: &Path,
    route: Option<&Path>,
    region: &str,
    own_panel: Option<&Path>,
    json: bool,
) -> Outcome {
    let plan: Ride = read(plan)?;
    let route = route.map(read).transpose()?;
    let panel = own_panel.map(panel).transpose()?.unwrap_or_default();
    let planner: Planner = regions::open(data, region)?;
    let kit = planner.kit(&panel);
    let replayed = planner
        .replay_ride(&plan, route.as_ref(), &kit)
        .map_err(|e| Failure::data(e.to_string(), "give a plan with a track, and a route"))?;
    if json {
        return print_json(&replayed);
    }
    say(&format!(
        "{} points, {:.1} km; reproduced by the worst router: {}",
        replayed.points,
        replayed.length_m / 1000.0,
        percent(replayed.worst_share)
    ))?;
    reports(&replayed.routers)?;
    replayed
        .notes
        .iter()
        .try_for_each(|n| say(&format!("! {n}")))
}
