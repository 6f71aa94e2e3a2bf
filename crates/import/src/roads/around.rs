//! What lies around a road: water, wood, open country, and the relief of the ground.

use std::collections::BTreeMap;

use region::{Columns, NO_RELIEF, Point, flag};

use super::network::Network;
use super::{Ground, length_m};
use crate::scenery::Surroundings;

/// Water this near is seen from the road, metres (common practice).
const SIGHT_OF_WATER_M: f64 = 150.0;
/// Distance between the places of a piece where one looks around, metres.
const LOOK_EVERY_M: f64 = 80.0;
/// Most places of a piece where one looks around.
const MOST_LOOKS: f64 = 24.0;
/// How far around relief is measured, metres.
const RELIEF_M: f64 = 1000.0;
/// Height of a cell of the lattice relief is measured on, 1e-7 degree: some 245 m, so that
/// [`REACH`] of them stay within [`RELIEF_M`].
const CELL_E7: i32 = 22_000;
/// Cells from the middle one to the edge of the circle.
const REACH: i32 = 4;

/// Fills the columns of surroundings and relief.
pub fn look(
    network: &Network,
    ground: &Ground,
    columns: &mut Columns,
) -> Result<(), crate::ImportError> {
    let pieces = network.pieces.len();
    let looks: Vec<Vec<Point>> = (0..pieces)
        .map(|piece| places(network.piece_points(piece)))
        .collect();
    for (piece, looks) in looks.iter().enumerate() {
        let sees = ground.surroundings.map_or(Sees::default(), |around| {
            // Inside a tunnel there is nothing to see.
            match columns.piece_flags[piece] & flag::TUNNEL {
                0 => Sees::at(around, looks),
                _ => Sees::default(),
            }
        });
        for (seen, bit) in [(sees.water, flag::BY_WATER), (sees.wood, flag::IN_WOOD)] {
            if seen > 127 {
                columns.piece_flags[piece] |= bit;
            }
        }
        columns.piece_water.push(sees.water);
        columns.piece_wood.push(sees.wood);
        columns.piece_open.push(sees.open);
    }
    columns.piece_relief_m = relief(&looks, ground)?;
    Ok(())
}

/// Places at equal distances along a line: the middles of its equal parts.
fn places(line: &[Point]) -> Vec<Point> {
    let steps: Vec<f64> = line.windows(2).map(|w| length_m(w[0], w[1])).collect();
    let whole: f64 = steps.iter().sum();
    let count = (whole / LOOK_EVERY_M).ceil().clamp(1.0, MOST_LOOKS);
    let mut places = Vec::with_capacity(count as usize);
    let mut behind = 0.0;
    for (pair, &step) in line.windows(2).zip(&steps) {
        while (places.len() as f64) < count {
            let at = (places.len() as f64 + 0.5) / count * whole;
            if at > behind + step {
                break;
            }
            let share = if step > 0.0 {
                (at - behind) / step
            } else {
                0.0
            };
            let part = |a: i32, b: i32| a + (f64::from(b - a) * share).round() as i32;
            places.push(Point {
                lon_e7: part(pair[0].lon_e7, pair[1].lon_e7),
                lat_e7: part(pair[0].lat_e7, pair[1].lat_e7),
            });
        }
        behind += step;
    }
    if places.is_empty() {
        places.push(line[line.len() / 2]);
    }
    places
}

/// Shares of a piece, in 1/255.
#[derive(Default)]
struct Sees {
    water: u8,
    wood: u8,
    open: u8,
}

impl Sees {
    fn at(around: &Surroundings, looks: &[Point]) -> Sees {
        let (mut water, mut wood, mut open) = (0, 0, 0);
        for &p in looks {
            let is_wood = around.is_in_wood(p);
            water += usize::from(around.is_by_water(p, SIGHT_OF_WATER_M));
            wood += usize::from(is_wood);
            open += usize::from(!is_wood && !around.is_built_up(p));
        }
        let share = |count: usize| (count as f64 / looks.len() as f64 * 255.0).round() as u8;
        Sees {
            water: share(water),
            wood: share(wood),
            open: share(open),
        }
    }
}

