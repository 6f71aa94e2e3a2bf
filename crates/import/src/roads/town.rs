//! Built-up areas: by land use where it is mapped, else by how close residential streets lie, or
//! because street and limit say so.

use std::collections::BTreeMap;

use region::{Point, RoadClass};

use super::facts::Facts;
use super::limits::{Limit, Zone};
use super::network::Network;
use super::{length_m, middle};
use crate::scenery::Surroundings;

/// Height of a cell in which streets are counted, 1e-7 degree: 133 m.
const CELL_E7: i32 = 12_000;
/// Residential streets within the cell and its eight neighbours (400 m by 400 m) that make a town,
/// metres. Common practice: three kilometres of street to the square kilometre.
const DENSE_M: f64 = 500.0;

/// Tells where towns are.
pub struct Town<'a> {
    surroundings: Option<&'a Surroundings>,
    street_m: BTreeMap<(i32, i32), f64>,
}

impl<'a> Town<'a> {
    /// Counts the streets of a network.
    pub fn new(network: &Network, surroundings: Option<&'a Surroundings>) -> Self {
        let mut street_m = BTreeMap::new();
        for piece in (0..network.pieces.len()).filter(|&p| is_street(network.facts(p).class)) {
            for pair in network.piece_points(piece).windows(2) {
                let cell = cell(middle(pair[0], pair[1]));
                *street_m.entry(cell).or_default() += length_m(pair[0], pair[1]);
            }
        }
        Town {
            surroundings,
            street_m,
        }
    }

    /// Share of a piece in built-up areas, in 1/255.
    pub fn share(&self, facts: &Facts, points: &[Point]) -> u8 {
        let said = |zone: Zone| {
            facts
                .limit
                .iter()
                .any(|l| matches!(l, Limit::Zone(z, _) if *z == zone))
        };
        if said(Zone::Urban) || is_street(facts.class) {
            return 255;
        }
        if said(Zone::Rural) || matches!(facts.class, RoadClass::Ferry | RoadClass::Motorway) {
            return 0;
        }
        // Fast roads pass close by streets without being part of them.
        let among_streets = facts.class != RoadClass::Trunk;
        let (mut inside, mut all) = (0.0, 0.0);
        for pair in points.windows(2) {
            let (at, length) = (middle(pair[0], pair[1]), length_m(pair[0], pair[1]));
            all += length;
            let on_built_land = self.surroundings.is_some_and(|s| s.is_built_up(at));
            if on_built_land || among_streets && self.is_dense(at) {
                inside += length;
            }
        }
        if all > 0.0 {
            (inside / all * 255.0).round() as u8
        } else {
            0
        }
    }

    fn is_dense(&self, at: Point) -> bool {
        let (y, x) = cell(at);
        let around = (-1..=1).flat_map(|dy| (-1..=1).map(move |dx| (y + dy, x + dx)));
        around
            .filter_map(|cell| self.street_m.get(&cell))
            .sum::<f64>()
            >= DENSE_M
    }
}

fn is_street(class: RoadClass) -> bool {
    matches!(class, RoadClass::Residential | RoadClass::LivingStreet)
}

/// Row and column; columns are as wide as rows are high, whatever the latitude.
fn cell(at: Point) -> (i32, i32) {
    let row = at.lat_e7.div_euclid(CELL_E7);
    let lat = f64::from(row) * f64::from(CELL_E7) / 1e7;
    let narrow = lat.to_radians().cos().max(0.01);
    (
        row,
        (f64::from(at.lon_e7) * narrow / f64::from(CELL_E7)).floor() as i32,
    )
}
