//! How long riding takes: one truth for the weights of the search and the clock of the plan.
//!
//! Every curve and every straight has a highest speed, the lowest of what its radius, the road, the
//! surface and the law allow; the rider brakes and gathers speed between them
//! ([`profile`]), and [`Clock`] has the seconds of every edge of a region. Where a published
//! relation exists it is used and named; numbers marked *common practice* are ours and may be
//! edited.

use region::{
    Edge, NO_LIMIT_KMH, RADIUS_BAND_M, Region, RoadClass, Smoothness, Surface, flag, node_flag,
    turn_flag,
};

mod clock;
pub mod profile;

pub use clock::Clock;

/// Speed of hand-drawn legs, km/h; a drawn line says nothing of the ground (common practice).
pub const FREE_KMH: f64 = 25.0;
/// Waiting before a ferry leaves, seconds (common practice; no timetable is known).
pub const FERRY_WAIT_S: f64 = 15.0 * 60.0;
/// Speed of a ferry whose crossing time is not mapped, km/h: some 10 knots (common practice).
pub const FERRY_KMH: f64 = 18.0;
/// Lean an ordinary rider does not exceed in nine curves of ten, degrees (BASt, TU Darmstadt:
/// half of all roll angles under 15°, three quarters under 25°).
pub const LEAN_DEG: f64 = 20.0;
/// Lean on loose ground as a share of that on pavement (common practice).
const LOOSE_LEAN: f64 = 0.6;
/// The same at an ordinary rider's lean, degrees.
pub(crate) const LOOSE_LEAN_DEG: f64 = LOOSE_LEAN * LEAN_DEG;
/// The 85th percentile of speeds to the median: 2^(1/4) (TD 9/93).
pub(crate) const V85_TO_MEDIAN: f64 = 1.189_207_115;
/// A steady rider's mean in open country and in towns, as a share of the limit (common practice).
const SHARE_OF_LIMIT: f64 = 0.95;
const SHARE_OF_LIMIT_IN_TOWN: f64 = 0.8;
/// Highest speed a town is ridden at where the limit would allow more, km/h (common practice).
const TOWN_KMH: f64 = 45.0;

/// How somebody rides.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Manner {
    /// Lean not exceeded in curves, degrees: at most [`Manner::MOST_LEAN_DEG`].
    pub lean_deg: f64,
    /// Speed compared with an ordinary rider's, 1 the same.
    pub pace: f64,
}

impl Manner {
    /// No plan leans further, degrees.
    pub const MOST_LEAN_DEG: f64 = 30.0;

    /// A number for each manner that makes a difference: tenths of a degree and hundredths of pace.
    pub fn key(self) -> u32 {
        let part = |v: f64| v.round().clamp(0.0, 9999.0) as u32;
        part(self.lean_deg * 10.0) * 10_000 + part(self.pace * 100.0)
    }
}

impl Default for Manner {
    /// The ordinary rider.
    fn default() -> Self {
        Manner {
            lean_deg: LEAN_DEG,
            pace: 1.0,
        }
    }
}

/// What of a road decides its speed in one direction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conditions {
    /// Kind of road.
    pub class: RoadClass,
    /// Slip road, roundabout, dual carriageway: bits of [`flag`].
    pub flags: u32,
    /// Surface, unknown allowed.
    pub surface: Surface,
    /// Smoothness, unknown allowed.
    pub smoothness: Smoothness,
    /// `tracktype` 1..=5, 0 unknown.
    pub tracktype: u8,
    /// Legal limit, km/h; `None` unknown or none set.
    pub limit_kmh: Option<f64>,
    /// Degrees of turning per kilometre.
    pub bend_deg_per_km: f64,
    /// Rise over run in the direction of travel.
    pub grade: f64,
}

/// Highest speed through a curve of `radius_m`, km/h, on dry pavement.
///
/// From 100 m up the 85th percentile of FHWA-RD-99-171 for the grade, as recalled in the project's
/// checks; below, where relations in 1/R fail, the speed at the rider's lean, `v² = g R tan θ`, which
/// is never exceeded. Recorded motorcycle rides have about this speed as their 85th percentile,
/// and their median is what braking and gathering speed leave of it (checks 2d).
pub fn curve_speed_kmh(radius_m: f64, grade: f64, lean_deg: f64) -> f64 {
    let leaning = lean_speed_kmh(radius_m, lean_deg.min(Manner::MOST_LEAN_DEG));
    if radius_m < 100.0 {
        return leaning;
    }
    let (a, b) = match grade {
        g if g < -0.04 => (102.10, 3077.13),
        g if g < 0.0 => (105.98, 3709.90),
        g if g < 0.04 => (104.82, 3574.51),
        _ => (96.61, 2752.19),
    };
    (a - b / radius_m).min(leaning)
}

/// Speed at which a motorcycle leans by `lean_deg` in a curve of `radius_m`, km/h.
pub fn lean_speed_kmh(radius_m: f64, lean_deg: f64) -> f64 {
    3.6 * (9.80665 * radius_m.max(0.0) * lean_deg.to_radians().tan()).sqrt()
}

