//! Roads: from tagged ways to pieces, edges and turns.
//!
//! [`Gathered`] collects what the passes find; [`Gathered::build`] turns it into columns:
//!
//! ```text
//! ways + nodes -> network (junctions, pieces) -> restrictions -> turns
//!                                             -> strands -> shape, climb
//!                                             -> countries -> limits
//! ```

use region::{Bounds, Columns, LimitSource, Point, flag, pack_tree};

use crate::osm::{Block, newest_by_id};
use crate::scenery::Surroundings;
use crate::strings::StringTable;

mod access;
mod around;
mod carriageways;
mod country;
mod curves;
mod facts;
mod law;
mod limits;
mod measure;
mod network;
mod restrictions;
mod shape;
mod strands;
mod town;
mod turns;

use country::CountryVotes;
use limits::Limit;
use network::{Network, Nodes, RoadWay};
use restrictions::{Leaving, Restriction};
use town::Town;

/// Pieces that a region can number: arcs of the turn graph come to some six a piece.
const MAX_PIECES: usize = u32::MAX as usize / 16;

/// What a pass over relations finds in one block: id, version, and what it forbids.
pub type FoundRestrictions = Vec<(i64, u32, Vec<Restriction>)>;

/// What a pass over nodes finds in one block: row, version, place, flags.
pub type FoundNodes = Vec<(u32, u32, Point, u16)>;

/// Everything about roads that the passes collect.
#[derive(Default)]
pub struct Gathered {
    restrictions: FoundRestrictions,
    ways: Vec<RoadWay>,
    nodes: Option<Nodes>,
}

/// Heights of points, metres, each with a mark where it was filled over a void.
pub type HeightsOf<'a> =
    dyn Fn(&[Point]) -> Result<Vec<Option<(f64, bool)>>, crate::ImportError> + 'a;

/// What the rest of the import knows about the ground.
pub struct Ground<'a> {
    /// What lies around a point.
    pub surroundings: Option<&'a Surroundings>,
    /// Height of every point, metres, with a mark where it was filled over a void; empty if there
    /// is no elevation data.
    pub heights: &'a HeightsOf<'a>,
}

/// Numbers for the report.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RoadCounts {
    /// Junctions.
    pub nodes: u64,
    /// Pieces.
    pub pieces: u64,
    /// Arcs of the turn graph.
    pub turns: u64,
    /// Kilometres of pieces.
    pub km: f64,
    /// Restrictions that could not be resolved.
    pub broken_restrictions: u64,
    /// Conditional restrictions over several ways.
    pub left_out_restrictions: u64,
    /// Ways cut at the border of the extract.
    pub cut_ways: u64,
    /// Kilometres without a known country.
    pub km_without_country: f64,
    /// Kilometres whose limit is that of a law not compared with a published table.
    pub km_of_unchecked_law: f64,
}

impl Gathered {
    /// Restrictions among the relations of a block.
    pub fn find_relations(block: &Block) -> FoundRestrictions {
        let restrictions = block
            .relations()
            .filter(|r| r.tags.is("type", "restriction"));
        restrictions
            .map(|r| (r.id, r.version, Restriction::read(&r)))
            .collect()
    }
    /// Keeps what was found, in file order.
    pub fn add_relations(&mut self, found: FoundRestrictions) {
        self.restrictions.extend(found);
    }

    /// Roads among the ways of a block.
    pub fn find_ways(block: &Block) -> Vec<RoadWay> {
        block.ways().filter_map(RoadWay::read).collect()
    }
    /// Keeps what was found, in file order.
    pub fn add_ways(&mut self, found: Vec<RoadWay>) {
        self.ways.extend(found);
    }

    /// To be called when all ways and relations were seen.
    pub fn end_ways(&mut self) {
        newest_by_id(&mut self.restrictions, |r| (r.0, r.1));
        newest_by_id(&mut self.ways, |w| (w.id, w.version));
        self.nodes = Some(Nodes::of(&self.ways));
    }

    /// Nodes of roads in a block.
    pub fn find_nodes(&self, block: &Block) -> FoundNodes {
        let Some(nodes) = &self.nodes else {
            return Vec::new();
        };
        let found = block.nodes().filter_map(|node| {
            let row = nodes.row(node.id)?;
            Some((row, node.version, node.at, network::node_flags(&node)))
        });
        found.collect()
    }
    /// Keeps what was found, in file order.
    pub fn add_nodes(&mut self, found: FoundNodes) {
        if let Some(nodes) = &mut self.nodes {
            for (row, version, at, flags) in found {
                nodes.put(row, version, at, flags);
            }
        }
    }

