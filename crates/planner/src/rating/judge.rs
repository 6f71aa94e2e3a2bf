//! From what is measured to what it is worth. `docs/rating.md` names the source of each measure.

use std::sync::LazyLock;

use region::{
    Access, Edge, NO_LIMIT_KMH, NO_RELIEF, RADIUS_BANDS, Region, RoadClass, Smoothness, flag,
    node_flag,
};

use super::{Measures, Virtues};
use crate::speed::{
    LEAN_DEG, LOOSE_LEAN_DEG, V85_TO_MEDIAN, band_radius_m, curve_speed_kmh, lean_speed_kmh,
    open_speed_kmh, surface_speed_kmh,
};

/// Lean that counts as leaning at all, degrees (band of the project's checks; ordinary riders stay
/// under 15 in half of all curves and under 30 in nine of ten: BASt, TU Darmstadt).
const LEANING_DEG: std::ops::RangeInclusive<f64> = 8.0..=30.0;
/// Lean from which on a curve is worth all it can be, degrees.
const FULL_LEAN_DEG: f64 = 15.0;

/// No paved road is steeper over a window, percent (common practice).
const STEEPEST_PERCENT: f32 = 25.0;

/// What can be added up along a road.
pub(super) type Sums = [f32; 18];

/// Places in [`Sums`].
mod at {
    pub const LENGTH_M: usize = 0;
    pub const TURN_DEG: usize = 1;
    pub const LEAN_M: usize = 2;
    pub const LEAN_WORTH_M: usize = 3;
    pub const CHANGES: usize = 4;
    pub const BREAKS: usize = 5;
    pub const JUNCTIONS: usize = 6;
    pub const STOPS: usize = 7;
    pub const BUILT_UP_M: usize = 8;
    pub const WATER_M: usize = 9;
    pub const WOOD_M: usize = 10;
    pub const OPEN_M: usize = 11;
    pub const RELIEF_M2: usize = 12;
    pub const RELIEF_KNOWN_M: usize = 13;
    pub const CLIMB_M: usize = 14;
    pub const CALM_M: usize = 15;
    pub const PAVED_M: usize = 16;
    pub const UNPAVED_M: usize = 17;
}

/// What a piece adds, apart from its ends.
pub(super) fn piece_sums(region: &Region, piece: u32) -> Sums {
    let p = piece as usize;
    let mut sums = Sums::default();
    let length_m = region.length_m(piece) as f32;
    let class = region.class(piece);
    let flags = region.piece_flags()[p];
    sums[at::LENGTH_M] = length_m;
    sums[at::CALM_M] = calm(class, flags) * length_m;
    match region.surface(piece).paved() {
        Some(true) => sums[at::PAVED_M] = length_m,
        Some(false) => sums[at::UNPAVED_M] = length_m,
        None => {}
    }
    if class == RoadClass::Ferry {
        return sums;
    }
    let part = |share: u8| f32::from(share) / 255.0 * length_m;
    // The turning of a roundabout is none of the road's.
    if flags & flag::ROUNDABOUT == 0 {
        let [lean, worth] = leaning(region, piece);
        sums[at::LEAN_M] = lean * length_m;
        sums[at::LEAN_WORTH_M] = worth * length_m;
        sums[at::TURN_DEG] = f32::from(region.piece_bend_deg_per_km()[p]) * length_m / 1000.0;
        sums[at::CHANGES] = f32::from(region.piece_changes()[p]);
        sums[at::BREAKS] = f32::from(region.piece_breaks()[p]);
    }
    sums[at::BUILT_UP_M] = part(region.piece_built_up()[p]);
    sums[at::WATER_M] = part(region.piece_water()[p]);
    sums[at::WOOD_M] = part(region.piece_wood()[p]);
    sums[at::OPEN_M] = part(region.piece_open()[p]);
    let relief = region.piece_relief_m()[p];
    if relief != NO_RELIEF {
        sums[at::RELIEF_M2] = f32::from(relief) * length_m;
        sums[at::RELIEF_KNOWN_M] = length_m;
    }
    let climb = region.edge_climb_dm();
    sums[at::CLIMB_M] = (f32::from(climb[2 * p]) + f32::from(climb[2 * p + 1])) / 10.0;
    sums
}

