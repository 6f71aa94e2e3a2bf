//! What lies around a point: built-up areas, woods, water, and the country.

use std::collections::BTreeMap;

use geo_index::rtree::{RTreeIndex, RTreeRef};
use region::{Bounds, LocalFrame, Point, pack_tree};

use super::features::{Vertex, divide};
use super::rings::{self, Polygon, inside};

/// Vertices in one part of an indexed area.
const PART_POINTS: usize = 48;
/// Vertices in one part of an indexed line.
const LINE_POINTS: usize = 12;

/// Answers questions about points; cheap enough to ask for every vertex of every road.
pub struct Surroundings {
    built_up: Index,
    wood: Index,
    water: Index,
    countries: Vec<(String, Index)>,
    usual_country: Option<String>,
}

impl Surroundings {
    /// `shores` are lines that count as water's edge; `usual_country` is the answer where no
    /// country's border closes around a point.
    pub(super) fn new<'a>(
        built_up: impl Iterator<Item = &'a Polygon>,
        wood: impl Iterator<Item = &'a Polygon>,
        water: impl Iterator<Item = &'a Polygon>,
        shores: impl Iterator<Item = &'a [Point]>,
        countries: &'a BTreeMap<String, Vec<Polygon>>,
        usual_country: Option<String>,
    ) -> Self {
        let none = || std::iter::empty::<&[Point]>();
        Surroundings {
            built_up: Index::new(built_up, none()),
            wood: Index::new(wood, none()),
            water: Index::new(water, shores),
            countries: countries
                .iter()
                .map(|(code, polygons)| (code.clone(), Index::new(polygons.iter(), none())))
                .collect(),
            usual_country,
        }
    }

    /// Whether a point lies in a residential, commercial, industrial or retail area.
    pub fn is_built_up(&self, p: Point) -> bool {
        self.built_up.contains(p)
    }
    /// Whether a point lies in a wood.
    pub fn is_in_wood(&self, p: Point) -> bool {
        self.wood.contains(p)
    }
    /// Whether a lake, a river or the sea lies within `radius_m` metres.
    pub fn is_by_water(&self, p: Point, radius_m: f64) -> bool {
        self.water.contains(p) || self.water.is_near(p, radius_m)
    }
    /// ISO 3166-1 code of the country a point lies in, as far as the extract tells.
    pub fn country_at(&self, p: Point) -> Option<&str> {
        let found = self.countries.iter().find(|(_, area)| area.contains(p));
        found
            .map(|(code, _)| code.as_str())
            .or(self.usual_country.as_deref())
    }
}

/// Areas and lines in small parts, under a packed R-tree.
#[derive(Default)]
struct Index {
    /// First ring of each part.
    part_first: Vec<u32>,
    /// First point of each ring; parts of lines are rings of their own.
    ring_first: Vec<u32>,
    points: Vec<Point>,
    /// Parts from this one on are lines.
    first_line: u32,
    tree: Vec<u8>,
}

