//! From ways to pieces: which nodes are junctions, where ways are cut.

use std::collections::BTreeMap;

use region::{Access, Point, RoadClass, node_flag};

use super::access::{Barrier, barrier};
use super::facts::Facts;
use crate::osm::{Node, Way};

/// A way that is a road.
pub struct RoadWay {
    /// OSM id.
    pub id: i64,
    /// Version.
    pub version: u32,
    /// Age of its file, see [`Way::edition`].
    pub edition: u32,
    /// Node ids, no id twice in a row.
    pub refs: Vec<i64>,
    /// What its tags say.
    pub facts: Facts,
}

impl RoadWay {
    /// The way if it is a road.
    pub fn read(way: Way) -> Option<Self> {
        let facts = super::facts::read(way.tags)?;
        let mut refs = way.refs.to_vec();
        refs.dedup();
        (refs.len() > 1).then_some(RoadWay {
            id: way.id,
            version: way.version,
            edition: way.edition,
            refs,
            facts,
        })
    }
}

/// Bits beside those of [`node_flag`] that matter while pieces are cut.
const CUT_HERE: u16 = node_flag::SIGNALS
    | node_flag::GATE
    | node_flag::BLOCKED
    | node_flag::TOLL_BOOTH
    | node_flag::PASS
    | node_flag::BORDER;

/// What the tags of a road node say: bits of [`node_flag`].
pub fn node_flags(node: &Node) -> u16 {
    let tags = node.tags;
    if tags.is_empty() {
        return 0;
    }
    let mut flags = match barrier(tags) {
        Barrier::None => 0,
        Barrier::Gate => node_flag::GATE,
        Barrier::Blocked => node_flag::BLOCKED,
    };
    let has = |key: &str, values: &[&str]| tags.get(key).is_some_and(|v| values.contains(&v));
    let yes = |key: &str| tags.get(key).is_some_and(|v| v != "no");
    for (on, bit) in [
        (has("highway", &["traffic_signals"]), node_flag::SIGNALS),
        (has("highway", &["stop", "give_way"]), node_flag::STOP),
        (
            has("barrier", &["toll_booth"]) || has("highway", &["toll_gantry"]),
            node_flag::TOLL_BOOTH,
        ),
        (yes("ford"), node_flag::FORD),
        (yes("mountain_pass"), node_flag::PASS),
        (has("barrier", &["border_control"]), node_flag::BORDER),
    ] {
        if on {
            flags |= bit;
        }
    }
    flags
}

/// Places and flags of the nodes of all roads: ascending ids with parallel columns.
pub struct Nodes {
    ids: Vec<i64>,
    uses: Vec<u8>,
    points: Vec<Option<Point>>,
    versions: Vec<u32>,
    flags: Vec<u16>,
}

impl Nodes {
    /// Notes which nodes the ways need and how often.
    pub fn of(ways: &[RoadWay]) -> Self {
        let mut all: Vec<i64> = ways.iter().flat_map(|w| w.refs.iter().copied()).collect();
        all.sort_unstable();
        let (mut ids, mut uses) = (Vec::new(), Vec::new());
        for same in all.chunk_by(|a, b| a == b) {
            ids.push(same[0]);
            uses.push(same.len().min(255) as u8);
        }
        let n = ids.len();
        Nodes {
            ids,
            uses,
            points: vec![None; n],
            versions: vec![0; n],
            flags: vec![0; n],
        }
    }
    /// Row of a node id.
    pub fn row(&self, id: i64) -> Option<u32> {
        self.ids.binary_search(&id).ok().map(|i| i as u32)
    }
    /// Takes in a node that was found; a higher version replaces a lower one.
    pub fn put(&mut self, row: u32, version: u32, at: Point, flags: u16) {
        let row = row as usize;
        if self.points[row].is_none() || self.versions[row] < version {
            self.points[row] = Some(at);
            self.versions[row] = version;
            self.flags[row] = flags;
        }
    }
    fn point(&self, row: u32) -> Option<Point> {
        self.points[row as usize]
    }
}

/// A stretch of a way between two junctions.
pub struct Piece {
    /// Index of its way.
    pub way: u32,
    /// Junction at its start.
    pub from: u32,
    /// Junction at its end.
    pub to: u32,
    /// First point in [`Network::points`].
    pub first_point: u32,
    /// A gate or ford lies within or at an end: bits of [`region::flag`].
    pub flags: u32,
}

