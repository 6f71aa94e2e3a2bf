//! Map extracts and elevation rasters in, one region file out; the same input gives the same bytes.
//!
//! ```text
//! files -> osm::Extracts -> pass 1 relations -> pass 2 ways -> pass 3 nodes
//!       -> roads, scenery, elevation -> region::Columns -> NAME.region
//! ```

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use region::{Bounds, Columns, Point};
use thiserror::Error;

mod contraction;
pub mod count;
pub mod elevation;
pub mod osm;
mod roads;
mod scenery;
mod strings;

pub use contraction::{ContractError, contract};

use elevation::{ElevationError, Heights};
use osm::{Extracts, Kinds, ReadError, Watch};
use roads::{Gathered, Ground};
use scenery::Scenery;
use strings::StringTable;

/// What to import and where to.
pub struct Job<'a> {
    /// Name of the region.
    pub name: &'a str,
    /// Extracts: `.osm.pbf`, `.osm`, `.osm.bz2`; overlapping ones are merged.
    pub files: &'a [PathBuf],
    /// `.hgt` and GeoTIFF files, or folders of them.
    pub elevation: &'a [PathBuf],
    /// Whom to credit wherever the map is shown; nobody for invented data.
    pub credit: Option<&'a str>,
    /// The region file; replaced as a whole or not at all.
    pub out: &'a Path,
}

/// The credit OpenStreetMap asks for.
pub const OPENSTREETMAP: &str = "© OpenStreetMap contributors";

/// What an import did.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Report {
    /// What the user should know, in words.
    pub warnings: Vec<String>,
    /// Junctions.
    pub nodes: u64,
    /// Pieces of road.
    pub pieces: u64,
    /// Arcs of the turn graph.
    pub turns: u64,
    /// Kilometres of road.
    pub road_km: f64,
    /// Finder entries.
    pub places: u64,
    /// Map features.
    pub features: u64,
    /// Size of the region file.
    pub bytes: u64,
}

