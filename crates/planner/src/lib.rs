//! Everything a rider's tour is: the document, its plan on a region, and the files it goes into.
//! Sees neither files nor HTTP: readers take bytes and writers give them.
//!
//! One way: a [`document::Tour`] is snapped to roads ([`snap`]), its legs are searched on the
//! turn graph weighed by a taste, and the lines are put together with days, sums and warnings
//! into a [`plan::Plan`].

mod assemble;
mod by_taste;
mod closures;
mod cost;
pub mod day;
pub mod document;
pub mod files;
pub mod find;
pub mod handover;
mod legs;
mod limits;
mod line;
pub mod matching;
pub mod plan;
mod price;
pub mod propose;
pub mod rating;
mod recent;
pub mod rider;
pub mod roadbook;
pub mod snap;
pub mod speed;
mod spur;
pub mod taste;

pub use plan::PlanError;
pub use snap::RoadInfo;

use std::collections::HashMap;
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};

use region::Region;
use shortest_paths::{Columns, Graph, GraphError, Half, Query, Topology};
use thiserror::Error;
use xxhash_rust::xxh3::xxh3_64;

use by_taste::ByTaste;
use closures::{Closures, Rules};
use cost::{Basis, Weighing};
use rating::Ratings;
use snap::Nets;
use speed::{Clock, Manner};
use taste::Taste;

/// Memory for weighed regions, bytes; as many are kept as stay within, at least three (the fastest,
/// the one in use and the next) and at most [`MOST_WEIGHED`].
const MOST_WEIGHED_BYTES: usize = 500_000_000;
/// Weighed regions kept.
const MOST_WEIGHED: usize = 8;
/// Riders kept beside the ordinary one.
const MOST_RIDERS: usize = 2;
/// Shades kept.
const MOST_SHADES: usize = 8;

/// Plans tours on one region. Shared between threads; what it keeps is bounded.
pub struct Planner {
    region: Arc<Region>,
    graph: Graph,
    nets: Nets,
    /// The ordinary rider's.
    clock: Arc<Clock>,
    ratings: Ratings,
    /// Further states of edges that have more than one.
    copies: HashMap<u32, Vec<u32>>,
    /// The ordinary rider's.
    basis: Arc<Basis>,
    /// Other riders'.
    bases: ByTaste<Basis>,
    /// Conditional tags, read when a date first asks for them.
    rules: OnceLock<Rules>,
    /// Conditional limits, likewise.
    limits: OnceLock<limits::Limits>,
    weighings: ByTaste<Weighing>,
    shades: ByTaste<Vec<u8>>,
    queries: Mutex<Vec<Query>>,
    legs: legs::Kept,
    strangers: handover::Strangers,
    /// For matching.
    lost_m: OnceLock<Vec<f32>>,
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
                },
                Half {
                    first_out: r.down_first_out(),
                    head: r.down_head(),
                },
            ],
            first_low: r.rank_first_low(),
            low: r.rank_low(),
            third: r.rank_third(),
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
        let clock = Arc::new(Clock::new(&region, Manner::default()));
        let basis = Arc::new(Basis::new(&region, clock.clone()));
        let most_weighed = MOST_WEIGHED_BYTES / (graph.arc_count() * 24 + 1);
        Ok(Planner {
            nets: Nets::new(&graph),
            clock,
            ratings: Ratings::new(&region),
            copies,
            basis,
            bases: ByTaste::new(MOST_RIDERS),
            rules: OnceLock::new(),
            limits: OnceLock::new(),
            weighings: ByTaste::new(most_weighed.clamp(3, MOST_WEIGHED)),
            shades: ByTaste::new(MOST_SHADES),
            queries: Mutex::default(),
            legs: legs::Kept::default(),
            strangers: handover::Strangers::default(),
            lost_m: OnceLock::new(),
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

    /// How far each piece is worth riding to a taste, 0..=255; kept for the last few tastes. The
    /// price makes no difference to it.
    pub fn shade(&self, taste: &Taste) -> Arc<Vec<u8>> {
        let make = || Some(self.basis.shade(&self.ratings, taste));
        self.shades
            .get_or_make(taste.worth_key(), make)
            .unwrap_or_default()
    }

    /// The region weighed by a taste for a manner of riding, without what a date closes; kept for
    /// the last few. `None` when told to stop.
    fn weighing(
        &self,
        taste: &Taste,
        manner: Manner,
        closures: &Closures,
        stop: &AtomicBool,
    ) -> Option<Arc<Weighing>> {
        let key = xxh3_64(
            &[taste.key(), u64::from(manner.key()), closures.key()]
                .map(u64::to_le_bytes)
                .concat(),
        );
        let make = || {
            let (shade, basis) = (self.shade(taste), self.basis(manner));
            let mut costs = Weighing::new(
                &self.region,
                &self.graph,
                basis,
                &shade,
                taste,
                closures,
                stop,
            )?;
            costs.key = key;
            Some(costs)
        };
        self.weighings.get_or_make(key, make)
    }

    /// What costs for a manner of riding, whatever the taste.
    fn basis(&self, manner: Manner) -> Arc<Basis> {
        if manner.key() == Manner::default().key() {
            return self.basis.clone();
        }
        let make = || {
            let clock = Arc::new(Clock::new(&self.region, manner));
            Some(Basis::new(&self.region, clock))
        };
        let made = self.bases.get_or_make(u64::from(manner.key()), make);
        made.unwrap_or_else(|| self.basis.clone())
    }

    /// Conditional tags of the region.
    fn rules(&self) -> &Rules {
        self.rules.get_or_init(|| Rules::new(&self.region))
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
