//! Shortest paths on slices of `u32`: knows no road, no file, no rider.
//!
//! Three steps, each usable many times over: a [`Graph`] (topology, once per map), a [`Metric`]
//! (one weight per arc, once per way of weighing) and a [`Query`] (scratch memory of one thread,
//! reused from search to search). Callers see nothing of how a search is done: at present it is
//! Dijkstra's from both sides; a hierarchy over the same graph can take its place behind the same
//! three names.
//!
//! [`hierarchy`] and [`order`] are that hierarchy: complete and checked against the same oracle, not
//! yet used by [`Query`].
//!
//! Costs are `u32` and sums saturate: [`INFINITY`] means "no way", and a path whose cost would
//! reach it is not found.

mod graph;
mod heap;
pub mod hierarchy;
pub mod order;
mod query;

pub use graph::{Graph, GraphError, Metric, MetricError};
pub use query::{End, Found, Query};

/// Weight of an arc that must not be used; cost of what cannot be reached.
pub const INFINITY: u32 = u32::MAX;