/// Junctions and pieces, in the order of OSM ids.
pub struct Network {
    /// The ways, ascending ids.
    pub ways: Vec<RoadWay>,
    /// OSM id of each junction, ascending.
    pub junction_ids: Vec<i64>,
    /// Where each junction is.
    pub junction_points: Vec<Point>,
    /// Bits of [`node_flag`] of each junction.
    pub junction_flags: Vec<u16>,
    /// Pieces, by way and along each way.
    pub pieces: Vec<Piece>,
    /// Geometry points of all pieces, both junctions included.
    pub points: Vec<Point>,
    /// First piece of each way, one more than ways.
    pub way_first_piece: Vec<u32>,
    /// Ids of all nodes of roads, ascending.
    pub node_ids: Vec<i64>,
    /// Ways cut short because nodes are missing (borders of the extract).
    pub cut_ways: u64,
}

impl Network {
    /// Cuts the ways into pieces.
    pub fn cut(ways: Vec<RoadWay>, mut nodes: Nodes) -> Self {
        let rows: Vec<Vec<u32>> = ways
            .iter()
            .map(|w| w.refs.iter().filter_map(|&id| nodes.row(id)).collect())
            .collect();
        // Runs of nodes that are there; a run of one node is no road.
        let mut runs: Vec<Vec<&[u32]>> = rows
            .iter()
            .map(|rows| {
                let runs = rows.split(|&row| nodes.point(row).is_none());
                runs.filter(|run| run.len() > 1).collect()
            })
            .collect();
        let cut_ways = rows
            .iter()
            .zip(&runs)
            .filter(|(rows, runs)| runs.len() != 1 || runs[0].len() != rows.len());
        let cut_ways = cut_ways.count() as u64;
        drop_redrawn(&ways, &mut runs, &mut nodes.uses);

        let n = nodes.ids.len();
        let mut is_junction: Vec<bool> = (0..n)
            .map(|i| nodes.uses[i] > 1 || nodes.flags[i] & CUT_HERE != 0)
            .collect();
        let mut in_use = vec![false; n];
        for run in runs.iter().flatten() {
            for &row in *run {
                in_use[row as usize] = true;
            }
            is_junction[run[0] as usize] = true;
            is_junction[run[run.len() - 1] as usize] = true;
        }
        // No piece may end where it begins: a ring with one junction gets a second.
        for run in runs.iter().flatten() {
            let cuts = cuts(run, &is_junction);
            for pair in cuts.windows(2) {
                if run[pair[0]] == run[pair[1]] {
                    is_junction[run[(pair[0] + pair[1]) / 2] as usize] = true;
                }
            }
        }
        let mut junction_of_row = vec![u32::MAX; n];
        let (mut ids, mut points, mut flags) = (Vec::new(), Vec::new(), Vec::new());
        for row in 0..n {
            if let (true, true, Some(at)) = (is_junction[row], in_use[row], nodes.points[row]) {
                junction_of_row[row] = ids.len() as u32;
                ids.push(nodes.ids[row]);
                points.push(at);
                flags.push(nodes.flags[row]);
            }
        }
        let mut network = Network {
            ways: Vec::new(),
            junction_ids: ids,
            junction_points: points,
            junction_flags: flags,
            pieces: Vec::new(),
            points: Vec::new(),
            way_first_piece: vec![0],
            node_ids: Vec::new(),
            cut_ways,
        };
        for (way, runs) in runs.iter().enumerate() {
            for run in runs {
                for pair in cuts(run, &is_junction).windows(2) {
                    let stretch = &run[pair[0]..=pair[1]];
                    network.add_piece(way as u32, stretch, &junction_of_row, &nodes);
                }
            }
            network.way_first_piece.push(network.pieces.len() as u32);
        }
        network.ways = ways;
        network.node_ids = nodes.ids;
        network
    }

    fn add_piece(&mut self, way: u32, stretch: &[u32], junction_of_row: &[u32], nodes: &Nodes) {
        let (first, last) = (stretch[0], stretch[stretch.len() - 1]);
        let (from, to) = (
            junction_of_row[first as usize],
            junction_of_row[last as usize],
        );
        let first_point = self.points.len() as u32;
        let mut flags = 0;
        for (i, &row) in stretch.iter().enumerate() {
            let Some(at) = nodes.point(row) else { continue };
            self.points.push(at);
            let here = nodes.flags[row as usize];
            if here & node_flag::FORD != 0 {
                flags |= region::flag::FORD;
            }
            if here & (node_flag::GATE | node_flag::BLOCKED) != 0 {
                flags |= region::flag::GATE;
            }
            // A stop sign stands a little before its junction.
            if here & node_flag::STOP != 0 {
                let end = if 2 * i < stretch.len() { from } else { to };
                self.junction_flags[end as usize] |= node_flag::STOP;
            }
        }
        self.pieces.push(Piece {
            way,
            from,
            to,
            first_point,
            flags,
        });
    }

