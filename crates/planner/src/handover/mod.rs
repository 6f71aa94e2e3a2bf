//! Handover: points that make strangers' routers ride the planned line.
//!
//! A unit gets a handful of points and joins them by its own taste on its own map. Here the points
//! are chosen so that a [`panel`] of routers unlike ours and unlike each other all ride the line
//! between them ([`net`]); as few as can be ([`sweep`]), each at the safest place it may have
//! ([`place`]). [`replay`] then rides them with every router and says where one leaves the line.

pub mod compare;
pub mod course;
pub mod handed;
pub mod net;
pub mod panel;
pub mod place;
pub mod points;
pub mod readback;
pub mod replay;
mod shape;
pub mod sweep;
pub mod unit;

use std::sync::{Arc, Mutex, OnceLock};

use crate::{Planner, lock};
use panel::{Kit, Panel, Roads};

/// What the strangers ride on, and the panel last asked.
#[derive(Default)]
pub(crate) struct Strangers {
    roads: OnceLock<Arc<Roads>>,
    kit: Mutex<Option<Arc<Kit>>>,
}

impl Planner {
    /// A panel weighed for this region; the last one is kept.
    pub fn kit(&self, panel: &Panel) -> Arc<Kit> {
        if let Some(kit) = lock(&self.strangers.kit).as_ref()
            && kit.panel == *panel
        {
            return kit.clone();
        }
        let roads = self
            .strangers
            .roads
            .get_or_init(|| Arc::new(Roads::new(self.region())));
        let kit = Kit::new(self.region(), &self.clock, roads.clone(), panel.clone());
        let kit = Arc::new(kit);
        *lock(&self.strangers.kit) = Some(kit.clone());
        kit
    }

    /// What every panel rides on; made once.
    fn stranger_roads(&self) -> Arc<Roads> {
        let make = || Arc::new(Roads::new(self.region()));
        self.strangers.roads.get_or_init(make).clone()
    }
}