    /// Builds the columns of roads and adds their strings; gives the ids of their nodes,
    /// ascending. `step` is told the steps done and all, and may stop the work.
    pub fn build(
        mut self,
        columns: &mut Columns,
        strings: &mut StringTable,
        ground: &Ground,
        step: &dyn Fn(u64, u64) -> Result<(), crate::ImportError>,
    ) -> Result<(RoadCounts, Vec<i64>), crate::ImportError> {
        const STEPS: u64 = 6;
        let ways = std::mem::take(&mut self.ways);
        let nodes = self.nodes.take().unwrap_or_else(|| Nodes::of(&ways));
        let network = Network::cut(ways, nodes);
        // Ids of edges and offsets of arcs are u32.
        if network.pieces.len() > MAX_PIECES || network.points.len() > u32::MAX as usize {
            return Err(crate::ImportError::TooLarge {
                what: "the roads of these extracts",
            });
        }
        step(1, STEPS)?;
        let mut votes = CountryVotes::default();
        for piece in 0..network.pieces.len() {
            let points = network.piece_points(piece);
            votes.add(points[points.len() / 2], &network.facts(piece).limit[0]);
        }
        let (first, edges) = network.edges_by_tail();
        let leaving = Leaving { first, edges };
        let restrictions = self.restrictions.iter().flat_map(|r| &r.2);
        let bans = restrictions::resolve(&network, &leaving, restrictions);
        let turns = turns::build(&network, &leaving, &bans);
        step(2, STEPS)?;
        let strands = strands::strands(&network, &leaving);
        step(3, STEPS)?;

        let mut counts = RoadCounts {
            nodes: network.junction_ids.len() as u64,
            pieces: network.pieces.len() as u64,
            turns: turns.head.len() as u64,
            broken_restrictions: bans.broken,
            left_out_restrictions: bans.left_out,
            cut_ways: network.cut_ways,
            ..RoadCounts::default()
        };
        columns.node_lon_e7 = network.junction_points.iter().map(|p| p.lon_e7).collect();
        columns.node_lat_e7 = network.junction_points.iter().map(|p| p.lat_e7).collect();
        columns.node_flags = network.junction_flags.clone();
        columns.node_first_edge = leaving.first;
        columns.node_edge = leaving.edges;
        columns.turn_condition_turn = turns.conditions.iter().map(|c| c.0).collect();
        columns.turn_condition_value = turns
            .conditions
            .iter()
            .map(|c| strings.intern(&c.1))
            .collect();
        columns.state_edge = turns.state_edge;
        columns.turn_first_out = turns.first_out;
        columns.turn_head = turns.head;
        columns.turn_angle_deg = turns.angle_deg;
        columns.turn_flags = turns.flags;

        tags_to_columns(&network, columns, strings);
        for (flags, divided) in columns
            .piece_flags
            .iter_mut()
            .zip(carriageways::divided(&network))
        {
            *flags |= if divided { flag::DUAL } else { 0 };
        }
        step(4, STEPS)?;
        limits_to_columns(&network, &votes, ground, columns, &mut counts);
        step(5, STEPS)?;
        measure::measure(&network, &strands, ground, columns)?;
        trees(&network, columns);
        step(STEPS, STEPS)?;
        Ok((counts, network.node_ids))
    }
}

fn tags_to_columns(network: &Network, columns: &mut Columns, strings: &mut StringTable) {
    for (i, piece) in network.pieces.iter().enumerate() {
        let way = &network.ways[piece.way as usize];
        let facts = &way.facts;
        columns.piece_from.push(piece.from);
        columns.piece_to.push(piece.to);
        columns.piece_class.push(facts.class as u8);
        columns.piece_surface.push(facts.surface as u8);
        columns.piece_smoothness.push(facts.smoothness as u8);
        columns.piece_tracktype.push(facts.tracktype);
        columns.piece_flags.push(facts.flags | piece.flags);
        columns.edge_access.extend(facts.access.map(|a| a as u8));
        columns.piece_name.push(strings.intern(&facts.name));
        columns.piece_ref.push(strings.intern(&facts.number));
        columns.piece_way.push(way.id as u64);
        for (key, value) in &facts.conditions {
            columns.condition_piece.push(i as u32);
            columns.condition_key.push(strings.intern(key));
            columns.condition_value.push(strings.intern(value));
        }
    }
}

