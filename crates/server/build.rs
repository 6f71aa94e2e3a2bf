//! Puts the built page into the binary, or one line that says it was not built: tests and
//! libraries must not need Node. Also numbers the edition of the tile maker, so that browsers
//! never show tiles of an older one from their cache.

use std::collections::hash_map::DefaultHasher;
use std::hash::{Hash, Hasher};
use std::io;
use std::path::{Path, PathBuf};

const UNBUILT: &str = "<!doctype html><meta charset=utf-8><title>Lacet</title>\
<p>The page was not built into this program; run <code>make demo</code>.\n";

fn main() {
    let crate_dir = PathBuf::from(variable("CARGO_MANIFEST_DIR"));
    let page = PathBuf::from(variable("OUT_DIR")).join("page");
    println!("cargo::rerun-if-env-changed=LACET_WEB_DIST");
    let dist = std::env::var_os("LACET_WEB_DIST")
        .map_or_else(|| crate_dir.join("../../web/dist"), PathBuf::from);
    println!("cargo::rerun-if-changed={}", dist.display());
    if let Err(e) = fill(&page, &dist) {
        println!(
            "cargo::error=cannot embed the page from {}: {e}",
            dist.display()
        );
    }

    // What a tile shows comes from the tile maker, and what a road is worth from the planner.
    let mut hasher = DefaultHasher::new();
    for sources in ["../tiles/src", "../planner/src"] {
        let sources = crate_dir.join(sources);
        println!("cargo::rerun-if-changed={}", sources.display());
        if let Err(e) = hash_folder(&sources, &mut hasher) {
            println!("cargo::error=cannot read {}: {e}", sources.display());
        }
    }
    println!(
        "cargo::rustc-env=LACET_TILES_EDITION={:08x}",
        hasher.finish() as u32
    );
}

fn variable(name: &str) -> String {
    std::env::var(name).unwrap_or_default()
}

/// A copy of `dist`, so that rebuilding the page while this crate compiles does no harm.
fn fill(page: &Path, dist: &Path) -> io::Result<()> {
    if page.exists() {
        std::fs::remove_dir_all(page)?;
    }
    std::fs::create_dir_all(page)?;
    if dist.join("index.html").is_file() {
        return copy(dist, page);
    }
    std::fs::write(page.join("index.html"), UNBUILT)
}

fn copy(from: &Path, to: &Path) -> io::Result<()> {
    for entry in std::fs::read_dir(from)? {
        let entry = entry?;
        let target = to.join(entry.file_name());
        if entry.file_type()?.is_dir() {
            std::fs::create_dir_all(&target)?;
            copy(&entry.path(), &target)?;
        } else {
            std::fs::copy(entry.path(), &target)?;
        }
    }
    Ok(())
}

fn hash_folder(folder: &Path, hasher: &mut DefaultHasher) -> io::Result<()> {
    let mut paths = std::fs::read_dir(folder)?
        .map(|e| Ok(e?.path()))
        .collect::<io::Result<Vec<_>>>()?;
    paths.sort();
    for path in paths {
        if path.is_dir() {
            hash_folder(&path, hasher)?;
        } else {
            std::fs::read(&path)?.hash(hasher);
        }
    }
    Ok(())
}