/// What a junction on the way between two pieces adds; `on` leaves it towards either side.
pub(super) fn junction_sums(region: &Region, node: u32, on: [Option<Edge>; 2]) -> Sums {
    let mut sums = Sums::default();
    let n = node as usize;
    let edges = region.node_first_edge()[n] as usize..region.node_first_edge()[n + 1] as usize;
    let is_other = |edge: Edge| on.iter().flatten().all(|o| o.piece() != edge.piece());
    let joins = |edge: Edge| {
        is_other(edge)
            && region.class(edge.piece()) <= RoadClass::LivingStreet
            && [edge, edge.reversed()]
                .map(|e| region.access(e))
                .into_iter()
                .min()
                <= Some(Access::Unverified)
    };
    if region.node_edge()[edges].iter().any(|&e| joins(Edge(e))) {
        sums[at::JUNCTIONS] = 1.0;
    }
    let signs = region.node_flags()[n];
    let halts = node_flag::SIGNALS | node_flag::GATE | node_flag::TOLL_BOOTH | node_flag::BORDER;
    if signs & halts != 0 {
        sums[at::STOPS] = 1.0;
    } else if signs & node_flag::STOP != 0 {
        // It holds up one direction, or the side road.
        sums[at::STOPS] = 0.25;
    }
    sums
}

/// Adds a share of `more`.
pub(super) fn add(sums: &mut Sums, more: &Sums, share: f32) {
    for (sum, m) in sums.iter_mut().zip(more) {
        *sum += m * share;
    }
}

/// How little through traffic a kind of road carries, 0.0..=1.0: no counts are mapped, so the
/// order of the classes stands for them (common practice).
fn calm(class: RoadClass, flags: u32) -> f32 {
    let by_class = match class {
        RoadClass::Motorway => 0.0,
        RoadClass::Trunk => 0.3,
        RoadClass::Primary => 0.5,
        RoadClass::Secondary => 0.75,
        RoadClass::Tertiary => 0.9,
        RoadClass::Residential | RoadClass::LivingStreet | RoadClass::Service => 0.6,
        RoadClass::Unclassified | RoadClass::Track | RoadClass::Path => 1.0,
        RoadClass::Ferry => 0.0,
    };
    if flags & (flag::DUAL | flag::MOTORROAD) != 0 {
        f32::min(by_class, 0.2)
    } else {
        by_class
    }
}

/// Highest speed of the table of leans, km/h.
const TABLE_KMH: usize = 130;

/// Lean of a brisk rider on ground of some grip, by speed allowed and radius band: `[leaning, worth]`.
struct Leans(Vec<[[f32; 2]; RADIUS_BANDS]>);

impl Leans {
    fn new(most_deg: f64) -> Self {
        let row = |kmh: usize| {
            std::array::from_fn(|band| match band_radius_m(band) {
                Some(radius_m) => {
                    let lean_deg = lean_deg(radius_m, kmh as f64, most_deg);
                    let scale = LEAN_DEG / most_deg;
                    let is_leaning = LEANING_DEG.contains(&(lean_deg * scale));
                    [
                        f32::from(u8::from(is_leaning)),
                        lean_worth(lean_deg * scale),
                    ]
                }
                None => [0.0; 2],
            })
        };
        Leans((0..=TABLE_KMH).map(row).collect())
    }
}

static ON_TARMAC: LazyLock<Leans> = LazyLock::new(|| Leans::new(LEAN_DEG));
static ON_LOOSE: LazyLock<Leans> = LazyLock::new(|| Leans::new(LOOSE_LEAN_DEG));

/// Lean in a curve of `radius_m` ridden at what the road allows (`most_kmh`), what riders choose
/// (85th percentile of [`curve_speed_kmh`]) and what the grip allows, whichever is least; degrees.
pub(super) fn lean_deg(radius_m: f64, most_kmh: f64, most_deg: f64) -> f64 {
    let chosen = curve_speed_kmh(radius_m, 0.0, LEAN_DEG);
    let kmh = most_kmh.min(chosen).min(lean_speed_kmh(radius_m, most_deg));
    let tan = (kmh / 3.6).powi(2) / (9.80665 * radius_m);
    tan.atan().to_degrees()
}

/// What a lean is worth, 0.0..=1.0: nothing below 8 degrees, all of it from 15 on.
pub(super) fn lean_worth(lean_deg: f64) -> f32 {
    let least = *LEANING_DEG.start();
    (((lean_deg - least) / (FULL_LEAN_DEG - least)).clamp(0.0, 1.0)) as f32
}