impl Index {
    fn new<'a>(
        areas: impl Iterator<Item = &'a Polygon>,
        lines: impl Iterator<Item = &'a [Point]>,
    ) -> Self {
        let mut index = Index {
            part_first: vec![0],
            ring_first: vec![0],
            ..Index::default()
        };
        let mut boxes = Vec::new();
        for polygon in areas {
            let vertices = |ring: &Vec<Point>| ring.iter().map(|&p| (p, 0)).collect();
            let rings: Vec<((), Vec<Vertex>)> =
                polygon.iter().map(|ring| ((), vertices(ring))).collect();
            divide(rings, PART_POINTS, &mut |part| {
                let mut bounds = Bounds::EMPTY;
                for (_, ring) in part {
                    for (p, _) in ring {
                        bounds.include(p);
                        index.points.push(p);
                    }
                    index.ring_first.push(index.points.len() as u32);
                }
                index.part_first.push(index.ring_first.len() as u32 - 1);
                boxes.push(bounds);
            });
        }
        index.first_line = boxes.len() as u32;
        for line in lines {
            for from in (0..line.len().saturating_sub(1)).step_by(LINE_POINTS) {
                let part = &line[from..line.len().min(from + LINE_POINTS + 1)];
                index.points.extend(part);
                index.ring_first.push(index.points.len() as u32);
                index.part_first.push(index.ring_first.len() as u32 - 1);
                boxes.push(rings::bounds(part));
            }
        }
        index.tree = pack_tree(&boxes);
        index
    }

    fn parts(&self, b: Bounds) -> Vec<u32> {
        match RTreeRef::<i32>::try_new(&self.tree) {
            Ok(tree) if !self.tree.is_empty() => {
                tree.search(b.west_e7, b.south_e7, b.east_e7, b.north_e7)
            }
            _ => Vec::new(),
        }
    }

    fn rings(&self, part: u32) -> impl Iterator<Item = &[Point]> {
        let part = part as usize;
        (self.part_first[part] as usize..self.part_first[part + 1] as usize).map(|ring| {
            &self.points[self.ring_first[ring] as usize..self.ring_first[ring + 1] as usize]
        })
    }

    fn contains(&self, p: Point) -> bool {
        let here = Bounds {
            west_e7: p.lon_e7,
            east_e7: p.lon_e7,
            south_e7: p.lat_e7,
            north_e7: p.lat_e7,
        };
        self.parts(here)
            .into_iter()
            .filter(|&part| part < self.first_line)
            .any(|part| {
                let mut within = false;
                for ring in self.rings(part) {
                    match inside(ring, p) {
                        None => return true,
                        Some(is) => within ^= is,
                    }
                }
                within
            })
    }

    fn is_near(&self, p: Point, radius_m: f64) -> bool {
        let frame = LocalFrame::at(p);
        let near = |ring: &[Point]| {
            ring.windows(2).any(|w| {
                let ([ax, ay], [bx, by]) = (frame.to_m(w[0]), frame.to_m(w[1]));
                let (dx, dy) = (bx - ax, by - ay);
                let length2 = dx * dx + dy * dy;
                let along = if length2 > 0.0 {
                    (-(ax * dx + ay * dy) / length2).clamp(0.0, 1.0)
                } else {
                    0.0
                };
                (ax + along * dx).hypot(ay + along * dy) <= radius_m
            })
        };
        self.parts(Bounds::around(p, radius_m))
            .into_iter()
            .any(|part| self.rings(part).any(near))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(west: i32, south: i32, side: i32) -> Vec<Point> {
        [(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)]
            .map(|(x, y)| Point {
                lon_e7: west + x * side,
                lat_e7: south + y * side,
            })
            .to_vec()
    }

    #[test]
    fn holes_count_and_large_areas_answer_as_small_ones() {
        // A disc of many vertices with a square hole.
        let disc: Vec<Point> = (0..=2000)
            .map(|i| {
                let angle = std::f64::consts::TAU * f64::from(i % 2000) / 2000.0;
                Point {
                    lon_e7: (1e6 * angle.cos()) as i32,
                    lat_e7: (1e6 * angle.sin()) as i32,
                }
            })
            .collect();
        let polygon = vec![disc, square(-200_000, -200_000, 400_000)];
        let index = Index::new([&polygon].into_iter(), std::iter::empty());
        assert!(index.part_first.len() > 20);
        for x in (-1_100_000i32..1_100_000).step_by(37_003) {
            for y in (-1_100_000i32..1_100_000).step_by(41_011) {
                let r = f64::from(x).hypot(f64::from(y));
                let want = r < 999_000.0 && !(x.abs() < 200_000 && y.abs() < 200_000);
                if (999_000.0..1_001_000.0).contains(&r) {
                    continue;
                }
                assert_eq!(
                    index.contains(Point {
                        lon_e7: x,
                        lat_e7: y
                    }),
                    want,
                    "{x} {y}"
                );
            }
        }
    }

    #[test]
    fn water_is_near_from_outside_and_along_a_line() {
        let polygon = vec![square(0, 0, 100_000)];
        let line = [
            Point {
                lon_e7: 0,
                lat_e7: 500_000,
            },
            Point {
                lon_e7: 100_000,
                lat_e7: 500_000,
            },
        ];
        let index = Index::new([&polygon].into_iter(), [&line[..]].into_iter());
        // 1e-3 degree of latitude is 110.6 m at the equator.
        let at = |lat_e7| Point {
            lon_e7: 50_000,
            lat_e7,
        };
        assert!(index.is_near(at(110_000), 120.0) && !index.is_near(at(115_000), 120.0));
        assert!(index.is_near(at(509_000), 120.0) && !index.is_near(at(515_000), 120.0));
        assert!(!index.contains(at(500_000)), "a line contains nothing");
    }
}