/// Median speed on the straighter parts of a road of that kind and bend rate, km/h, without
/// regard to law and surface.
///
/// Two-lane roads by TD 9/93: `110 - Lc - Ac`, `Ac = 12 - VISI/60 + 2B/45`,
/// `log10 VISI = 2.46 + VW/25 - B/400`, verge `VW` 1.5 m, B the bend rate in deg/km. The layout
/// constant `Lc` is published for primary (21) and secondary (26) roads and continued by common
/// practice for lesser ones; dual carriageways lose `B/10`.
pub fn open_speed_kmh(class: RoadClass, flags: u32, bend_deg_per_km: f64) -> f64 {
    let bend = bend_deg_per_km.clamp(0.0, 800.0);
    if flags & (flag::ROUNDABOUT | flag::LINK) != 0 {
        return if class <= RoadClass::Trunk {
            55.0
        } else {
            35.0
        };
    }
    let visibility_m = 10f64.powf(2.46 + 1.5 / 25.0 - bend / 400.0);
    let two_lane = |lc: f64| 110.0 - lc - (12.0 - visibility_m / 60.0 + 2.0 * bend / 45.0);
    let speed = match class {
        RoadClass::Motorway => 110.0 - bend / 10.0,
        RoadClass::Trunk if flags & flag::DUAL != 0 => 100.0 - bend / 10.0,
        RoadClass::Trunk => two_lane(19.0),
        RoadClass::Primary => two_lane(21.0),
        RoadClass::Secondary => two_lane(26.0),
        RoadClass::Tertiary => two_lane(33.0),
        RoadClass::Unclassified => two_lane(42.0),
        RoadClass::Residential => 35.0,
        RoadClass::LivingStreet => 12.0,
        RoadClass::Service => 18.0,
        RoadClass::Track => 35.0,
        RoadClass::Path => 15.0,
        RoadClass::Ferry => FERRY_KMH,
    };
    speed.max(12.0)
}

/// Speed the ground allows, km/h; `None` where nothing is known against riding fast, 0 where
/// nothing can pass. Values are common practice; the lowest of surface, smoothness and track
/// type counts.
pub fn surface_speed_kmh(
    class: RoadClass,
    surface: Surface,
    smoothness: Smoothness,
    tracktype: u8,
) -> Option<f64> {
    let by_surface = match surface {
        Surface::PavingStones => Some(50.0),
        Surface::Cobbles | Surface::Deck => Some(40.0),
        Surface::Compacted => Some(55.0),
        Surface::FineGravel => Some(50.0),
        Surface::Gravel | Surface::Unpaved => Some(40.0),
        Surface::Earth => Some(32.0),
        Surface::Rock => Some(20.0),
        Surface::Sand | Surface::Mud | Surface::Ice => Some(15.0),
        Surface::Unknown if class == RoadClass::Track && tracktype == 0 => Some(30.0),
        _ => None,
    };
    let by_smoothness = match smoothness {
        Smoothness::Intermediate => Some(70.0),
        Smoothness::Bad => Some(40.0),
        Smoothness::VeryBad => Some(25.0),
        Smoothness::Horrible => Some(15.0),
        Smoothness::VeryHorrible => Some(8.0),
        Smoothness::Impassable => Some(0.0),
        _ => None,
    };
    let by_tracktype = match tracktype {
        1 => Some(60.0),
        2 => Some(45.0),
        3 => Some(35.0),
        4 => Some(25.0),
        5 => Some(15.0),
        _ => None,
    };
    [by_surface, by_smoothness, by_tracktype]
        .into_iter()
        .flatten()
        .min_by(f64::total_cmp)
}

/// What a road's conditions make of the speed, whatever the curve.
pub(crate) struct Caps {
    grade: f64,
    manner: Manner,
    /// Lean on this ground, degrees.
    lean_deg: f64,
    /// Speed where no curve counts, before the grade, km/h.
    open_kmh: f64,
    /// Share that a steep grade leaves.
    steep: f64,
    /// Speed the ground or a town allows, km/h.
    ground_kmh: f64,
    /// Speed the law allows, km/h.
    law_kmh: f64,
}

impl Caps {
    pub fn new(c: &Conditions, in_town: bool, manner: Manner) -> Self {
        let is_loose =
            c.surface.paved() == Some(false) || (c.class == RoadClass::Track && c.tracktype > 1);
        let lean_deg = manner.lean_deg.min(Manner::MOST_LEAN_DEG);
        let ground = surface_speed_kmh(c.class, c.surface, c.smoothness, c.tracktype);
        let town = if in_town { TOWN_KMH } else { f64::INFINITY };
        let share = if in_town {
            SHARE_OF_LIMIT_IN_TOWN
        } else {
            SHARE_OF_LIMIT
        };
        Caps {
            grade: c.grade,
            manner,
            lean_deg: if is_loose {
                LOOSE_LEAN * lean_deg
            } else {
                lean_deg
            },
            open_kmh: open_speed_kmh(c.class, c.flags, c.bend_deg_per_km),
            // Steeper than a tenth either way, first gears and brakes set the pace (common
            // practice).
            steep: 1.0 - 2.0 * (c.grade.abs() - 0.10).clamp(0.0, 0.15),
            ground_kmh: ground.unwrap_or(f64::INFINITY).min(town),
            law_kmh: c.limit_kmh.map_or(f64::INFINITY, |limit| {
                limit * (share * manner.pace).min(1.0)
            }),
        }
    }

