//! Small maps made by hand: junctions in metres, roads between them, turns as an importer makes
//! them.

use std::sync::Arc;

use planner::Planner;
use planner::document::{LegKind, PointKind, Tour, TourPoint};
use region::{
    Access, Bounds, Columns, Edge, HeightGrid, LocalFrame, NO_HEIGHT, PlaceKind, Point,
    RADIUS_BANDS, Region, RoadClass, Surface, distance_m, pack_tree, turn_flag,
};

/// Where metres are counted from.
pub const ORIGIN: Point = Point {
    lon_e7: -300_000_000,
    lat_e7: 450_000_000,
};

/// A point some metres east and north of the origin.
pub fn at(east_m: f64, north_m: f64) -> Point {
    LocalFrame::at(ORIGIN).to_point([east_m, north_m])
}

pub struct Road {
    pub ends: [usize; 2],
    /// Points between the ends, metres.
    pub bends: Vec<[f64; 2]>,
    pub class: RoadClass,
    pub surface: Surface,
    pub access: [Access; 2],
    pub flags: u32,
    pub limit_kmh: u8,
    pub name: &'static str,
    pub crossing_s: u32,
    pub conditions: Vec<(&'static str, &'static str)>,
}

#[derive(Default)]
pub struct Map {
    pub nodes: Vec<[f64; 2]>,
    pub node_flags: Vec<u16>,
    pub roads: Vec<Road>,
    /// Sequences of edges that may not be ridden: two for a turn, three over a way.
    pub bans: Vec<Vec<Edge>>,
    pub heights: Option<(HeightGrid, Vec<i16>)>,
    /// Kind, place in metres, name, further tags as JSON.
    pub places: Vec<(PlaceKind, [f64; 2], &'static str, &'static str)>,
    /// Height of every road point, from metres east and north.
    pub relief: Option<fn(f64, f64) -> f64>,
}

impl Map {
    pub fn node(&mut self, east_m: f64, north_m: f64) -> usize {
        self.nodes.push([east_m, north_m]);
        self.node_flags.push(0);
        self.nodes.len() - 1
    }

    /// A two-way tertiary road; what is returned may be changed.
    pub fn road(&mut self, from: usize, to: usize) -> &mut Road {
        self.roads.push(Road {
            ends: [from, to],
            bends: Vec::new(),
            class: RoadClass::Tertiary,
            surface: Surface::Asphalt,
            access: [Access::Open; 2],
            flags: 0,
            limit_kmh: 80,
            name: "",
            crossing_s: 0,
            conditions: Vec::new(),
        });
        self.roads.last_mut().unwrap()
    }

    pub fn one_way(&mut self, from: usize, to: usize) -> &mut Road {
        let road = self.road(from, to);
        road.access[1] = Access::WrongWay;
        road
    }

    /// A line of junctions joined by roads; returns the junctions.
    pub fn street(&mut self, places: &[[f64; 2]]) -> Vec<usize> {
        let nodes: Vec<usize> = places.iter().map(|p| self.node(p[0], p[1])).collect();
        for ends in nodes.windows(2) {
            self.road(ends[0], ends[1]);
        }
        nodes
    }

    /// Forbids riding through junctions in this order.
    pub fn ban(&mut self, nodes: &[usize]) {
        let edge = |a: usize, b: usize| {
            let find = |ends| self.roads.iter().position(|r| r.ends == ends);
            match find([a, b]) {
                Some(road) => Edge::new(road as u32, false),
                None => Edge::new(find([b, a]).expect("a road") as u32, true),
            }
        };
        let edges = nodes.windows(2).map(|w| edge(w[0], w[1])).collect();
        self.bans.push(edges);
    }

    fn tail(&self, e: Edge) -> usize {
        self.roads[e.piece() as usize].ends[usize::from(e.is_backward())]
    }

    fn heading_deg(&self, e: Edge, at_end: bool) -> f64 {
        let road = &self.roads[e.piece() as usize];
        let mut line = vec![self.nodes[road.ends[0]]];
        line.extend(&road.bends);
        line.push(self.nodes[road.ends[1]]);
        if e.is_backward() {
            line.reverse();
        }
        let i = if at_end { line.len() - 2 } else { 0 };
        (line[i + 1][0] - line[i][0])
            .atan2(line[i + 1][1] - line[i][1])
            .to_degrees()
    }