/// Share of a piece's length in a lean, and what that is worth.
fn leaning(region: &Region, piece: u32) -> [f32; 2] {
    let p = piece as usize;
    let shares = &region.piece_radius_share()[p * RADIUS_BANDS..(p + 1) * RADIUS_BANDS];
    let class = region.class(piece);
    let surface = region.surface(piece);
    let tracktype = region.piece_tracktype()[p];
    let smoothness =
        Smoothness::from_code(region.piece_smoothness()[p]).unwrap_or(Smoothness::Unknown);
    let mut most_kmh = CLASS_KMH[class as usize];
    if region.piece_flags()[p] & flag::LINK != 0 {
        most_kmh = most_kmh.min(open_speed_kmh(class, flag::LINK, 0.0));
    }
    if let Some(ground) = surface_speed_kmh(class, surface, smoothness, tracktype) {
        most_kmh = most_kmh.min(ground);
    }
    for limit in [0, 1].map(|side| region.edge_limit_kmh()[2 * p + side]) {
        if limit != 0 && limit != NO_LIMIT_KMH {
            most_kmh = most_kmh.min(f64::from(limit));
        }
    }
    let is_loose = surface.paved() == Some(false) || (class == RoadClass::Track && tracktype > 1);
    let table = if is_loose { &*ON_LOOSE } else { &*ON_TARMAC };
    let row = &table.0[(most_kmh.round() as usize).min(TABLE_KMH)];
    let mut sums = [0.0; 2];
    for (share, here) in shares.iter().zip(row) {
        let share = f32::from(*share) / 255.0;
        sums = [sums[0] + share * here[0], sums[1] + share * here[1]];
    }
    sums
}

/// 85th percentile of speeds on the straights of each kind of road, km/h.
static CLASS_KMH: LazyLock<[f64; 12]> = LazyLock::new(|| {
    std::array::from_fn(|code| {
        let class = RoadClass::from_code(code as u8).unwrap_or(RoadClass::Path);
        open_speed_kmh(class, 0, 0.0) * V85_TO_MEDIAN
    })
});

/// Measures of a road with these sums. What is counted or turned is counted to the kilometre of at
/// least `least_m` metres: a short road is no winding one for a single corner.
pub(super) fn measures(sums: &Sums, least_m: f32) -> Measures {
    let length_m = sums[at::LENGTH_M].max(0.1);
    let share = |i: usize| (sums[i] / length_m).clamp(0.0, 1.0);
    let counted_m = length_m.max(least_m);
    let per_km = |i: usize| sums[i] / counted_m * 1000.0;
    Measures {
        length_m: f64::from(sums[at::LENGTH_M]),
        bend_deg_per_km: per_km(at::TURN_DEG),
        lean_share: (sums[at::LEAN_M] / counted_m).clamp(0.0, 1.0),
        lean_worth: (sums[at::LEAN_WORTH_M] / counted_m).clamp(0.0, 1.0),
        changes_per_km: per_km(at::CHANGES),
        breaks_per_km: per_km(at::BREAKS),
        junctions_per_km: per_km(at::JUNCTIONS),
        stops_per_km: per_km(at::STOPS),
        built_up_share: share(at::BUILT_UP_M),
        water_share: share(at::WATER_M),
        wood_share: share(at::WOOD_M),
        open_share: share(at::OPEN_M),
        paved_share: share(at::PAVED_M),
        unpaved_share: share(at::UNPAVED_M),
        relief_m: (sums[at::RELIEF_KNOWN_M] > 0.0)
            .then(|| sums[at::RELIEF_M2] / sums[at::RELIEF_KNOWN_M]),
        // Coarse heights make cliffs where the road lies in a slope.
        grade_percent: (sums[at::CLIMB_M] / length_m * 100.0).min(STEEPEST_PERCENT),
        calm: share(at::CALM_M),
    }
}

/// Rises from 0 towards 1, at `scale` to 0.63: more is always better, but less and less so.
fn rising(x: f32, scale: f32) -> f32 {
    1.0 - (-x.max(0.0) / scale).exp()
}

/// What these measures are worth.
pub(super) fn judge(m: &Measures) -> Virtues {
    let country = 1.0 - m.built_up_share;
    // Turning alone may be hairpins, leaning alone a long wide curve: both are asked for.
    let curves = (rising(m.bend_deg_per_km, 200.0) * rising(m.lean_worth, 0.3)).sqrt();
    let rhythm = (m.changes_per_km / 3.0).min(1.0);
    let relief = rising(m.relief_m.unwrap_or(0.0), 200.0);
    let climbs = rising(m.grade_percent, 4.0);
    let seen = m.water_share + (1.0 - m.water_share) * (0.6 * m.wood_share + 0.5 * m.open_share);
    let held_up = m.stops_per_km + 0.12 * m.junctions_per_km + 0.08 * m.breaks_per_km;
    Virtues {
        bends: curves * (0.75 + 0.25 * rhythm) * (0.3 + 0.7 * country),
        hills: 1.0 - (1.0 - climbs) * (1.0 - relief),
        quiet: m.calm * country,
        surroundings: 1.0 - (1.0 - seen) * (1.0 - 0.5 * relief),
        flow: (0.4 + 0.6 * country) / (1.0 + held_up),
    }
}
