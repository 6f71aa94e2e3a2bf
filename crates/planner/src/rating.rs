//! How rewarding a road is to ride, from its geometry and tags; every rating says why.

use region::{Bounds, RADIUS_BANDS, Region, RoadClass, flag, node_flag};
use serde::{Deserialize, Serialize};

use crate::speed::{band_radius_m, lean_speed_kmh};

/// What a road has to offer, each 0.0 (nothing) to 1.0 (the best one finds).
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Virtues {
    /// Curves worth leaning into.
    pub bends: f32,
    /// Climb and relief around.
    pub hills: f32,
    /// Away from towns and through traffic.
    pub quiet: f32,
    /// Water, woods, open country.
    pub surroundings: f32,
    /// Ridden without stops and hard braking.
    pub flow: f32,
}

impl Virtues {
    /// One number for a rider without special wishes, 0.0..=1.0: bends count half, the rest
    /// shares the other half.
    pub fn total(&self) -> f32 {
        0.5 * self.bends
            + 0.15 * self.flow
            + 0.15 * self.quiet
            + 0.1 * self.hills
            + 0.1 * self.surroundings
    }
}

/// The numbers behind a rating. Shares are 0.0..=1.0 of the length.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Measures {
    /// Length, metres.
    pub length_m: f64,
    /// Bend rate, degrees per kilometre.
    pub bend_deg_per_km: f32,
    /// Share ridden at a pleasant lean, 8 to 30 degrees.
    pub lean_share: f32,
    /// Changes between left and right curves per kilometre.
    pub changes_per_km: f32,
    /// Places per kilometre where the speed changes hard.
    pub breaks_per_km: f32,
    /// Junctions per kilometre.
    pub junctions_per_km: f32,
    /// Signals and other things that make one stop, per kilometre.
    pub stops_per_km: f32,
    /// Share in built-up places.
    pub built_up_share: f32,
    /// Share beside water.
    pub water_share: f32,
    /// Share in wood.
    pub wood_share: f32,
    /// Share in open country.
    pub open_share: f32,
    /// Height range of the ground around, metres; 0 unknown.
    pub relief_m: f32,
    /// Mean gradient either way, percent; 0 unknown.
    pub grade_percent: f32,
}

/// Why a road is rated so.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Why {
    /// One sentence in plain words and numbers.
    pub text: String,
    /// The virtues.
    pub virtues: Virtues,
    /// The virtues in one number, 0.0..=1.0.
    pub total: f32,
    /// The numbers they come from.
    pub measures: Measures,
}

/// A stretch in one line.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct StretchName {
    /// Number within the region as it is now imported.
    pub id: u32,
    /// A pass, a road, the places it leads between.
    pub name: String,
    /// Length, metres.
    pub length_m: f64,
    /// The virtues in one number, 0.0..=1.0.
    pub total: f32,
}

/// A rewarding run of road as one thing.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Stretch {
    /// Number within the region as it is now imported.
    pub id: u32,
    /// A pass, a road, the places it leads between.
    pub name: String,
    /// Length, metres.
    pub length_m: f64,
    /// West, south, east, north, degrees.
    pub bounds_deg: [f64; 4],
    /// Its pieces, in order.
    pub pieces: Vec<u32>,
    /// Its line, degrees north; empty in lists.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lat: Vec<f64>,
    /// Its line, degrees east; empty in lists.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lon: Vec<f64>,
    /// Its virtues.
    pub virtues: Virtues,
    /// The virtues in one number, 0.0..=1.0.
    pub total: f32,
    /// Why it is rated so.
    pub why: Why,
}

/// The ratings of all roads of a region.
#[derive(Debug)]
pub struct Ratings {
    virtues: Vec<[u8; 5]>,
}

impl Ratings {
    /// Rates every piece. O(pieces).
    pub fn new(region: &Region) -> Self {
        let rate = |piece| {
            let v = judge(&measure(region, piece), region.class(piece));
            [v.bends, v.hills, v.quiet, v.surroundings, v.flow].map(|x| (x * 255.0).round() as u8)
        };
        Ratings {
            virtues: (0..region.piece_count()).map(rate).collect(),
        }
    }

    /// Virtues of a piece.
    pub fn virtues(&self, piece: u32) -> Virtues {
        let row = self.virtues.get(piece as usize).copied();
        let [bends, hills, quiet, surroundings, flow] =
            row.unwrap_or_default().map(|x| f32::from(x) / 255.0);
        Virtues {
            bends,
            hills,
            quiet,
            surroundings,
            flow,
        }
    }

    /// Why a piece is rated as it is.
    pub fn why(&self, region: &Region, piece: u32) -> Why {
        let measures = measure(region, piece);
        let virtues = self.virtues(piece);
        Why {
            text: words(&measures),
            virtues,
            total: virtues.total(),
            measures,
        }
    }

