//! Shortest paths on slices of `u32`: knows no road, no file, no rider.
//!
//! Four steps, each usable many times over: [`order::edge_order`] and a [`Contraction`] (once per
//! map; its columns can be kept in a file), a [`Graph`] (those columns, checked), a [`Metric`] (one
//! weight per arc put in, once per way of weighing; made by a [`Customizer`]) and a [`Query`]
//! (scratch memory of one thread, reused from search to search). [`dijkstra`] is the plain search
//! they are measured against.
//!
//! On top of these: other ways ([`alternatives`]), the best way within a limit ([`limited`]), and
//! walks that gather the most ([`orienteering`]).
//!
//! Costs are `u32`: [`INFINITY`] and above mean "no way", and a path whose cost would reach it is
//! not found.

pub mod alternatives;
mod contract;
pub mod dijkstra;
mod graph;
mod heap;
pub mod limited;
mod metric;
pub mod order;
pub mod orienteering;
mod query;

pub use contract::{Contraction, OwnedHalf};
pub use graph::{Columns, Graph, GraphError, Half, NONE, Topology};
pub use metric::{Customizer, Metric, MetricError};
pub use query::{End, Found, Query};

/// Weight of an arc that must not be used; cost of what cannot be reached. Half of what fits, so
/// that two costs can be added without a look.
pub const INFINITY: u32 = u32::MAX / 2;