fn limits_to_columns(
    network: &Network,
    votes: &CountryVotes,
    ground: &Ground,
    columns: &mut Columns,
    counts: &mut RoadCounts,
) {
    let town = Town::new(network, ground.surroundings);
    let mut km_by_country: std::collections::BTreeMap<&str, f64> = Default::default();
    for piece in 0..network.pieces.len() {
        let facts = network.facts(piece);
        let points = network.piece_points(piece);
        let length_m: f64 = points.windows(2).map(|p| length_m(p[0], p[1])).sum();
        let built_up = town.share(facts, points);
        let middle = points[points.len() / 2];
        let country = ground
            .surroundings
            .and_then(|s| s.country_at(middle))
            .or_else(|| votes.at(middle));
        let km = length_m / 1000.0;
        counts.km += km;
        match country {
            Some(code) => {
                *km_by_country
                    .entry(code.split('-').next().unwrap_or(code))
                    .or_default() += km
            }
            None => counts.km_without_country += km,
        }
        let flags = columns.piece_flags[piece];
        let mut law = country.and_then(law::of);
        if built_up > 127 {
            columns.piece_flags[piece] |= flag::BUILT_UP;
        }
        let mut source = LimitSource::Unknown;
        let mut unchecked = false;
        for limit in &facts.limit {
            let by_class = || {
                limits::kind_in_law(
                    facts.class,
                    built_up > 127,
                    flags & flag::MOTORROAD != 0,
                    flags & flag::DUAL != 0,
                    facts.surface.paved(),
                )
            };
            let (kmh, from) = match limit {
                Limit::Signed(kmh) => (*kmh, LimitSource::Signed),
                Limit::Implied(kmh) => (*kmh, LimitSource::Implicit),
                Limit::Zone(zone, code) => {
                    law = code.as_deref().and_then(law::of).or(law);
                    let kmh = limits::by_law(law.unwrap_or(&law::ASSUMED), *zone);
                    (kmh, LimitSource::Implicit)
                }
                Limit::Unsaid if facts.class == region::RoadClass::Ferry => {
                    (0, LimitSource::Unknown)
                }
                Limit::Unsaid => match law {
                    Some(law) => {
                        unchecked |= !law.checked;
                        (limits::by_law(law, by_class()), LimitSource::Law)
                    }
                    None => (
                        limits::by_law(&law::ASSUMED, by_class()),
                        LimitSource::Unknown,
                    ),
                },
            };
            columns.edge_limit_kmh.push(kmh);
            source = if source == LimitSource::Unknown {
                from
            } else {
                source.min(from)
            };
        }
        columns.piece_limit_source.push(source as u8);
        if unchecked {
            counts.km_of_unchecked_law += km;
        }
        columns
            .piece_length_mm
            .push((length_m * 1000.0).round().clamp(1.0, 4e9) as u32);
        columns.piece_built_up.push(built_up);
        let way_length = facts
            .crossing_s
            .map_or(0.0, |_| way_length_m(network, piece));
        let crossing = facts.crossing_s.filter(|_| way_length > 0.0);
        let share = crossing.map_or(0.0, |s| f64::from(s) * length_m / way_length);
        columns.piece_crossing_s.push(share.round() as u32);
    }
    let mut order: Vec<(&str, f64)> = km_by_country.into_iter().collect();
    order.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(b.0)));
    columns.meta.countries = order.iter().map(|(code, _)| (*code).to_owned()).collect();
    columns.meta.drives_left = order
        .first()
        .is_some_and(|(code, _)| law::drives_left(code));
}

fn way_length_m(network: &Network, piece: usize) -> f64 {
    let way = network.pieces[piece].way as usize;
    let pieces = network.way_first_piece[way]..network.way_first_piece[way + 1];
    let of = |p: u32| {
        network
            .piece_points(p as usize)
            .windows(2)
            .map(|p| length_m(p[0], p[1]))
            .sum::<f64>()
    };
    pieces.map(of).sum()
}

fn middle(a: Point, b: Point) -> Point {
    let frame = region::LocalFrame::at(a);
    let [x, y] = frame.to_m(b);
    frame.to_point([x / 2.0, y / 2.0])
}

/// Length of a segment, metres: geodesic; for short ones the ellipsoid's radii of curvature at
/// the middle latitude give the same to a millimetre at a fraction of the cost.
fn length_m(a: Point, b: Point) -> f64 {
    let mid_lat_e7 = ((i64::from(a.lat_e7) + i64::from(b.lat_e7)) / 2) as i32;
    let frame = region::LocalFrame::at(Point {
        lon_e7: a.lon_e7,
        lat_e7: mid_lat_e7,
    });
    let ([xa, ya], [xb, yb]) = (frame.to_m(a), frame.to_m(b));
    let short = (xb - xa).hypot(yb - ya);
    if short < 2000.0 {
        short
    } else {
        region::distance_m(a, b)
    }
}

fn trees(network: &Network, columns: &mut Columns) {
    let boxes: Vec<Bounds> = (0..network.pieces.len())
        .map(|piece| {
            let mut bounds = Bounds::EMPTY;
            network
                .piece_points(piece)
                .iter()
                .for_each(|&p| bounds.include(p));
            bounds
        })
        .collect();
    columns.piece_tree = pack_tree(&boxes);
    let majors = (0..network.pieces.len()).filter(|&piece| network.is_major(piece));
    columns.major_piece = majors.map(|piece| piece as u32).collect();
    let boxes: Vec<Bounds> = columns
        .major_piece
        .iter()
        .map(|&p| boxes[p as usize])
        .collect();
    columns.major_tree = pack_tree(&boxes);
}