    /// The stretch a piece belongs to.
    pub fn stretch_of(&self, _piece: u32) -> Option<u32> {
        None
    }

    /// Stretches that touch a box, best first, without their lines.
    pub fn stretches(&self, _region: &Region, _bounds: Bounds, _limit: usize) -> Vec<Stretch> {
        Vec::new()
    }

    /// A stretch by its number, with its line.
    pub fn stretch(&self, _region: &Region, _id: u32) -> Option<Stretch> {
        None
    }
}

fn measure(region: &Region, piece: u32) -> Measures {
    let p = piece as usize;
    let length_m = region.length_m(piece);
    let km = (length_m / 1000.0).max(0.1) as f32;
    let limit = region.edge_limit_kmh()[2 * p];
    let limit_kmh = match limit {
        0 | region::NO_LIMIT_KMH => 100.0,
        kmh => f64::from(kmh),
    };
    let shares = &region.piece_radius_share()[p * RADIUS_BANDS..(p + 1) * RADIUS_BANDS];
    let leaning = |band: usize| {
        band_radius_m(band).is_some_and(|radius_m| {
            let kmh = lean_speed_kmh(radius_m, 20.0).min(limit_kmh);
            let lean = ((kmh / 3.6).powi(2) / (9.80665 * radius_m)).atan();
            (8.0..=30.0).contains(&lean.to_degrees())
        })
    };
    let leans: u32 = (0..RADIUS_BANDS)
        .filter(|&b| leaning(b))
        .map(|b| u32::from(shares[b]))
        .sum();
    let ends = [region.piece_from()[p], region.piece_to()[p]];
    let count = |is: &dyn Fn(usize) -> bool| ends.iter().filter(|&&n| is(n as usize)).count();
    let degree = |n: usize| region.node_first_edge()[n + 1] - region.node_first_edge()[n];
    let flags = region.piece_flags()[p];
    let share = |bit: u32| f32::from(u8::from(flags & bit != 0));
    let climb = |e: usize| f32::from(region.edge_climb_dm()[e]) / 10.0;
    let built_up_share = f32::from(region.piece_built_up()[p]) / 255.0;
    Measures {
        length_m,
        bend_deg_per_km: f32::from(region.piece_bend_deg_per_km()[p]),
        lean_share: leans as f32 / 255.0,
        changes_per_km: 0.0,
        breaks_per_km: 0.0,
        junctions_per_km: count(&|n| degree(n) > 2) as f32 / 2.0 / km,
        stops_per_km: count(&|n| {
            region.node_flags()[n] & (node_flag::SIGNALS | node_flag::STOP) != 0
        }) as f32
            / 2.0
            / km,
        built_up_share,
        water_share: share(flag::BY_WATER),
        wood_share: share(flag::IN_WOOD),
        open_share: (1.0 - share(flag::IN_WOOD) - built_up_share).max(0.0),
        relief_m: 0.0,
        grade_percent: (climb(2 * p) + climb(2 * p + 1)) / (length_m.max(1.0) as f32) * 100.0,
    }
}

fn judge(m: &Measures, class: RoadClass) -> Virtues {
    if class == RoadClass::Ferry {
        return Virtues::default();
    }
    let town = 1.0 - m.built_up_share;
    let traffic = match class {
        RoadClass::Motorway | RoadClass::Trunk => 0.1,
        RoadClass::Primary => 0.5,
        RoadClass::Secondary => 0.8,
        _ => 1.0,
    };
    let steady = 1.0 / (1.0 + 0.1 * m.junctions_per_km + 0.5 * m.stops_per_km);
    Virtues {
        bends: m.lean_share.sqrt() * (m.bend_deg_per_km / 300.0).min(1.0) * town,
        hills: (m.grade_percent / 6.0).min(1.0),
        quiet: traffic * town,
        surroundings: (0.5 * m.water_share + 0.35 * m.wood_share + 0.25 * m.open_share).min(1.0),
        flow: steady * town,
    }
}

fn words(m: &Measures) -> String {
    let percent = |share: f32| (share * 100.0).round();
    let mut text = format!(
        "bends {:.0} deg/km over {:.1} km; {} % of the way leaning 8 to 30 degrees; {:.0} junctions per km",
        m.bend_deg_per_km,
        m.length_m / 1000.0,
        percent(m.lean_share),
        m.junctions_per_km,
    );
    for (share, place) in [
        (m.built_up_share, "in built-up places"),
        (m.water_share, "beside water"),
        (m.wood_share, "in wood"),
    ] {
        if share >= 0.05 {
            text += &format!("; {} % {place}", percent(share));
        }
    }
    text
}
