//! `lacet import`, and importing for the demo.

use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::time::{Duration, SystemTime};

use import::{ImportError, Job, Report};
use serde::Serialize;
use server::data::{DataDir, is_region_name};

use crate::failure::{Failure, Outcome};
use crate::files::{print_json, say};
use crate::progress::Progress;
use crate::regions::size;
use crate::stop::Stop;

/// What was made.
#[derive(Serialize)]
struct Made<'a> {
    name: &'a str,
    bytes: u64,
    road_km: f64,
    counts: Counts,
    warnings: &'a [String],
}

#[derive(Serialize)]
struct Counts {
    junctions: u64,
    pieces: u64,
    turns: u64,
    places: u64,
    features: u64,
}

/// Imports a region and says what is in it.
pub fn run(
    data: &DataDir,
    name: &str,
    files: &[PathBuf],
    elevation: &[PathBuf],
    json: bool,
) -> Outcome {
    let out = data
        .region(name)
        .filter(|_| is_region_name(name))
        .ok_or_else(|| {
            let hint = "use 1 to 64 of a-z, 0-9, - and _, a letter or digit first";
            Failure::user(format!("'{name}' cannot be the name of a region"), hint)
        })?;
    for path in files.iter().chain(elevation) {
        std::fs::metadata(path).map_err(|e| Failure::io("read", path, &e))?;
    }
    if let Some(dir) = files.iter().find(|p| p.is_dir()) {
        return Err(Failure::user(
            format!("{} is a folder, not a map extract", dir.display()),
            "name the .osm.pbf, .osm or .osm.bz2 files in it",
        ));
    }
    let stop = Stop::listen()?;
    let report = make(
        data,
        &Job {
            name,
            files,
            elevation,
            credit: Some(import::OPENSTREETMAP),
            out: &out,
        },
        &stop,
    )?;
    for warning in &report.warnings {
        eprintln!("warning: {warning}");
    }
    if json {
        let counts = Counts {
            junctions: report.nodes,
            pieces: report.pieces,
            turns: report.turns,
            places: report.places,
            features: report.features,
        };
        let (bytes, road_km, warnings) = (report.bytes, report.road_km, &report.warnings);
        return print_json(&Made {
            name,
            bytes,
            road_km,
            counts,
            warnings,
        });
    }
    say(&format!(
        "region {name}: {:.0} km of road in {} pieces, {} places, {}",
        report.road_km,
        report.pieces,
        report.places,
        size(report.bytes)
    ))
}

/// Imports with progress on standard error; an older region of the name stays until the new one
/// is whole.
pub fn make(data: &DataDir, job: &Job, stop: &Stop) -> Result<Report, Failure> {
    data.create()
        .map_err(|e| Failure::io("make the data directory", data.root(), &e))?;
    sweep(&data.regions());
    let progress = Progress::new();
    let result = import::import(
        job,
        &|stage, done, of| progress.show(stage, done, of),
        stop.flag(),
    );
    progress.finish();
    match result {
        Ok(report) => Ok(report),
        Err(_) if stop.flag().load(Ordering::SeqCst) => {
            Err(Failure::user("canceled; nothing was changed", ""))
        }
        Err(ImportError::Write(e)) => Err(Failure::io("write region file", &e.path, &e.source)),
        Err(e @ ImportError::NoFiles) => Err(Failure::user(e.to_string(), "")),
        Err(e) => Err(Failure::data(
            e.to_string(),
            "no region was made or changed",
        )),
    }
}

/// Removes what an import that was killed left behind, once it is surely not in use.
fn sweep(folder: &Path) {
    let day = Duration::from_secs(24 * 3600);
    let is_old = |m: SystemTime| {
        SystemTime::now()
            .duration_since(m)
            .is_ok_and(|age| age > day)
    };
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let is_left = entry
            .file_name()
            .to_str()
            .is_some_and(|n| n.starts_with(".region-"));
        if is_left
            && entry
                .metadata()
                .and_then(|m| m.modified())
                .is_ok_and(is_old)
        {
            let _ = std::fs::remove_file(entry.path());
        }
    }
}
