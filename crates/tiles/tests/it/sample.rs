//! A small region made by hand.

use region::*;

/// Fills the columns of a region from a few roads, areas and places.
#[derive(Default)]
pub struct Sample {
    c: Columns,
    nodes: Vec<(i32, i32)>,
    strings: Vec<String>,
    place_boxes: Vec<Bounds>,
    feature_boxes: Vec<Bounds>,
}

fn e7(deg: f64) -> i32 {
    (deg * 1e7).round() as i32
}

fn bounds(points: &[(f64, f64)]) -> Bounds {
    let mut b = Bounds::EMPTY;
    for &(lon, lat) in points {
        b.include(Point {
            lon_e7: e7(lon),
            lat_e7: e7(lat),
        });
    }
    b
}

pub struct Road<'a> {
    /// `(lon, lat, first zoom)` in degrees.
    pub points: &'a [(f64, f64, u8)],
    pub class: RoadClass,
    pub surface: Surface,
    pub access: [Access; 2],
    pub bend: u16,
    pub flags: u32,
    pub name: &'a str,
    pub number: &'a str,
}

impl Default for Road<'_> {
    fn default() -> Self {
        Road {
            points: &[],
            class: RoadClass::Secondary,
            surface: Surface::Asphalt,
            access: [Access::Open; 2],
            bend: 0,
            flags: 0,
            name: "",
            number: "",
        }
    }
}

impl Sample {
    fn text(&mut self, text: &str) -> u32 {
        if text.is_empty() {
            return 0;
        }
        self.strings.push(text.into());
        self.strings.len() as u32
    }

    fn node(&mut self, at: (f64, f64)) -> u32 {
        let at = (e7(at.0), e7(at.1));
        let found = self.nodes.iter().position(|&n| n == at);
        found.unwrap_or_else(|| {
            self.nodes.push(at);
            self.nodes.len() - 1
        }) as u32
    }

    pub fn road(&mut self, road: Road) {
        let ends = [road.points[0], road.points[road.points.len() - 1]];
        let [from, to] = ends.map(|p| self.node((p.0, p.1)));
        let (name, number) = (self.text(road.name), self.text(road.number));
        let c = &mut self.c;
        c.piece_from.push(from);
        c.piece_to.push(to);
        c.piece_first_point.push(c.point_lon_e7.len() as u32);
        for &(lon, lat, zoom) in road.points {
            c.point_lon_e7.push(e7(lon));
            c.point_lat_e7.push(e7(lat));
            c.point_height_cm.push(NO_HEIGHT);
            c.point_first_zoom.push(zoom);
        }
        let at = |p: &(f64, f64, u8)| Point {
            lon_e7: e7(p.0),
            lat_e7: e7(p.1),
        };
        let length_m: f64 = road
            .points
            .windows(2)
            .map(|w| distance_m(at(&w[0]), at(&w[1])))
            .sum();
        c.piece_length_mm.push((length_m * 1000.0) as u32);
        c.piece_class.push(road.class as u8);
        c.piece_surface.push(road.surface as u8);
        c.piece_smoothness.push(0);
        c.piece_tracktype.push(0);
        c.piece_flags.push(road.flags);
        c.edge_access.extend(road.access.map(|a| a as u8));
        c.edge_limit_kmh.extend([0, 0]);
        c.piece_limit_source.push(0);
        c.piece_name.push(name);
        c.piece_ref.push(number);
        c.piece_way.push(1);
        c.piece_bend_deg_per_km.push(road.bend);
        c.piece_radius_share.extend([0; RADIUS_BANDS]);
        c.edge_climb_dm.extend([0, 0]);
        c.piece_crossing_s.push(0);
        c.piece_first_bend.push(0);
        c.piece_built_up.push(0);
    }

    pub fn place(
        &mut self,
        kind: PlaceKind,
        name: &str,
        lon: f64,
        lat: f64,
        rank: u8,
        height_cm: i32,
    ) {
        let name = self.text(name);
        self.c.place_kind.push(kind as u8);
        self.c.place_lon_e7.push(e7(lon));
        self.c.place_lat_e7.push(e7(lat));
        self.c.place_rank.push(rank);
        self.c.place_name.push(name);
        self.c.place_detail.push(0);
        self.c.place_height_cm.push(height_cm);
        self.place_boxes.push(bounds(&[(lon, lat)]));
    }