    /// Highest speed on a curve of `radius_m`, or on what is straight, km/h; 0 where nothing can
    /// pass. Never above the limit, nor leaning further than the manner allows.
    pub fn at(&self, radius_m: Option<f64>) -> f64 {
        let mut speed = self.open_kmh;
        let mut leaning = f64::INFINITY;
        if let Some(radius_m) = radius_m {
            leaning = lean_speed_kmh(radius_m, self.lean_deg);
            speed = speed.min(curve_speed_kmh(radius_m, self.grade, self.lean_deg));
        }
        let speed = (speed * self.steep).min(self.ground_kmh) * self.manner.pace;
        speed.min(leaning).min(self.law_kmh)
    }
}

/// Speed an ordinary rider has in one radius band (see [`RADIUS_BAND_M`]; the last is straight),
/// km/h.
pub fn band_speed_kmh(c: &Conditions, band: usize, in_town: bool) -> f64 {
    Caps::new(c, in_town, Manner::default()).at(band_radius_m(band))
}

/// A radius that stands for a band: the geometric mean of its ends; `None` for straight.
pub(crate) fn band_radius_m(band: usize) -> Option<f64> {
    let upper = *RADIUS_BAND_M.get(band)?;
    let lower = if band == 0 {
        6.0
    } else {
        RADIUS_BAND_M[band - 1]
    };
    Some((lower * upper).sqrt())
}

/// The conditions of an edge.
pub fn conditions(region: &Region, edge: Edge) -> Conditions {
    let piece = edge.piece();
    let p = piece as usize;
    let limit = region.edge_limit_kmh()[edge.0 as usize];
    let climb = |e: Edge| f64::from(region.edge_climb_dm()[e.0 as usize]) / 10.0;
    let length_m = region.length_m(piece).max(1.0);
    Conditions {
        class: region.class(piece),
        flags: region.piece_flags()[p],
        surface: region.surface(piece),
        smoothness: Smoothness::from_code(region.piece_smoothness()[p])
            .unwrap_or(Smoothness::Unknown),
        tracktype: region.piece_tracktype()[p],
        limit_kmh: (limit != 0 && limit != NO_LIMIT_KMH).then(|| f64::from(limit)),
        bend_deg_per_km: f64::from(region.piece_bend_deg_per_km()[p]),
        // Short pieces inherit steps of the height data; no road is steeper than this.
        grade: ((climb(edge) - climb(edge.reversed())) / length_m).clamp(-0.3, 0.3),
    }
}

/// Seconds lost in turning from one edge into the next: slowing for the angle, giving way,
/// crossing oncoming traffic, waiting at signals, booths, borders and ferries. Common practice.
pub fn turn_s(region: &Region, from: Edge, to: Edge, angle_deg: i16, flags: u8) -> f64 {
    let node = region.head(from);
    let n = node as usize;
    let (class, next) = (region.class(from.piece()), region.class(to.piece()));
    if next == RoadClass::Ferry {
        return if class == RoadClass::Ferry {
            0.0
        } else {
            FERRY_WAIT_S
        };
    }
    let signs = region.node_flags()[n];
    let mut seconds = 0.0;
    for (bit, wait_s) in [
        (node_flag::SIGNALS, 10.0),
        (node_flag::STOP, 2.0),
        (node_flag::GATE, 20.0),
        (node_flag::TOLL_BOOTH, 20.0),
        (node_flag::BORDER, 30.0),
        (node_flag::FORD, 10.0),
    ] {
        if signs & bit != 0 {
            seconds += wait_s;
        }
    }
    if flags & turn_flag::U_TURN != 0 {
        return seconds + 15.0;
    }
    let edges = region.node_first_edge()[n]..region.node_first_edge()[n + 1];
    if edges.len() < 3 {
        return seconds;
    }
    let angle = f64::from(angle_deg);
    seconds += match angle.abs() {
        a if a < 30.0 => 0.0,
        a if a < 60.0 => 2.0,
        a if a < 120.0 => 5.0,
        _ => 7.0,
    };
    let roundabout = |e: Edge| region.piece_flags()[e.piece() as usize] & flag::ROUNDABOUT != 0;
    if roundabout(from) {
        return seconds;
    }
    let across = if region.meta().drives_left {
        angle > 45.0
    } else {
        angle < -45.0
    };
    let best = edges
        .map(|i| region.class(region.node_edge()[i as usize] / 2))
        .filter(|&c| c != RoadClass::Ferry)
        .min()
        .unwrap_or(class);
    if roundabout(to) || class > best {
        seconds += 4.0;
    } else if across {
        seconds += 3.0;
    }
    seconds
}