    pub fn columns(&self) -> Columns {
        let mut c = Columns::default();
        let mut strings = vec![String::new()];
        let mut string = |text: &str| match strings.iter().position(|s| s == text) {
            Some(i) => i as u32,
            None => {
                strings.push(text.to_owned());
                strings.len() as u32 - 1
            }
        };
        for &[e, n] in &self.nodes {
            c.node_lon_e7.push(at(e, n).lon_e7);
            c.node_lat_e7.push(at(e, n).lat_e7);
        }
        c.node_flags = self.node_flags.clone();
        c.piece_first_point.push(0);
        c.piece_first_bend.push(0);
        let mut boxes = Vec::new();
        for (piece, road) in self.roads.iter().enumerate() {
            let mut line = vec![self.nodes[road.ends[0]]];
            line.extend(&road.bends);
            line.push(self.nodes[road.ends[1]]);
            let points: Vec<Point> = line.iter().map(|p| at(p[0], p[1])).collect();
            let mut bounds = Bounds::EMPTY;
            for (p, m) in points.iter().zip(&line) {
                bounds.include(*p);
                c.point_lon_e7.push(p.lon_e7);
                c.point_lat_e7.push(p.lat_e7);
                let height = self.relief.map(|f| (f(m[0], m[1]) * 100.0).round() as i32);
                c.point_height_cm.push(height.unwrap_or(NO_HEIGHT));
                c.point_first_zoom.push(0);
            }
            boxes.push(bounds);
            c.piece_first_point.push(c.point_lon_e7.len() as u32);
            c.piece_from.push(road.ends[0] as u32);
            c.piece_to.push(road.ends[1] as u32);
            let length_m: f64 = points.windows(2).map(|w| distance_m(w[0], w[1])).sum();
            c.piece_length_mm.push((length_m * 1000.0).round() as u32);
            c.piece_class.push(road.class as u8);
            c.piece_surface.push(road.surface as u8);
            c.piece_smoothness.push(0);
            c.piece_tracktype.push(0);
            c.piece_flags.push(road.flags);
            c.edge_access.extend(road.access.map(|a| a as u8));
            c.edge_limit_kmh.extend([road.limit_kmh; 2]);
            c.piece_limit_source.push(1);
            c.piece_name.push(string(road.name));
            c.piece_ref.push(0);
            c.piece_way.push(piece as u64 + 1);
            c.piece_bend_deg_per_km.push(0);
            c.piece_radius_share.extend([0; RADIUS_BANDS - 1]);
            c.piece_radius_share.push(255);
            c.edge_climb_dm.extend([0; 2]);
            c.piece_crossing_s.push(road.crossing_s);
            c.piece_first_bend.push(0);
            c.piece_built_up.push(0);
            for (key, value) in &road.conditions {
                c.condition_piece.push(piece as u32);
                c.condition_key.push(string(key));
                c.condition_value.push(string(value));
            }
        }
        let mut place_boxes = Vec::new();
        for (kind, at_m, name, detail) in &self.places {
            let p = at(at_m[0], at_m[1]);
            c.place_lon_e7.push(p.lon_e7);
            c.place_lat_e7.push(p.lat_e7);
            c.place_kind.push(*kind as u8);
            c.place_rank.push(0);
            c.place_name.push(string(name));
            c.place_detail.push(string(detail));
            c.place_height_cm.push(NO_HEIGHT);
            let mut bounds = Bounds::EMPTY;
            bounds.include(p);
            place_boxes.push(bounds);
        }
        c.place_tree = pack_tree(&place_boxes);
        self.graph(&mut c);
        c.measure_nothing();
        c.piece_tree = pack_tree(&boxes);
        c.word_first_place = vec![0];
        c.feature_first_ring = vec![0];
        c.ring_first_point = vec![0];
        c.string_first = vec![0];
        for s in &strings {
            c.string_bytes.extend(s.as_bytes());
            c.string_first.push(c.string_bytes.len() as u32);
        }
        let all = boxes.iter().fold(Bounds::EMPTY, |mut all, b| {
            all.include(Point {
                lon_e7: b.west_e7,
                lat_e7: b.south_e7,
            });
            all.include(Point {
                lon_e7: b.east_e7,
                lat_e7: b.north_e7,
            });
            all
        });
        c.meta.name = "sketch".into();
        c.meta.bounds_deg =
            [all.west_e7, all.south_e7, all.east_e7, all.north_e7].map(|v| f64::from(v) / 1e7);
        if let Some((grid, cells)) = &self.heights {
            c.meta.heights = Some(grid.clone());
            c.height_grid = cells.clone();
        }
        c
    }