    /// Rings of `(role, points)`; closed ones repeat their first point.
    pub fn feature(
        &mut self,
        kind: FeatureKind,
        min_zoom: u8,
        name: &str,
        rings: &[(u8, &[(f64, f64)])],
    ) {
        let name = self.text(name);
        let c = &mut self.c;
        c.feature_kind.push(kind as u8);
        c.feature_min_zoom.push(min_zoom);
        c.feature_name.push(name);
        c.feature_first_ring.push(c.ring_role.len() as u32);
        let mut b = Bounds::EMPTY;
        for (role, points) in rings {
            c.ring_role.push(*role);
            c.ring_first_point.push(c.feature_lon_e7.len() as u32);
            for &(lon, lat) in *points {
                c.feature_lon_e7.push(e7(lon));
                c.feature_lat_e7.push(e7(lat));
                c.feature_point_first_zoom.push(0);
            }
            let ring = bounds(points);
            b.include(Point {
                lon_e7: ring.west_e7,
                lat_e7: ring.south_e7,
            });
            b.include(Point {
                lon_e7: ring.east_e7,
                lat_e7: ring.north_e7,
            });
        }
        self.feature_boxes.push(b);
    }

    pub fn heights(&mut self, grid: HeightGrid, cells: Vec<i16>) {
        self.c.meta.heights = Some(grid);
        self.c.height_grid = cells;
    }

    pub fn open(mut self) -> Region {
        let c = &mut self.c;
        let (n, p) = (self.nodes.len(), c.piece_from.len());
        for &(lon, lat) in &self.nodes {
            c.node_lon_e7.push(lon);
            c.node_lat_e7.push(lat);
        }
        c.node_flags = vec![0; n];
        c.node_first_edge.push(0);
        for node in 0..n as u32 {
            for piece in 0..p as u32 {
                if c.piece_from[piece as usize] == node {
                    c.node_edge.push(2 * piece);
                }
                if c.piece_to[piece as usize] == node {
                    c.node_edge.push(2 * piece + 1);
                }
            }
            c.node_first_edge.push(c.node_edge.len() as u32);
        }
        c.piece_first_point.push(c.point_lon_e7.len() as u32);
        c.piece_first_bend.push(0);
        c.state_edge = (0..2 * p as u32).collect();
        c.turn_first_out = vec![0; 2 * p + 1];
        let boxes: Vec<Bounds> = (0..p)
            .map(|i| {
                let mut b = Bounds::EMPTY;
                for g in c.piece_first_point[i] as usize..c.piece_first_point[i + 1] as usize {
                    b.include(Point {
                        lon_e7: c.point_lon_e7[g],
                        lat_e7: c.point_lat_e7[g],
                    });
                }
                b
            })
            .collect();
        c.piece_tree = pack_tree(&boxes);
        let major = |&i: &usize| c.piece_class[i] <= 3 || c.piece_class[i] == 11;
        let major: Vec<usize> = (0..p).filter(major).collect();
        c.major_tree = pack_tree(&major.iter().map(|&i| boxes[i]).collect::<Vec<_>>());
        c.major_piece = major.iter().map(|&i| i as u32).collect();
        c.place_tree = pack_tree(&self.place_boxes);
        c.feature_tree = pack_tree(&self.feature_boxes);
        c.feature_first_ring.push(c.ring_role.len() as u32);
        c.ring_first_point.push(c.feature_lon_e7.len() as u32);
        c.word_first_place = vec![0];
        c.string_first = vec![0, 0];
        for text in &self.strings {
            c.string_bytes.extend(text.as_bytes());
            c.string_first.push(c.string_bytes.len() as u32);
        }
        c.measure_nothing();
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("sample.region");
        c.write(&path).unwrap();
        Region::open(&path).unwrap()
    }
}
