//! Everything a rider's tour is: the document, its plan on a region, and the files it goes into.
//! Sees neither files nor HTTP: readers take bytes and writers give them.
//!
//! One way: a [`document::Tour`] is snapped to roads ([`snap`]), its legs are searched on the
//! turn graph weighed by a taste, and the lines are put together with days, sums and warnings
//! into a [`plan::Plan`].

mod assemble;
mod cost;
pub mod document;
pub mod files;
pub mod find;
mod legs;
mod line;
pub mod plan;
pub mod rating;
mod recent;
pub mod snap;
pub mod speed;
mod spur;

pub use cost::{TasteInfo, tastes};
pub use plan::PlanError;
pub use snap::RoadInfo;

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use region::Region;
use shortest_paths::{Columns, Graph, GraphError, Half, Query, Topology};
use thiserror::Error;

use cost::{Taste, Weighing};
use rating::Ratings;
use snap::Nets;
use speed::Clock;

/// Plans tours on one region. Shared between threads; what it keeps is bounded.
pub struct Planner {
    region: Arc<Region>,
    graph: Graph,
    nets: Nets,
    clock: Clock,
    ratings: Ratings,
    /// Further states of edges that have more than one.
    copies: HashMap<u32, Vec<u32>>,
    weighings: Mutex<HashMap<Taste, Arc<Weighing>>>,
    queries: Mutex<Vec<Query>>,
    legs: legs::Kept,
}

/// Why a region cannot be planned on: its hierarchy is damaged.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("the roads of region {region:?} cannot be searched: {source}")]
pub struct UnusableRegion {
    /// Name of the region.
    pub region: String,
    /// What is wrong.
    pub source: GraphError,
}

/// The hierarchy where it lies in the mapped file.
struct Mapped(Arc<Region>);

impl Columns for Mapped {
    fn topology(&self) -> Topology<'_> {
        let r = &*self.0;
        Topology {
            first_out: r.turn_first_out(),
            head: r.turn_head(),
            rank: r.state_rank(),
            order: r.rank_state(),
            parent: r.rank_parent(),
            slot: r.turn_slot(),
            half: [
                Half {
                    first_out: r.up_first_out(),
                    head: r.up_head(),
                    first_in: r.up_first_in(),
                    in_arc: r.up_in_arc(),
                    in_tail: r.up_in_tail(),
                    in_next: r.up_in_next(),
                },
                Half {
                    first_out: r.down_first_out(),
                    head: r.down_head(),
                    first_in: r.down_first_in(),
                    in_arc: r.down_in_arc(),
                    in_tail: r.down_in_tail(),
                    in_next: r.down_in_next(),
                },
            ],
        }
    }
}

impl Planner {
    /// Prepares a region for planning, and checks its hierarchy: some milliseconds for a small
    /// country.
    pub fn new(region: Arc<Region>) -> Result<Self, UnusableRegion> {
        let graph =
            Graph::new(Arc::new(Mapped(region.clone()))).map_err(|source| UnusableRegion {
                region: region.meta().name.clone(),
                source,
            })?;
        let mut copies: HashMap<u32, Vec<u32>> = HashMap::new();
        for state in region.edge_count()..region.state_count() {
            copies
                .entry(region.state_edge()[state as usize])
                .or_default()
                .push(state);
        }
        Ok(Planner {
            nets: Nets::new(&graph),
            clock: Clock::new(&region),
            ratings: Ratings::new(&region),
            copies,
            weighings: Mutex::default(),
            queries: Mutex::default(),
            legs: legs::Kept::default(),
            graph,
            region,
        })
    }

    /// The region planned on.
    pub fn region(&self) -> &Region {
        &self.region
    }

    /// What every road of the region has to offer.
    pub fn ratings(&self) -> &Ratings {
        &self.ratings
    }

    /// The region weighed by a taste; made once.
    fn weighing(&self, taste: Taste) -> Arc<Weighing> {
        let mut made = lock(&self.weighings);
        let make = || Arc::new(Weighing::new(&self.region, &self.graph, &self.clock, taste));
        made.entry(taste).or_insert_with(make).clone()
    }

    /// Lends scratch memory for a search.
    fn with_query<T>(&self, work: impl FnOnce(&mut Query) -> T) -> T {
        let mut query = lock(&self.queries).pop().unwrap_or_default();
        let result = work(&mut query);
        let mut idle = lock(&self.queries);
        if idle.len() < 8 {
            idle.push(query);
        }
        result
    }
}

/// What these locks guard is whole after every statement, so a panic elsewhere does no harm.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
