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
use shortest_paths::{Graph, Query};

use cost::{Taste, Weighing};
use snap::Nets;
use speed::Clock;

/// Plans tours on one region. Shared between threads; what it keeps is bounded.
pub struct Planner {
    region: Arc<Region>,
    graph: Graph,
    nets: Nets,
    clock: Clock,
    /// Further states of edges that have more than one.
    copies: HashMap<u32, Vec<u32>>,
    weighings: Mutex<HashMap<Taste, Arc<Weighing>>>,
    queries: Mutex<Vec<Query>>,
    legs: legs::Kept,
}

impl Planner {
    /// Prepares a region for planning: some milliseconds for a small country.
    pub fn new(region: Arc<Region>) -> Self {
        // Opening a region has checked the very same conditions.
        let graph = Graph::new(region.turn_first_out(), region.turn_head())
            .unwrap_or_else(|_| Graph::empty());
        let mut copies: HashMap<u32, Vec<u32>> = HashMap::new();
        for state in region.edge_count()..region.state_count() {
            copies
                .entry(region.state_edge()[state as usize])
                .or_default()
                .push(state);
        }
        Planner {
            nets: Nets::new(&graph),
            clock: Clock::new(&region),
            copies,
            weighings: Mutex::default(),
            queries: Mutex::default(),
            legs: legs::Kept::default(),
            graph,
            region,
        }
    }

    /// The region planned on.
    pub fn region(&self) -> &Region {
        &self.region
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
