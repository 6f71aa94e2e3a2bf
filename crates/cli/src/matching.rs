//! `lacet match`.

use std::path::Path;

use planner::matching::MatchReport;
use server::data::DataDir;

use crate::failure::{Failure, Outcome};
use crate::files::{print_json, read, say};
use crate::progress::Progress;
use crate::regions;

/// Lays the tracks of a file on the roads of a region and says where they went.
pub fn run(data: &DataDir, path: &Path, region: &str, json: bool) -> Outcome {
    let ride = read(path)?;
    for warning in &ride.warnings {
        eprintln!("warning: {}: {warning}", path.display());
    }
    let planner = regions::open(data, region)?;
    let fixes = ride.positions();
    let progress = Progress::new();
    let show = |share: f64, stage: &str| {
        progress.show(stage, (share * 1000.0) as u64, 1000);
        true
    };
    let matched = planner.match_line(&fixes, &show);
    progress.finish();
    let matched = matched.map_err(|e| {
        let hint = "name a file with a track or a route";
        Failure::data(format!("{}: {e}", path.display()), hint)
    })?;
    let report = planner.match_report(&fixes, &matched);
    match json {
        true => print_json(&report),
        false => table(&report),
    }
}

fn table(report: &MatchReport) -> Outcome {
    say(&format!(
        "{:.1} km on roads, {:.1} km off them; {:.1} % of {} points matched, {:.1} m off on average, \
         {:.0} m at most",
        report.matched_km,
        report.off_road_km,
        (report.matched_share * 1000.0).floor() / 10.0,
        report.points,
        report.mean_m,
        report.greatest_m
    ))?;
    for part in &report.parts {
        let what = match (part.on_road, part.turns_round) {
            (true, true) => "on roads, turning round at the end",
            (true, false) => "on roads",
            (false, _) => "off the roads of the region",
        };
        say(&format!(
            "points {} to {}: {:.2} km {what}",
            part.first + 1,
            part.last + 1,
            part.length_m / 1000.0
        ))?;
    }
    for gap in &report.gaps {
        let time = match gap.seconds {
            Some(s) => format!(", {:.0} min", s / 60.0),
            None => String::new(),
        };
        let bridged = match gap.road_m {
            Some(m) => format!("bridged by {:.2} km of road", m / 1000.0),
            None => "no road bridges it".into(),
        };
        say(&format!(
            "! no points for {:.2} km{time} after point {}: {bridged}",
            gap.straight_m / 1000.0,
            gap.from + 1
        ))?;
    }
    for breach in &report.breaches {
        use planner::matching::Rule;
        let what = match breach.rule {
            Rule::OneWay => format!("{:.0} m against a one-way", breach.length_m),
            Rule::Closed => format!("{:.0} m on a road closed to motorcycles", breach.length_m),
            Rule::Turn => "a banned turn".into(),
        };
        let [lon, lat] = breach.at;
        say(&format!("! {what} at {lat:.5},{lon:.5}, by the map"))?;
    }
    Ok(())
}