/// Why an import failed. No region file was written or replaced.
#[derive(Debug, Error)]
pub enum ImportError {
    /// An extract could not be read.
    #[error(transparent)]
    Read(#[from] ReadError),
    /// An elevation file could not be read.
    #[error(transparent)]
    Elevation(#[from] ElevationError),
    /// The region file could not be written.
    #[error(transparent)]
    Write(#[from] region::WriteError),
    /// No road in any of the files.
    #[error("found no roads in {files}; give an extract that holds the roads of the region")]
    NoRoads {
        /// Names of the files.
        files: String,
    },
    /// More turns than the hierarchy can number, at some two thousand million.
    #[error(transparent)]
    Contract(ContractError),
    /// No file given.
    #[error("no map extract given; name one or more files ending in .osm.pbf, .osm or .osm.bz2")]
    NoFiles,
    /// Scenery could not be written.
    #[error(transparent)]
    Scenery(#[from] scenery::SceneryError),
    /// More than the format can number.
    #[error("{what} are too many for one region; import a smaller extract")]
    TooLarge {
        /// What there is too much of.
        what: &'static str,
    },
    /// The caller asked to stop.
    #[error("import cancelled")]
    Cancelled,
}

/// Imports extracts and elevation into one region file.
///
/// `progress` is called with words for the stage, amount done and amount in all; `cancel` is
/// looked at all the time.
pub fn import(
    job: &Job,
    progress: &(dyn Fn(&str, u64, u64) + Sync),
    cancel: &AtomicBool,
) -> Result<Report, ImportError> {
    let (columns, mut report) = build(job, progress, cancel)?;
    progress("writing the region", 0, 1);
    columns.write(job.out)?;
    report.bytes = std::fs::metadata(job.out).map_or(0, |m| m.len());
    progress("writing the region", 1, 1);
    Ok(report)
}

/// Everything but the writing.
fn build(
    job: &Job,
    progress: &(dyn Fn(&str, u64, u64) + Sync),
    cancel: &AtomicBool,
) -> Result<(Columns, Report), ImportError> {
    if job.files.is_empty() {
        return Err(ImportError::NoFiles);
    }
    let go_on = || match cancel.load(Ordering::Relaxed) {
        true => Err(ImportError::Cancelled),
        false => Ok(()),
    };
    let extracts = Extracts::open(job.files)?;
    let elevation = Heights::open(job.elevation)?;
    let watch = |stage| Watch {
        stage,
        progress,
        cancel,
    };

    let mut roads = Gathered::default();
    extracts.read(
        Kinds::RELATIONS,
        &Gathered::find_relations,
        |found| roads.add_relations(found),
        &watch("reading turn restrictions"),
    )?;
    extracts.read(
        Kinds::WAYS,
        &Gathered::find_ways,
        |found| roads.add_ways(found),
        &watch("reading roads"),
    )?;
    roads.end_ways();
    let mut found_nodes = Vec::new();
    extracts.read(
        Kinds::NODES,
        &|block| roads.find_nodes(block),
        |found| found_nodes.push(found),
        &watch("placing roads"),
    )?;
    found_nodes
        .into_iter()
        .for_each(|found| roads.add_nodes(found));
    let scenery = Scenery::read(&extracts, progress, cancel)?;
    let surroundings = scenery.surroundings();
    go_on()?;

    progress("building roads", 0, 1);
    let mut columns = Columns::default();
    let mut strings = StringTable::default();
    let heights = |points: &[Point]| -> Result<Vec<Option<(f64, bool)>>, ImportError> {
        if elevation.is_empty() {
            return Ok(Vec::new());
        }
        let found = elevation.at_all(points)?;
        Ok(found
            .into_iter()
            .map(|h| h.map(|h| (h.height_m, h.filled)))
            .collect())
    };
    let ground = Ground {
        surroundings: Some(&surroundings),
        heights: &heights,
    };
    let step = |done, of| {
        progress("building roads", done, of);
        go_on()
    };
    let (counts, road_nodes) = roads.build(&mut columns, &mut strings, &ground, &step)?;
    if counts.pieces == 0 {
        let names: Vec<String> = extracts.sources().into_iter().map(|s| s.file).collect();
        return Err(ImportError::NoRoads {
            files: names.join(", "),
        });
    }
    go_on()?;
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    contract(&mut columns, threads, &|done| {
        progress("putting the roads in order", done, counts.pieces);
        !cancel.load(Ordering::Relaxed)
    })
    .map_err(|e| match e {
        ContractError::Cancelled => ImportError::Cancelled,
        e => ImportError::Contract(e),
    })?;
    go_on()?;

    let mut warnings = road_warnings(&counts);
    warnings.extend(scenery.warnings.iter().cloned());
    let is_road_node = |id: i64| road_nodes.binary_search(&id).is_ok();
    let heights = Some(&elevation).filter(|e| !e.is_empty());
    scenery.write(
        heights,
        &is_road_node,
        &mut strings,
        &mut columns,
        progress,
        cancel,
    )?;
    if let Some(heights) = heights {
        let stage = "laying out the relief";
        let tell = |done, of| progress(stage, done, of);
        if let Some((grid, cells)) = heights.grid(bounds_e7(&columns), &tell, cancel)? {
            columns.meta.heights = Some(grid);
            columns.height_grid = cells;
        }
    }
    if !extracts.undated.is_empty() {
        let files = extracts.undated.join(", ");
        warnings.push(format!(
            "the map data in {files} does not say how old it is"
        ));
    }
    columns.meta.name = job.name.into();
    columns.meta.data_date = extracts.data_date.clone();
    columns.meta.sources = extracts.sources();
    let b = bounds_e7(&columns);
    columns.meta.bounds_deg =
        [b.west_e7, b.south_e7, b.east_e7, b.north_e7].map(|e7| f64::from(e7) / 1e7);
    columns.meta.attribution = job.credit.map(Into::into);
    columns.meta.warnings = warnings.clone();
    strings.write(&mut columns);

    let report = Report {
        warnings,
        nodes: counts.nodes,
        pieces: counts.pieces,
        turns: counts.turns,
        road_km: counts.km,
        places: columns.place_kind.len() as u64,
        features: columns.feature_kind.len() as u64,
        bytes: 0,
    };
    Ok((columns, report))
}

fn road_warnings(counts: &roads::RoadCounts) -> Vec<String> {
    let mut warnings = Vec::new();
    if counts.broken_restrictions > 0 {
        warnings.push(format!(
            "{} turn restrictions are incomplete in the map data and were left out",
            counts.broken_restrictions
        ));
    }
    if counts.left_out_restrictions > 0 {
        warnings.push(format!(
            "{} turn restrictions that hold at certain times lead over several roads and were left out",
            counts.left_out_restrictions
        ));
    }
    if counts.cut_ways > 0 {
        warnings.push(format!(
            "{} roads are cut off at the edge of the map data",
            counts.cut_ways
        ));
    }
    if counts.km_of_unchecked_law >= 0.5 {
        warnings.push(format!(
            "for {:.0} km of road without a mapped limit the legal one is assumed as recalled, not compared with a published table",
            counts.km_of_unchecked_law
        ));
    }
    if counts.km_without_country >= 0.5 {
        warnings.push(format!(
            "the country of {:.0} km of road is unknown: where no sign says otherwise, limits of 50 km/h in built-up areas, 80 km/h outside and 100 km/h on motorways are assumed there",
            counts.km_without_country
        ));
    }
    warnings
}

/// Box of all roads and places.
fn bounds_e7(columns: &Columns) -> Bounds {
    let mut bounds = Bounds::EMPTY;
    let lons = columns.point_lon_e7.iter().chain(&columns.place_lon_e7);
    let lats = columns.point_lat_e7.iter().chain(&columns.place_lat_e7);
    for (&lon_e7, &lat_e7) in lons.zip(lats) {
        bounds.include(Point { lon_e7, lat_e7 });
    }
    bounds
}