/// Range of heights within [`RELIEF_M`] of each piece, the mean over its places; on a lattice of
/// heights, so that each part of the ground is asked for once.
fn relief(looks: &[Vec<Point>], ground: &Ground) -> Result<Vec<u16>, crate::ImportError> {
    let mut lattice: BTreeMap<(i32, i32), Option<f64>> = BTreeMap::new();
    let mut ranges: BTreeMap<(i32, i32), Option<f64>> = BTreeMap::new();
    for &p in looks.iter().flatten() {
        ranges.entry(cell(p)).or_insert(None);
    }
    for &middle in ranges.keys() {
        lattice.extend(circle(middle).map(|c| (c, None)));
    }
    let places: Vec<Point> = lattice.keys().map(|&c| centre(c)).collect();
    let heights = (ground.heights)(&places)?;
    if heights.is_empty() {
        return Ok(vec![NO_RELIEF; looks.len()]);
    }
    for (height, found) in lattice.values_mut().zip(heights) {
        *height = found.map(|(m, _)| m);
    }
    for (&middle, range) in &mut ranges {
        let known = circle(middle).filter_map(|c| lattice.get(&c).copied().flatten());
        let ends = known.fold(None, |ends: Option<(f64, f64)>, m| {
            let (low, high) = ends.unwrap_or((m, m));
            Some((low.min(m), high.max(m)))
        });
        *range = ends.map(|(low, high)| high - low);
    }
    let of_piece = |looks: &Vec<Point>| {
        let known: Vec<f64> = looks.iter().filter_map(|&p| ranges[&cell(p)]).collect();
        match known.len() {
            0 => NO_RELIEF,
            n => (known.iter().sum::<f64>() / n as f64).round().min(9000.0) as u16,
        }
    };
    Ok(looks.iter().map(of_piece).collect())
}

/// Row and column; columns are about as wide as rows are high, whatever the latitude.
fn cell(at: Point) -> (i32, i32) {
    let row = at.lat_e7.div_euclid(CELL_E7);
    (row, (f64::from(at.lon_e7) / width_e7(row)).floor() as i32)
}

fn centre((row, column): (i32, i32)) -> Point {
    Point {
        lon_e7: ((f64::from(column) + 0.5) * width_e7(row)).clamp(-1.8e9, 1.8e9) as i32,
        lat_e7: (row * CELL_E7 + CELL_E7 / 2).clamp(-900_000_000, 900_000_000),
    }
}

fn width_e7(row: i32) -> f64 {
    let lat = f64::from(row) * f64::from(CELL_E7) / 1e7;
    f64::from(CELL_E7) / lat.to_radians().cos().max(0.01)
}

/// Cells whose centres lie within the circle around a cell's centre.
fn circle(middle: (i32, i32)) -> impl Iterator<Item = (i32, i32)> {
    let at = centre(middle);
    let frame = region::LocalFrame::at(at);
    let limit = 900_000_000 / CELL_E7 - 1;
    let rows = (middle.0 - REACH).max(-limit)..=(middle.0 + REACH).min(limit);
    rows.flat_map(move |row| {
        let lat_e7 = row * CELL_E7 + CELL_E7 / 2;
        let (_, column) = cell(Point {
            lon_e7: at.lon_e7,
            lat_e7,
        });
        (column - REACH..=column + REACH).map(move |column| (row, column))
    })
    .filter(move |&c| {
        let [x, y] = frame.to_m(centre(c));
        x.hypot(y) <= RELIEF_M
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_lie_at_equal_distances_however_dense_the_vertices() {
        let at = |lon_e7| Point {
            lon_e7,
            lat_e7: 450_000_000,
        };
        let sparse = [at(0), at(100_000)];
        let dense = [0, 1_000, 40_000, 40_010, 70_000, 100_000].map(at);
        let (a, b) = (places(&sparse), places(&dense));
        // 1e5 e-7 degrees at 45 degrees north are 788 m.
        assert_eq!(a.len(), 10);
        assert_eq!(b.len(), 10);
        for (i, (p, q)) in a.iter().zip(&b).enumerate() {
            assert!((p.lon_e7 - (5_000 + 10_000 * i as i32)).abs() <= 2, "{p:?}");
            assert!((p.lon_e7 - q.lon_e7).abs() <= 2);
        }
        assert_eq!(places(&[at(5), at(5)]).len(), 1);
    }

    #[test]
    fn relief_is_the_range_of_heights_around() {
        // A slope of one in ten towards north: 200 m within a kilometre either side.
        let heights = |points: &[Point]| {
            let m = |p: &Point| Some((f64::from(p.lat_e7 - 450_000_000) * 0.0111 * 0.1, false));
            Ok(points.iter().map(m).collect())
        };
        let ground = Ground {
            surroundings: None,
            heights: &heights,
        };
        let look = vec![Point {
            lon_e7: 70_000_000,
            lat_e7: 450_000_000,
        }];
        let found = relief(std::slice::from_ref(&look), &ground).unwrap()[0];
        assert!((180..=202).contains(&found), "{found}");
        let none = |_: &[Point]| Ok(Vec::new());
        let ground = Ground {
            surroundings: None,
            heights: &none,
        };
        assert_eq!(relief(&[look], &ground).unwrap(), [NO_RELIEF]);
    }
}
