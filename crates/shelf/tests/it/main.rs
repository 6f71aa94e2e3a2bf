//! The store from outside: tours, imports, search, exchange, and everything that may go wrong.
#![allow(clippy::print_stdout, reason = "tests say why they skip")]

mod exchange;
mod imports;
mod rides;
mod safety;
mod search;
mod tours;

use std::path::PathBuf;
use std::sync::atomic::AtomicBool;

use shelf::{ImportSummary, Shelf};

/// A folder of its own and a place for a store in it.
fn place() -> (tempfile::TempDir, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("shelf.sqlite");
    (dir, path)
}

/// Imports one path with two threads at Unix second 1000.
fn import(shelf: &Shelf, path: impl Into<PathBuf>) -> ImportSummary {
    let never = AtomicBool::new(false);
    shelf
        .import(&[path.into()], &(), 2, 1000, &|_| {}, &never)
        .unwrap()
}
