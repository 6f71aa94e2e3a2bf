//! The columns of a region: one table, from which the writer's struct and the reader's slices
//! are both made.

use std::ops::Range;
use std::path::Path;

use crate::file::{Container, OpenError, WriteError, write};
use crate::model::{Bend, Edge, Meta, NO_RELIEF, Surface};
use crate::{Access, Point, RoadClass, check};

const META_ID: u32 = 1;

macro_rules! columns {
    ($($(#[$doc:meta])* $id:literal $name:ident: $ty:ty;)+) => {
        /// All columns of a region in memory, to be written.
        #[derive(Clone, Debug, Default)]
        pub struct Columns {
            /// Facts that are not columns.
            pub meta: Meta,
            $($(#[$doc])* pub $name: Vec<$ty>,)+
        }

        impl Columns {
            /// Checks the invariants and writes the file: temporary file, flush, rename.
            pub fn write(&self, path: &Path) -> Result<(), WriteError> {
                let meta = serde_json::to_vec(&self.meta).map_err(|e| WriteError {
                    path: path.into(),
                    source: e.into(),
                })?;
                let sections: Vec<(u32, u32, &[u8])> = vec![
                    (META_ID, 1, &meta),
                    $(($id, size_of::<$ty>() as u32, bytemuck::cast_slice(&self.$name)),)+
                ];
                write(path, &sections)
            }
        }

        #[derive(Default)]
        struct Ranges { $($name: Range<usize>,)+ }

        /// An open region: memory-mapped columns, verified.
        pub struct Region {
            file: Container,
            meta: Meta,
            ranges: Ranges,
        }

        impl Region {
            /// Maps the file, verifies every checksum and every cross-reference between columns.
            pub fn open(path: &Path) -> Result<Self, OpenError> {
                let file = Container::open(path)?;
                let damaged = |what: String| OpenError::Damaged { path: path.into(), what };
                let meta = file.find(META_ID, 1).ok_or_else(|| damaged("it has no facts".into()))?;
                let meta = serde_json::from_slice(file.items::<u8>(&meta))
                    .map_err(|e| damaged(format!("its facts are unreadable: {e}")))?;
                let mut ranges = Ranges::default();
                $(ranges.$name = file.find($id, size_of::<$ty>())
                    .ok_or_else(|| damaged(format!("column {} is missing", stringify!($name))))?;)+
                let region = Region { file, meta, ranges };
                check::region(&region).map_err(damaged)?;
                Ok(region)
            }

            $($(#[$doc])* pub fn $name(&self) -> &[$ty] { self.file.items(&self.ranges.$name) })+

            /// `(id, name, bytes per item, bytes)` of every column, in file order.
            pub fn column_sizes(&self) -> Vec<(u32, &'static str, usize, usize)> {
                vec![$(($id, stringify!($name), size_of::<$ty>(), self.ranges.$name.len()),)+]
            }
        }
    };
}

columns! {
    /// [N] Junction longitude, 1e-7 degree.
    10 node_lon_e7: i32;
    /// [N] Junction latitude, 1e-7 degree.
    11 node_lat_e7: i32;
    /// [N + 1] CSR: the edges that leave a junction are `node_edge[first[n]..first[n + 1]]`.
    12 node_first_edge: u32;
    /// [2 P] Edge ids, grouped by their tail junction.
    13 node_edge: u32;
    /// [N] Bits of [`node_flag`](crate::node_flag).
    14 node_flags: u16;

    /// [P] Junction where the geometry starts.
    20 piece_from: u32;
    /// [P] Junction where the geometry ends.
    21 piece_to: u32;
    /// [P + 1] First geometry point; points of a piece include both junctions.
    22 piece_first_point: u32;
    /// [P] Geodesic length, millimetres.
    23 piece_length_mm: u32;
    /// [P] [`RoadClass`] code.
    24 piece_class: u8;
    /// [P] [`Surface`] code.
    25 piece_surface: u8;
    /// [P] [`Smoothness`](crate::Smoothness) code.
    26 piece_smoothness: u8;
    /// [P] `tracktype` grade 1..5, 0 unknown.
    27 piece_tracktype: u8;
    /// [P] Bits of [`flag`](crate::flag).
    28 piece_flags: u32;
    /// [2 P] [`Access`] code per edge.
    29 edge_access: u8;
    /// [2 P] Speed limit per edge, km/h; 0 unknown, 255 none.
    30 edge_limit_kmh: u8;
    /// [P] [`LimitSource`](crate::LimitSource) code.
    31 piece_limit_source: u8;
    /// [P] String id of the name, 0 none.
    32 piece_name: u32;
    /// [P] String id of the number (`ref`), 0 none.
    33 piece_ref: u32;
    /// [P] OSM way id.
    34 piece_way: u64;
    /// [P] Bend rate: turning of the smoothed line, degrees per kilometre, one curve's share capped.
    35 piece_bend_deg_per_km: u16;
    /// [P * RADIUS_BANDS] Share of the length in each radius band, in 1/255; a row sums to 255.
    36 piece_radius_share: u8;
    /// [2 P] Climb per edge, decimetres, smoothed.
    37 edge_climb_dm: u16;
    /// [P] Crossing time of a ferry, seconds; 0 otherwise or unknown.
    38 piece_crossing_s: u32;
    /// [P] Share of the length in built-up areas, in 1/255.
    39 piece_built_up: u8;
    /// [P] Curves whose middle lies on the piece.
    40 piece_curves: u16;
    /// [P] Changes between a left and a right curve, where they happen.
    41 piece_changes: u16;
    /// [P] Places where the operating speed changes by more than 20 km/h, where the curve begins.
    42 piece_breaks: u16;
    /// [P] Share of the length within sight of water, in 1/255.
    43 piece_water: u8;
    /// [P] Share of the length in wood, in 1/255.
    44 piece_wood: u8;
    /// [P] Share of the length in open country, neither wood nor built up, in 1/255.
    45 piece_open: u8;
    /// [P] Range of heights of the ground within a kilometre, metres; `NO_RELIEF` unknown.
    46 piece_relief_m: u16;
    /// [Q + 1] CSR: the edges of a strand are `strand_edge[first[q]..first[q + 1]]`.
    47 strand_first: u32;
    /// [P] Edges strung together as the road goes on, each piece once, in one direction.
    48 strand_edge: u32;

    /// [G] Geometry longitude, 1e-7 degree.
    50 point_lon_e7: i32;
    /// [G] Geometry latitude, 1e-7 degree.
    51 point_lat_e7: i32;
    /// [G] Height above sea level, centimetres; `NO_HEIGHT` unknown.
    52 point_height_cm: i32;
    /// [G] Lowest map zoom at which the point is needed to draw its piece.
    53 point_first_zoom: u8;
    /// [P + 1] CSR: the bends of a piece, in the order of its geometry.
    54 piece_first_bend: u32;
    /// [B] Where a bend begins, decimetres from the start of its piece.
    55 bend_from_dm: u32;
    /// [B] Length of a bend, decimetres.
    56 bend_length_dm: u16;
    /// [B] Turning over a bend, milliradians, right positive in the direction of the geometry.
    57 bend_turn_mrad: i16;

    /// [C] Piece a conditional tag belongs to, ascending.
    60 condition_piece: u32;
    /// [C] String id of the tag key.
    61 condition_key: u32;
    /// [C] String id of the tag value.
    62 condition_value: u32;

    /// [S] Edge of each state of the turn graph; state `e` is edge `e` for the first 2 P.
    70 state_edge: u32;
    /// [S + 1] CSR of turns by the state one comes from.
    71 turn_first_out: u32;
    /// [T] State one turns into.
    72 turn_head: u32;
    /// [T] Change of heading, degrees, right positive, -180..=180.
    73 turn_angle_deg: i16;
    /// [T] Bits of [`turn_flag`](crate::turn_flag).
    74 turn_flags: u8;
    /// [V] Turn that is forbidden when a condition holds, ascending.
    75 turn_condition_turn: u32;
    /// [V] String id of the condition.
    76 turn_condition_value: u32;

    /// Packed R-tree (crate `geo-index`, i32 1e-7 degree) over the boxes of all pieces.
    80 piece_tree: u8;
    /// [M] Pieces of class secondary and above and ferries, for small scales.
    81 major_piece: u32;
    /// Packed R-tree over `major_piece`.
    82 major_tree: u8;

    /// [K] Finder entry longitude, 1e-7 degree.
    90 place_lon_e7: i32;
    /// [K] Finder entry latitude, 1e-7 degree.
    91 place_lat_e7: i32;
    /// [K] [`PlaceKind`](crate::PlaceKind) code.
    92 place_kind: u8;
    /// [K] Importance, higher first.
    93 place_rank: u8;
    /// [K] String id of the name.
    94 place_name: u32;
    /// [K] String id of a JSON object of further OSM tags worth showing, 0 none.
    95 place_detail: u32;
    /// [K] Height, centimetres; `NO_HEIGHT` unknown.
    96 place_height_cm: i32;
    /// [W] String ids of folded words (lower case, no accents), ascending by text.
    97 word_text: u32;
    /// [W + 1] CSR of entries by word.
    98 word_first_place: u32;
    /// Place ids that carry the word, ascending within a word.
    99 word_place: u32;
    /// Packed R-tree over places (points).
    100 place_tree: u8;

    /// [F] [`FeatureKind`](crate::FeatureKind) code.
    110 feature_kind: u8;
    /// [F] Lowest zoom at which the feature is drawn.
    111 feature_min_zoom: u8;
    /// [F] String id of the name, 0 none.
    112 feature_name: u32;
    /// [F + 1] First ring of a feature.
    113 feature_first_ring: u32;
    /// [R] 0 outer ring, 1 inner ring, 2 open line.
    114 ring_role: u8;
    /// [R + 1] First point of a ring; closed rings repeat their first point.
    115 ring_first_point: u32;
    /// Feature point longitude, 1e-7 degree.
    116 feature_lon_e7: i32;
    /// Feature point latitude, 1e-7 degree.
    117 feature_lat_e7: i32;
    /// Lowest zoom at which the feature point is needed.
    118 feature_point_first_zoom: u8;
    /// Packed R-tree over features.
    119 feature_tree: u8;

    /// [rows * columns] Heights, metres; `NO_CELL` unknown. Geometry in `meta.heights`.
    130 height_grid: i16;

    /// [strings + 1] First byte of each string; string 0 is empty.
    140 string_first: u32;
    /// UTF-8 bytes of all strings.
    141 string_bytes: u8;

    /// [T] Where the weight of each turn goes in the hierarchy: twice the arc of its half, plus one
    /// if it comes down; `u32::MAX` for loops.
    200 turn_slot: u32;
    /// [S] Rank of each state: its place in the order of contraction.
    201 state_rank: u32;
    /// [S] State of each rank.
    202 rank_state: u32;
    /// [S] Parent of each rank in the elimination tree; `u32::MAX` at roots.
    203 rank_parent: u32;
    /// [S + 1] CSR by lower rank of the arcs that lead to a higher rank.
    210 up_first_out: u32;
    /// [U] Higher rank of each, ascending within a lower one.
    211 up_head: u32;
    /// [S + 1] CSR by lower rank of the arcs that come from a higher rank.
    212 down_first_out: u32;
    /// [D] Higher rank of each, ascending within a lower one.
    213 down_head: u32;
    /// [S + 1] CSR of all these arcs by higher rank.
    214 rank_first_low: u32;
    /// [U + D] Lower rank of each, doubled, plus one for arcs that come down; ascending.
    215 rank_low: u32;
    /// Third sides of the triangles over ranks with few of them, numbered as in `turn_slot`, in the
    /// order customization comes by; `u32::MAX` where a way would lead back.
    216 rank_third: u32;
}

impl Columns {
    /// Gives every piece rows in the columns of what is measured along strands and of what lies
    /// around: nothing seen, relief unknown, each piece a strand by itself. For regions made by
    /// hand.
    pub fn measure_nothing(&mut self) {
        let pieces = self.piece_from.len();
        for counts in [
            &mut self.piece_curves,
            &mut self.piece_changes,
            &mut self.piece_breaks,
        ] {
            *counts = vec![0; pieces];
        }
        for shares in [
            &mut self.piece_water,
            &mut self.piece_wood,
            &mut self.piece_open,
        ] {
            *shares = vec![0; pieces];
        }
        self.piece_relief_m = vec![NO_RELIEF; pieces];
        self.piece_first_bend = vec![0; pieces + 1];
        self.strand_first = (0..=pieces as u32).collect();
        self.strand_edge = (0..pieces as u32).map(|piece| 2 * piece).collect();
    }
}

impl Region {
    /// Facts that are not columns.
    pub fn meta(&self) -> &Meta {
        &self.meta
    }
    /// A hash of the whole content: equal exactly for equal files.
    pub fn id(&self) -> u64 {
        self.file.id()
    }
    /// Length of the file in bytes.
    pub fn len_bytes(&self) -> u64 {
        self.file.len_bytes()
    }
    /// Number of junctions.
    pub fn node_count(&self) -> u32 {
        self.node_lon_e7().len() as u32
    }
    /// Number of pieces.
    pub fn piece_count(&self) -> u32 {
        self.piece_from().len() as u32
    }
    /// Number of edges, two a piece.
    pub fn edge_count(&self) -> u32 {
        self.piece_count() * 2
    }
    /// Number of states of the turn graph.
    pub fn state_count(&self) -> u32 {
        self.state_edge().len() as u32
    }
    /// A string; the empty string for 0.
    pub fn string(&self, id: u32) -> &str {
        let first = self.string_first();
        let (a, b) = (first[id as usize] as usize, first[id as usize + 1] as usize);
        // Verified once on open: every string is UTF-8.
        std::str::from_utf8(&self.string_bytes()[a..b]).unwrap_or("")
    }
    /// Where a junction is.
    pub fn node_point(&self, node: u32) -> Point {
        Point {
            lon_e7: self.node_lon_e7()[node as usize],
            lat_e7: self.node_lat_e7()[node as usize],
        }
    }
    /// Indices of a piece's geometry points, both junctions included.
    pub fn piece_points(&self, piece: u32) -> Range<usize> {
        let first = self.piece_first_point();
        first[piece as usize] as usize..first[piece as usize + 1] as usize
    }
    /// A geometry point.
    pub fn point(&self, index: usize) -> Point {
        Point {
            lon_e7: self.point_lon_e7()[index],
            lat_e7: self.point_lat_e7()[index],
        }
    }
    /// Junction an edge starts at.
    pub fn tail(&self, edge: Edge) -> u32 {
        let column = if edge.is_backward() {
            self.piece_to()
        } else {
            self.piece_from()
        };
        column[edge.piece() as usize]
    }
    /// Junction an edge leads to.
    pub fn head(&self, edge: Edge) -> u32 {
        self.tail(edge.reversed())
    }
    /// Whether a motorcycle may ride an edge.
    pub fn access(&self, edge: Edge) -> Access {
        Access::from_code(self.edge_access()[edge.0 as usize]).unwrap_or(Access::Closed)
    }
    /// Kind of road of a piece.
    pub fn class(&self, piece: u32) -> RoadClass {
        RoadClass::from_code(self.piece_class()[piece as usize]).unwrap_or(RoadClass::Path)
    }
    /// Surface of a piece.
    pub fn surface(&self, piece: u32) -> Surface {
        Surface::from_code(self.piece_surface()[piece as usize]).unwrap_or(Surface::Unknown)
    }
    /// Edges of a strand, in riding order: each leaves the junction the one before leads to.
    pub fn strand(&self, strand: usize) -> &[u32] {
        let first = self.strand_first();
        &self.strand_edge()[first[strand] as usize..first[strand + 1] as usize]
    }
    /// Number of strands.
    pub fn strand_count(&self) -> usize {
        self.strand_first().len() - 1
    }
    /// Length of a piece, metres.
    pub fn length_m(&self, piece: u32) -> f64 {
        f64::from(self.piece_length_mm()[piece as usize]) / 1000.0
    }
    /// Bends of a piece in the order of its geometry; between them it is as good as straight.
    pub fn bends(&self, piece: u32) -> impl DoubleEndedIterator<Item = Bend> + '_ {
        let first = self.piece_first_bend();
        (first[piece as usize] as usize..first[piece as usize + 1] as usize).map(|i| Bend {
            from_m: f64::from(self.bend_from_dm()[i]) / 10.0,
            length_m: f64::from(self.bend_length_dm()[i]) / 10.0,
            turn_rad: f64::from(self.bend_turn_mrad()[i]) / 1000.0,
        })
    }
    /// Conditional tags `(key, value)` of a piece.
    pub fn conditions(&self, piece: u32) -> impl Iterator<Item = (&str, &str)> {
        let rows = self.condition_piece();
        let from = rows.partition_point(|&p| p < piece);
        (from..rows.len())
            .take_while(move |&i| rows[i] == piece)
            .map(|i| {
                (
                    self.string(self.condition_key()[i]),
                    self.string(self.condition_value()[i]),
                )
            })
    }
}
