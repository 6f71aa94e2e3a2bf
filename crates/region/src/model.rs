//! The words a region is written in: kinds of road, surface, access, places, map features.
//! Every enum is one byte in the file; unknown bytes are refused when a region is opened.

use serde::{Deserialize, Serialize};

/// A byte-coded enum: names in snake case, codes fixed for ever within a format version.
macro_rules! byte_enum {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $code:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        #[serde(rename_all = "snake_case")]
        #[repr(u8)]
        pub enum $name { $($(#[$vdoc])* $variant = $code),+ }

        impl $name {
            /// All values, in code order.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The value of a byte from a region file.
            pub fn from_code(code: u8) -> Option<Self> {
                match code { $($code => Some(Self::$variant),)+ _ => None }
            }
        }
    };
}

byte_enum! {
    /// Kind of road, from OSM `highway=*` (links share the class and carry [`flag::LINK`]).
    RoadClass {
        /// `motorway`
        Motorway = 0,
        /// `trunk`
        Trunk = 1,
        /// `primary`
        Primary = 2,
        /// `secondary`
        Secondary = 3,
        /// `tertiary`
        Tertiary = 4,
        /// `unclassified`, `road`
        Unclassified = 5,
        /// `residential`
        Residential = 6,
        /// `living_street`
        LivingStreet = 7,
        /// `service`
        Service = 8,
        /// `track`
        Track = 9,
        /// `path`, `bridleway`, `footway`, ... only where a motorcycle is positively allowed
        Path = 10,
        /// `route=ferry`
        Ferry = 11,
    }
}

byte_enum! {
    /// What the wheels roll on, from OSM `surface=*`; several tags fold into one value.
    Surface {
        /// Not tagged, and nothing safe to assume
        Unknown = 0,
        /// `asphalt`, `chipseal`
        Asphalt = 1,
        /// `concrete`, `concrete:plates`, `concrete:lanes`
        Concrete = 2,
        /// `paved` without more
        Paved = 3,
        /// `paving_stones`, `bricks`
        PavingStones = 4,
        /// `sett`, `cobblestone`, `unhewn_cobblestone`
        Cobbles = 5,
        /// `metal`, `wood` (mostly bridges)
        Deck = 6,
        /// `compacted`
        Compacted = 7,
        /// `fine_gravel`
        FineGravel = 8,
        /// `gravel`, `pebblestone`
        Gravel = 9,
        /// `unpaved` without more
        Unpaved = 10,
        /// `ground`, `dirt`, `earth`, `grass`, `woodchips`
        Earth = 11,
        /// `sand`
        Sand = 12,
        /// `mud`
        Mud = 13,
        /// `rock`, `stone`
        Rock = 14,
        /// `snow`, `ice`, `salt`
        Ice = 15,
    }
}

impl Surface {
    /// `Some(true)` paved, `Some(false)` unpaved, `None` unknown.
    pub fn paved(self) -> Option<bool> {
        match self {
            Surface::Unknown => None,
            s => Some((s as u8) <= Surface::Deck as u8),
        }
    }
}

byte_enum! {
    /// OSM `smoothness=*`.
    Smoothness {
        /// Not tagged
        Unknown = 0,
        /// `excellent`
        Excellent = 1,
        /// `good`
        Good = 2,
        /// `intermediate`
        Intermediate = 3,
        /// `bad`
        Bad = 4,
        /// `very_bad`
        VeryBad = 5,
        /// `horrible`
        Horrible = 6,
        /// `very_horrible`
        VeryHorrible = 7,
        /// `impassable`
        Impassable = 8,
    }
}

byte_enum! {
    /// Whether a motorcycle may ride here in one direction, from the OSM access hierarchy.
    Access {
        /// Open to motorcycles: by tag, or by the ordinary rule of its road class
        Open = 0,
        /// Only to reach something on it (`destination`, `customers`, `delivery`)
        Destination = 1,
        /// Only with a permit
        Permit = 2,
        /// Private
        Private = 3,
        /// No tag says that motors may use this track: shown, never presented as open
        Unverified = 4,
        /// Closed to motorcycles by tag (`no`, `agricultural`, `forestry`, barrier, ...)
        Closed = 5,
        /// Against a one-way
        WrongWay = 6,
    }
}

byte_enum! {
    /// Where a speed limit comes from.
    LimitSource {
        /// Nothing known
        Unknown = 0,
        /// A number in `maxspeed=*`
        Signed = 1,
        /// A zone value such as `XX:rural` or `source:maxspeed`, `maxspeed:type`
        Implicit = 2,
        /// Legal default of the country for this kind of road
        Law = 3,
    }
}

byte_enum! {
    /// What a finder entry is.
    PlaceKind {
        /// `place=city`
        City = 0,
        /// `place=town`
        Town = 1,
        /// `place=village`
        Village = 2,
        /// `place=hamlet`, `isolated_dwelling`, `locality`
        Hamlet = 3,
        /// `place=suburb`, `quarter`, `neighbourhood`
        Suburb = 4,
        /// `mountain_pass=yes`, `natural=saddle` on a road
        Pass = 5,
        /// `natural=peak`, `volcano`
        Peak = 6,
        /// `amenity=fuel`
        Fuel = 7,
        /// `tourism=hotel|motel|guest_house|hostel|chalet|apartment|alpine_hut`
        Lodging = 8,
        /// `tourism=camp_site`, `caravan_site`
        Camping = 9,
        /// `amenity=restaurant|cafe|fast_food|pub|biergarten`
        Food = 10,
        /// `tourism=viewpoint`
        Viewpoint = 11,
        /// `amenity=ferry_terminal`
        FerryTerminal = 12,
        /// A named or numbered road (all its pieces near each other as one entry)
        Road = 13,
        /// `place=island|islet`
        Island = 14,
        /// A named lake or bay
        Water = 15,
    }
}

byte_enum! {
    /// What a map feature is. Areas have closed rings, lines open ones.
    FeatureKind {
        /// Land polygon derived from coastlines (only in regions with a coast)
        Land = 0,
        /// Lakes, riverbanks, reservoirs
        Water = 1,
        /// Rivers and canals (line)
        River = 2,
        /// Streams (line)
        Stream = 3,
        /// `natural=wood`, `landuse=forest`
        Wood = 4,
        /// Built-up: residential, commercial, industrial, retail
        BuiltUp = 5,
        /// Meadow, grass, farmland, orchard, vineyard
        Field = 6,
        /// Bare rock, scree, heath, scrub, glacier-free high ground
        Bare = 7,
        /// `natural=glacier`
        Glacier = 8,
        /// `boundary=administrative`, admin_level 2 (line)
        CountryBorder = 9,
        /// admin_level 4 (line)
        StateBorder = 10,
        /// Railway (line)
        Rail = 11,
        /// Buildings are not kept; sand and beach
        Sand = 12,
        /// Wetland
        Wetland = 13,
        /// Coastline (line), drawn over the edge of land
        Coast = 14,
    }
}

/// Bits of `piece_flags`.
pub mod flag {
    /// `*_link`
    pub const LINK: u32 = 1;
    /// `bridge=*`
    pub const BRIDGE: u32 = 1 << 1;
    /// `tunnel=*`
    pub const TUNNEL: u32 = 1 << 2;
    /// `junction=roundabout|circular`
    pub const ROUNDABOUT: u32 = 1 << 3;
    /// `toll=yes`
    pub const TOLL: u32 = 1 << 4;
    /// A ford on the piece or at one of its ends
    pub const FORD: u32 = 1 << 5;
    /// `seasonal=*`, `winter_road`, `ice_road`
    pub const SEASONAL: u32 = 1 << 6;
    /// Mostly within a built-up area
    pub const BUILT_UP: u32 = 1 << 7;
    /// Has rows in the `condition_*` columns
    pub const CONDITIONAL: u32 = 1 << 8;
    /// `motorroad=yes`
    pub const MOTORROAD: u32 = 1 << 9;
    /// Signals, gate or other thing that stops traffic at the end node `piece_to` or `piece_from`
    pub const GATE: u32 = 1 << 10;
    /// `scenic=yes`
    pub const SCENIC: u32 = 1 << 11;
    /// Two carriageways: a one-way that is not a roundabout or link, with a twin beside it
    pub const DUAL: u32 = 1 << 12;
    /// Passes through wood for the larger part
    pub const IN_WOOD: u32 = 1 << 13;
    /// Water within sight (some 150 m) for the larger part
    pub const BY_WATER: u32 = 1 << 14;
    /// The height of some points is interpolated over a void
    pub const HEIGHT_FILLED: u32 = 1 << 15;
}

/// Bits of `node_flags`.
pub mod node_flag {
    /// Traffic signals
    pub const SIGNALS: u16 = 1;
    /// Stop or give-way sign
    pub const STOP: u16 = 1 << 1;
    /// Gate or lift gate that a motorcycle may pass (may be shut)
    pub const GATE: u16 = 1 << 2;
    /// Barrier a motorcycle may not pass: pieces end here, no turn leads across
    pub const BLOCKED: u16 = 1 << 3;
    /// Toll booth
    pub const TOLL_BOOTH: u16 = 1 << 4;
    /// Ford
    pub const FORD: u16 = 1 << 5;
    /// Mountain pass
    pub const PASS: u16 = 1 << 6;
    /// Border control
    pub const BORDER: u16 = 1 << 7;
}

/// Bits of `turn_flags`.
pub mod turn_flag {
    /// Turning round on the same piece; only where the road ends
    pub const U_TURN: u8 = 1;
    /// Enters a road that is open for destinations only, by permit, or unverified
    pub const ENTERS_RESTRICTED: u8 = 1 << 1;
    /// Has a row in `turn_condition_*`
    pub const CONDITIONAL: u8 = 1 << 2;
}

/// Upper ends, in metres of curve radius, of the bands in `piece_radius_share`; the last band is
/// everything straighter.
pub const RADIUS_BAND_M: [f64; 9] = [12.0, 20.0, 30.0, 50.0, 75.0, 100.0, 150.0, 250.0, 600.0];
/// Number of radius bands.
pub const RADIUS_BANDS: usize = RADIUS_BAND_M.len() + 1;

/// Height of a point that no elevation data covers.
pub const NO_HEIGHT: i32 = i32::MIN;
/// Height of a grid cell that no elevation data covers.
pub const NO_CELL: i16 = i16::MIN;
/// Relief around a piece that no elevation data covers.
pub const NO_RELIEF: u16 = u16::MAX;
/// In `piece_maxspeed_*`: the law sets no limit.
pub const NO_LIMIT_KMH: u8 = 255;

/// A direction of travel along a piece: edge `2 * piece` runs with the geometry,
/// `2 * piece + 1` against it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Edge(pub u32);

impl Edge {
    /// The edge of `piece` in a direction.
    pub fn new(piece: u32, backward: bool) -> Self {
        Edge(piece * 2 + u32::from(backward))
    }
    /// The piece travelled on.
    pub fn piece(self) -> u32 {
        self.0 / 2
    }
    /// Whether travel is against the geometry.
    pub fn is_backward(self) -> bool {
        self.0 & 1 == 1
    }
    /// The same piece the other way.
    pub fn reversed(self) -> Self {
        Edge(self.0 ^ 1)
    }
}

/// A part of a piece that turns evenly.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bend {
    /// Start, metres along the piece.
    pub from_m: f64,
    /// Length, metres.
    pub length_m: f64,
    /// Turning, radians, right positive.
    pub turn_rad: f64,
}

impl Bend {
    /// Radius of the curve, metres.
    pub fn radius_m(&self) -> f64 {
        self.length_m / self.turn_rad.abs().max(1e-9)
    }
}

/// The facts about a region that are not columns.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Meta {
    /// Name given at import.
    pub name: String,
    /// Newest date of the map data, ISO 8601, if the extracts say.
    pub data_date: Option<String>,
    /// File names and sizes the region was made from.
    pub sources: Vec<Source>,
    /// West, south, east, north of roads and places, degrees.
    pub bounds_deg: [f64; 4],
    /// ISO 3166-1 codes of the countries found, most road first.
    pub countries: Vec<String>,
    /// Whether traffic drives on the left (by the first country).
    pub drives_left: bool,
    /// Whether the data is OpenStreetMap's and its attribution must be shown.
    pub attribution: Option<String>,
    /// Grid of heights, if elevation was given.
    pub heights: Option<HeightGrid>,
    /// What the importer wants said: voids filled, relations broken, files without a date.
    pub warnings: Vec<String>,
}

/// One input file.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Source {
    /// File name without its folder.
    pub file: String,
    /// Size in bytes.
    pub bytes: u64,
}

/// Geometry of `height_grid`: row 0 is north, values at cell centres.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct HeightGrid {
    /// Longitude of the first column, degrees.
    pub west_deg: f64,
    /// Latitude of the first row, degrees.
    pub north_deg: f64,
    /// Degrees between columns.
    pub step_lon_deg: f64,
    /// Degrees between rows.
    pub step_lat_deg: f64,
    /// Columns.
    pub columns: u32,
    /// Rows.
    pub rows: u32,
}