    /// Geometry of a piece.
    pub fn piece_points(&self, piece: usize) -> &[Point] {
        let end = self
            .pieces
            .get(piece + 1)
            .map_or(self.points.len(), |p| p.first_point as usize);
        &self.points[self.pieces[piece].first_point as usize..end]
    }
    /// Facts of a piece's way.
    pub fn facts(&self, piece: usize) -> &Facts {
        &self.ways[self.pieces[piece].way as usize].facts
    }
    /// Access of an edge (piece and direction).
    pub fn access(&self, edge: u32) -> Access {
        self.facts(edge as usize / 2).access[edge as usize % 2]
    }
    /// Whether an edge may be ridden at all.
    pub fn is_rideable(&self, edge: u32) -> bool {
        !matches!(self.access(edge), Access::Closed | Access::WrongWay)
    }
    /// Junction an edge starts at.
    pub fn tail(&self, edge: u32) -> u32 {
        let piece = &self.pieces[edge as usize / 2];
        if edge & 1 == 0 { piece.from } else { piece.to }
    }
    /// Junction an edge leads to.
    pub fn head(&self, edge: u32) -> u32 {
        self.tail(edge ^ 1)
    }
    /// Whether a piece is drawn at small scales.
    pub fn is_major(&self, piece: usize) -> bool {
        let class = self.facts(piece).class;
        class <= RoadClass::Secondary || class == RoadClass::Ferry
    }
    /// CSR of the edges that leave each junction.
    pub fn edges_by_tail(&self) -> (Vec<u32>, Vec<u32>) {
        let edges = 2 * self.pieces.len() as u32;
        let mut first = vec![0u32; self.junction_ids.len() + 1];
        for edge in 0..edges {
            first[self.tail(edge) as usize + 1] += 1;
        }
        for i in 1..first.len() {
            first[i] += first[i - 1];
        }
        let (mut next, mut out) = (first.clone(), vec![0; edges as usize]);
        for edge in 0..edges {
            let slot = &mut next[self.tail(edge) as usize];
            out[*slot as usize] = edge;
            *slot += 1;
        }
        (first, out)
    }
}

/// Takes out of the ways of older files what a newer file draws again as another way: a road whose
/// way was deleted and replaced between two editions would lie there twice.
fn drop_redrawn(ways: &[RoadWay], runs: &mut [Vec<&[u32]>], uses: &mut [u8]) {
    if ways.iter().all(|w| w.edition == ways[0].edition) {
        return;
    }
    let stretch = |pair: &[u32]| (pair[0].min(pair[1]), pair[0].max(pair[1]));
    // Both ends of a stretch that lies there twice are used twice.
    let mut newest: BTreeMap<(u32, u32), u32> = BTreeMap::new();
    for (way, runs) in ways.iter().zip(&*runs) {
        for pair in runs.iter().flat_map(|run| run.windows(2)) {
            if pair.iter().all(|&row| uses[row as usize] > 1) {
                let edition = newest.entry(stretch(pair)).or_default();
                *edition = way.edition.max(*edition);
            }
        }
    }
    for (way, runs) in ways.iter().zip(runs) {
        let redrawn = |pair: &[u32]| newest.get(&stretch(pair)).is_some_and(|&e| e > way.edition);
        if !runs.iter().any(|run| run.windows(2).any(redrawn)) {
            continue;
        }
        let mut kept = Vec::new();
        for run in runs.iter() {
            let mut start = 0;
            for i in 1..=run.len() {
                if i == run.len() || redrawn(&run[i - 1..=i]) {
                    kept.push(&run[start..i]);
                    start = i;
                }
            }
        }
        kept.retain(|run| run.len() > 1);
        for &row in runs.iter().copied().flatten() {
            uses[row as usize] = uses[row as usize].saturating_sub(1);
        }
        for &row in kept.iter().copied().flatten() {
            uses[row as usize] = uses[row as usize].saturating_add(1);
        }
        *runs = kept;
    }
}

/// Positions in a run where it is cut, first and last included.
fn cuts(run: &[u32], is_junction: &[bool]) -> Vec<usize> {
    (0..run.len())
        .filter(|&i| is_junction[run[i] as usize])
        .collect()
}
