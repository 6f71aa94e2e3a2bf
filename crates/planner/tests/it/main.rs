//! All integration tests of the crate in one binary.

mod files_gpx;
mod files_write;
