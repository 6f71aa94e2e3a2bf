//! Invents maps: a whole country from a seed, and small test maps from ASCII art.
//!
//! Both give the same [`World`]: OSM nodes, ways and relations in memory with the relief under
//! them, which is written as `.osm.pbf` or OSM XML and as `.hgt` elevation tiles. So an invented
//! map takes the same road through the importer as a real one. [`Rides`] are recordings on it.

mod ascii;
mod country;
mod pbf;
mod relief;
mod rides;
mod world;
mod xml;

pub use ascii::{Sketch, SketchError, ascii};
pub use country::{Country, CountryError};
pub use relief::{Plane, Relief};
pub use rides::{RidePoint, Rides, gpx};
pub use world::{
    DATA_TIMESTAMP_S, Member, MemberKind, Node, Relation, Tags, Way, World, WriteError,
};
