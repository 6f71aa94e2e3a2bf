//! One region: an imported piece of the world in one memory-mapped, checksummed file.
//!
//! A region is a set of flat columns. `import` fills [`Columns`] and writes them; everybody else
//! opens a [`Region`] and reads slices. The layout is documented in `docs/region-format.md`.
//!
//! Roads are *pieces* (undirected, between two junctions) and *edges* (a piece in one direction,
//! [`Edge`]). The turn-expanded graph has one *state* per edge, and further states where a
//! restriction over several ways needs memory; an arc per allowed turn.

mod check;
mod columns;
mod file;
mod ground;
mod index;
mod model;
mod words;

pub use columns::{Columns, Region};
pub use file::{OpenError, VERSION, WriteError};
pub use ground::{LocalFrame, Point, distance_m};
pub use index::{Bounds, pack_tree};
pub use model::*;
pub use words::fold;
