//! Tests of the importer as its users see it.

#![allow(clippy::print_stderr, reason = "tests say why they skip")]

mod elevation_heights;
mod roads_files;
mod roads_law;
mod roads_maps;
mod roads_merge;
mod roads_walks;
mod scenery_map;

use std::path::{Path, PathBuf};

/// A file or folder of the data shared between checkouts (`LACET_SHARED`, default beside the
/// workspace); where it is absent, says so and the test passes over.
fn shared(path: &str) -> Option<PathBuf> {
    let beside = || Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared");
    let root = std::env::var_os("LACET_SHARED").map_or_else(beside, PathBuf::from);
    let path = root.join(path);
    if !path.exists() {
        eprintln!("skipped: {} is not there", path.display());
        return None;
    }
    Some(path)
}