    fn graph(&self, c: &mut Columns) {
        let edges: Vec<Edge> = (0..self.roads.len() as u32 * 2).map(Edge).collect();
        c.node_first_edge.push(0);
        for node in 0..self.nodes.len() {
            c.node_edge
                .extend(edges.iter().filter(|&&e| self.tail(e) == node).map(|e| e.0));
            c.node_first_edge.push(c.node_edge.len() as u32);
        }
        let access = |e: Edge| self.roads[e.piece() as usize].access[(e.0 & 1) as usize];
        let rideable = |e: Edge| access(e) <= Access::Unverified;
        let leaving = |e: Edge| -> Vec<Edge> {
            let node = self.tail(e.reversed());
            let out = edges
                .iter()
                .copied()
                .filter(|&f| self.tail(f) == node && rideable(f));
            out.filter(|&f| f != e.reversed()).collect()
        };
        let banned = |sequence: &[Edge]| self.bans.iter().any(|b| b == sequence);
        c.state_edge = edges.iter().map(|e| e.0).collect();
        // A copy of the middle edge for every ban over a way.
        let over: Vec<&Vec<Edge>> = self.bans.iter().filter(|b| b.len() == 3).collect();
        c.state_edge.extend(over.iter().map(|b| b[1].0));
        c.turn_first_out.push(0);
        for state in 0..c.state_edge.len() {
            let e = Edge(c.state_edge[state]);
            let copy_of = state.checked_sub(edges.len()).map(|i| over[i]);
            let mut to = if rideable(e) { leaving(e) } else { Vec::new() };
            let dead_end = to.is_empty();
            to.retain(|&f| !banned(&[e, f]));
            to.retain(|&f| copy_of.is_none_or(|b| b[2] != f));
            if dead_end && rideable(e) && rideable(e.reversed()) {
                to.push(e.reversed());
            }
            for f in to {
                let copy = over.iter().position(|b| b[..2] == [e, f]);
                c.turn_head
                    .push(copy.map_or(f.0, |i| (edges.len() + i) as u32));
                let turn = self.heading_deg(f, false) - self.heading_deg(e, true);
                let turn = (turn + 540.0).rem_euclid(360.0) - 180.0;
                c.turn_angle_deg.push(turn.round() as i16);
                let mut flags = 0;
                if f == e.reversed() {
                    flags |= turn_flag::U_TURN;
                }
                if access(e) == Access::Open && access(f) != Access::Open {
                    flags |= turn_flag::ENTERS_RESTRICTED;
                }
                c.turn_flags.push(flags);
            }
            c.turn_first_out.push(c.turn_head.len() as u32);
        }
        import::contract(c, 1, &|_| true).unwrap();
    }

    /// Writes the map and opens it for planning.
    pub fn planner(&self) -> Planner {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("sketch.region");
        self.columns().write(&path).unwrap();
        // The mapping outlives the name.
        Planner::new(Arc::new(Region::open(&path).unwrap())).unwrap()
    }
}

/// A tour over points given as `(kind, east, north)`; `stop`, `via`, or `free` for a stop with a
/// drawn leg to it.
pub fn tour(taste: &str, points: &[(&str, f64, f64)]) -> Tour {
    let point = |&(kind, east_m, north_m): &(&str, f64, f64)| {
        let p = at(east_m, north_m);
        let kind_of = match kind {
            "via" => PointKind::Via,
            _ => PointKind::Stop,
        };
        let mut point = TourPoint::new(kind_of, [p.lat(), p.lon()]);
        if kind == "free" {
            point.leg = LegKind::Free;
        }
        point
    };
    Tour::new("sketch", taste, points.iter().map(point).collect())
}

/// The line's corners as whole metres east and north, without repeats.
pub fn corners(line: &planner::plan::Line) -> Vec<[i64; 2]> {
    let frame = LocalFrame::at(ORIGIN);
    let mut corners: Vec<[i64; 2]> = line
        .lat
        .iter()
        .zip(&line.lon)
        .map(|(&lat, &lon)| {
            frame
                .to_m(Point::from_degrees(lat, lon).unwrap())
                .map(|v| v.round() as i64)
        })
        .collect();
    corners.dedup();
    corners
}

/// Chance, the same for the same seed: splitmix64 (Steele, Lea and Flood 2014, OOPSLA).
pub struct Random(pub u64);

impl Random {
    pub fn below(&mut self, limit: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) % limit.max(1) as u64) as usize
    }

    pub fn one_in(&mut self, n: usize) -> bool {
        self.below(n) == 0
    }
}
