//! Invents a country.

mod contour;
mod curve;
mod emit;
mod land;
mod motorway;
mod names;
mod nature;
mod paths;
mod places;
mod random;
mod roads;
mod sheet;
mod sites;
mod streets;
mod weave;
mod works;

use std::sync::atomic::{AtomicBool, Ordering};

pub(crate) use random::Dice;

use crate::relief::{Plane, Relief};
use crate::world::World;
use land::Land;
use names::Names;
use sheet::Sheet;

/// What to invent.
#[derive(Debug, Clone, PartialEq)]
pub struct Country {
    /// Equal seeds give equal countries.
    pub seed: u64,
    /// West to east, kilometres, sea included.
    pub width_km: f64,
    /// South to north, kilometres, sea included.
    pub height_km: f64,
    /// Latitude of the middle, degrees.
    pub lat: f64,
    /// Longitude of the middle, degrees.
    pub lon: f64,
}

/// No country came of it.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CountryError {
    /// Sides that are too short for a road or too long for memory.
    #[error("inventing a country of {width_km} x {height_km} km: sides must be 0.5 to 1000 km")]
    Size {
        /// West to east.
        width_km: f64,
        /// South to north.
        height_km: f64,
    },
    /// The cancel flag was raised.
    #[error("inventing a country: canceled")]
    Canceled,
}

/// The cancel flag was raised.
#[derive(Debug)]
pub(crate) struct Canceled;

impl From<Canceled> for CountryError {
    fn from(_: Canceled) -> Self {
        Self::Canceled
    }
}

impl Country {
    /// The country of the demo: 60 by 45 km in the empty middle of an ocean, inside one square
    /// degree.
    pub fn demo() -> Self {
        Self {
            seed: 7,
            width_km: 60.0,
            height_km: 45.0,
            lat: 45.5,
            lon: -29.5,
        }
    }

    /// A country of the demo's shape with another area (km², sea included).
    pub fn of_area_km2(seed: u64, area_km2: f64) -> Self {
        let height_km = (area_km2 * 0.75).sqrt();
        Self {
            seed,
            width_km: area_km2 / height_km,
            height_km,
            ..Self::demo()
        }
    }

    /// Area, sea included.
    pub fn area_km2(&self) -> f64 {
        self.width_km * self.height_km
    }

    /// Invents the country. `progress` hears the share done, 0 to 1, and what is being done.
    ///
    /// # Errors
    /// Impossible sizes, and [`CountryError::Canceled`] soon after `cancel` is raised.
    pub fn generate(
        &self,
        progress: &mut dyn FnMut(f64, &str),
        cancel: &AtomicBool,
    ) -> Result<World, CountryError> {
        let side = 0.5..=1000.0;
        if !side.contains(&self.width_km) || !side.contains(&self.height_km) {
            let (width_km, height_km) = (self.width_km, self.height_km);
            return Err(CountryError::Size {
                width_km,
                height_km,
            });
        }
        let mut step = |share: f64, what: &str| {
            progress(share, what);
            if cancel.load(Ordering::Relaxed) {
                Err(Canceled)
            } else {
                Ok(())
            }
        };
        let land = Land::shape(self, &mut |share| step(share * 0.35, "raising mountains"))?;
        let landmass = sites::landmasses(&land);
        let sites = sites::settle(self, &land, &landmass);
        let passes = sites::passes(self, &land, &sites);
        let waters = nature::waters(self, &land);
        step(0.4, "settling valleys")?;

        let river = nature::river_posts(&land, &waters);
        let mut roads = roads::build(self, &land, river.clone(), &sites, &passes, &mut |share| {
            step(0.4 + 0.35 * share, "building roads")
        })?;
        // Where no road leads, nobody settled.
        let mut sites = sites;
        if !roads.lines.is_empty() {
            sites.retain(|s| roads.anchor.contains_key(&land.fine_of(s.cell)));
        }
        let ferries = roads::harbours(&mut roads, &land, &landmass, &sites);
        works::double_carriageway(&mut roads, &sites);
        streets::lay_out(self, &land, &river, &sites, &mut roads);
        step(0.8, "laying out towns")?;
        works::galleries(&mut roads, &land, self.seed);
        let fords = weave::weave(&mut roads, &waters);
        weave::drop_strays(&mut roads, &land, &landmass);
        works::roundabouts(&mut roads, &sites);
        weave::mend_oneways(&mut roads);
        step(0.9, "drawing the map")?;

        let mut names = Names::new(self.seed);
        let middle = (self.width_km * 500.0, self.height_km * 500.0);
        let mut sheet = Sheet::new(Plane::new(self.lat, self.lon), middle);
        nature::borders(self, &mut names, &mut sheet);
        let built = emit::Built {
            country: self,
            land: &land,
            sites: &sites,
            passes: &passes,
            roads: &roads,
            fords: &fords,
            ferries: &ferries,
        };
        emit::draw(&built, &mut names, &mut sheet);
        nature::draw(self, &land, &waters, &sites, &mut names, &mut sheet);
        step(1.0, "drawing the map")?;
        let mut world = sheet.world;
        world.relief = Some(self.relief(land));
        Ok(world)
    }

    fn relief(&self, land: Land) -> Relief {
        let corner = (-self.width_km * 500.0, -self.height_km * 500.0);
        let size = (land.fine.columns, land.fine.rows);
        let plane = Plane::new(self.lat, self.lon);
        Relief::from_posts(plane, corner, land.fine.step_m, size, land.fine_m)
    }
}
