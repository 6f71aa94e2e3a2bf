//! `lacet regions`.

use std::sync::Arc;

use planner::Planner;
use region::{OpenError, Region};
use server::api::RegionInfo;
use server::data::DataDir;
use server::regions::{RegionError, Regions};

use crate::failure::{Failure, Outcome};
use crate::files::{print_json, say};

/// Lists the regions; those that cannot be used with the reason.
pub fn run(data: DataDir, json: bool) -> Outcome {
    let folder = data.regions();
    let list = Regions::new(data)
        .list()
        .map_err(|e| Failure::io("list", &folder, &e))?;
    if json {
        return print_json(&list);
    }
    if list.is_empty() {
        eprintln!("no regions yet; import one: lacet import NAME FILE");
        return Ok(());
    }
    let width = list.iter().map(|r| r.name.len()).max().unwrap_or(0).max(6);
    say(&format!(
        "{:width$}  {:>9}  {:10}  {:>9}  {:>9}  {:>8}  {:7}  west, south, east, north",
        "region", "size", "data from", "roads", "junctions", "places", "heights"
    ))?;
    for r in &list {
        say(&row(r, width))?;
    }
    Ok(())
}

fn row(r: &RegionInfo, width: usize) -> String {
    if let Some(trouble) = &r.trouble {
        return format!("{:width$}  cannot be used: {trouble}", r.name);
    }
    let [west, south, east, north] = r.bounds_deg;
    let date = r
        .data_date
        .as_deref()
        .map_or("unknown", |d| d.get(..10).unwrap_or(d));
    format!(
        "{:width$}  {:>9}  {date:10}  {:>9}  {:>9}  {:>8}  {:7}  {west:.4}, {south:.4}, {east:.4}, {north:.4}",
        r.name,
        size(r.bytes),
        r.counts.pieces,
        r.counts.junctions,
        r.counts.places,
        if r.has_heights { "yes" } else { "no" },
    )
}

/// Bytes in words.
pub fn size(bytes: u64) -> String {
    match bytes {
        0..1_000_000 => format!("{:.1} kB", bytes as f64 / 1e3),
        1_000_000..1_000_000_000 => format!("{:.1} MB", bytes as f64 / 1e6),
        _ => format!("{:.2} GB", bytes as f64 / 1e9),
    }
}

/// Opens a region to plan on.
pub fn open(data: &DataDir, name: &str) -> Result<Planner, Failure> {
    let path = data.region(name).filter(|p| p.exists()).ok_or_else(|| {
        let known = data.region_names().unwrap_or_default().join(", ");
        let hint = if known.is_empty() {
            "import it: lacet import NAME FILE".into()
        } else {
            format!("there are: {known}")
        };
        Failure::user(format!("there is no region '{name}'"), hint)
    })?;
    let region = Region::open(&path).map_err(|e| match e {
        OpenError::Io { path, source } => Failure::io("read region file", &path, &source),
        e => damaged(&e.into()),
    })?;
    Planner::new(Arc::new(region)).map_err(|e| damaged(&e.into()))
}

fn damaged(e: &RegionError) -> Failure {
    Failure::data(e.to_string(), "import it again: lacet import NAME FILE")
}
