//! The panel: stranger routers, each a way of weighing the same roads unlike ours.
//!
//! No router here is anybody's product. They span what routers are known to count: time by signs
//! or by kind of road, length, fuel, fondness of large roads, fear of turns, and whether turn
//! bans and access are heeded at all. Every one has noisy copies, whose edges are disturbed by a
//! share fixed by a seed. A rider adds more from TOML, see docs/handover.md.

use region::{Access, Edge, Region, RoadClass, flag, node_flag, turn_flag};
use serde::{Deserialize, Serialize};
use thiserror::Error;
use xxhash_rust::xxh3::xxh3_64;

use super::net::{CLOSED, Costs, Net, Searches};
use crate::speed::Clock;

/// Why a text is no panel.
#[derive(Debug, Error)]
pub enum PanelError {
    /// Not TOML, or not of this shape.
    #[error("the panel file cannot be read: {0}")]
    Shape(String),
    /// A number out of its range.
    #[error("router {router:?}: {what} must lie within {least} and {most}")]
    Range {
        /// Name of the router.
        router: String,
        /// What is out of range.
        what: &'static str,
        /// Lowest sensible value.
        least: f64,
        /// Highest sensible value.
        most: f64,
    },
    /// No routers at all, or more than fit.
    #[error("a panel has 1 to {MOST_ROUTERS} routers, this one has {0}")]
    Count(usize),
}

/// Most routers a panel may have.
pub const MOST_ROUTERS: usize = 64;

/// Most that points may be asked to be apart, metres.
pub const MOST_SPACING_M: f64 = 20_000.0;

/// What a router counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Counts {
    /// Riding time.
    Time,
    /// Length.
    Length,
    /// Fuel: least at some 60 km/h, more uphill.
    Fuel,
}

/// One stranger.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Router {
    /// Shown in reports.
    pub name: String,
    /// What it counts.
    pub counts: Counts,
    /// Speeds by kind of road, km/h, in the order of [`RoadClass`]: motorway, trunk, primary,
    /// secondary, tertiary, unclassified, residential, living street, service, track, path, ferry.
    pub speed_kmh: [f64; 12],
    /// Known speed limits take the place of the table's speeds.
    pub limits: bool,
    /// Bends and surface slow it as they slow us.
    pub bends: bool,
    /// Times the cost, by kind of road in the same order: above 1 avoids, below 1 seeks.
    pub factor: [f64; 12],
    /// Times the cost on unpaved roads.
    pub unpaved: f64,
    /// Seconds for a turn by a right angle; sharper ones twice that.
    pub turn_s: f64,
    /// Seconds more for a turn across oncoming traffic.
    pub across_s: f64,
    /// Seconds at signals.
    pub signals_s: f64,
    /// Heeds turn bans and pays for turns; otherwise it turns as it likes.
    pub turns: bool,
    /// Passes points in the direction of the line; otherwise it arrives and sets out either way.
    pub course: bool,
    /// Heeds closed, private and restricted roads.
    pub access: bool,
    /// Every edge is disturbed by up to this share, 0..=0.5.
    pub noise: f64,
    /// Which disturbance.
    pub seed: u64,
}

/// Speeds one would post by kind of road.
const BY_KIND_KMH: [f64; 12] = [
    110.0, 90.0, 75.0, 65.0, 55.0, 45.0, 30.0, 10.0, 15.0, 12.0, 8.0, 15.0,
];

impl Default for Router {
    fn default() -> Self {
        Router {
            name: String::new(),
            counts: Counts::Time,
            speed_kmh: BY_KIND_KMH,
            limits: false,
            bends: false,
            factor: [1.0; 12],
            unpaved: 1.0,
            turn_s: 0.0,
            across_s: 0.0,
            signals_s: 0.0,
            turns: true,
            course: false,
            access: true,
            noise: 0.0,
            seed: 0,
        }
    }
}

/// A set of routers that must agree.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Panel {
    /// In order of report.
    #[serde(rename = "router")]
    pub routers: Vec<Router>,
}

impl Default for Panel {
    fn default() -> Self {
        Panel::built_in(&models(), 0.2, 1)
    }
}

impl Panel {
    /// Each model, plain and with noise; of those that heed turns the disturbed ones do not, and
    /// the other way round.
    pub fn built_in(models: &[Router], noise: f64, seed: u64) -> Self {
        let mut routers = models.to_vec();
        for (n, model) in models.iter().enumerate() {
            routers.push(Router {
                name: format!("{}, disturbed", model.name),
                noise,
                seed: seed + n as u64,
                turns: !model.turns,
                course: !model.turns,
                ..model.clone()
            });
        }
        Panel { routers }
    }

    /// Reads a panel, or one router, from TOML.
    pub fn read(toml: &str) -> Result<Self, PanelError> {
        let shape = |e: toml::de::Error| {
            PanelError::Shape(
                e.to_string()
                    .split_whitespace()
                    .collect::<Vec<_>>()
                    .join(" "),
            )
        };
        let panel: Panel = match toml.contains("[[router]]") {
            true => toml::from_str(toml).map_err(shape)?,
            false => Panel {
                routers: vec![toml::from_str(toml).map_err(shape)?],
            },
        };
        if panel.routers.is_empty() || panel.routers.len() > MOST_ROUTERS {
            return Err(PanelError::Count(panel.routers.len()));
        }
        panel.routers.iter().try_for_each(check)?;
        Ok(panel)
    }
}

fn check(router: &Router) -> Result<(), PanelError> {
    let within = |what, values: &[f64], least: f64, most: f64| match values
        .iter()
        .all(|v| (least..=most).contains(v))
    {
        true => Ok(()),
        false => Err(PanelError::Range {
            router: router.name.clone(),
            what,
            least,
            most,
        }),
    };
    within("speed_kmh", &router.speed_kmh, 1.0, 300.0)?;
    within("factor", &router.factor, 0.05, 100.0)?;
    within("unpaved", &[router.unpaved], 0.05, 100.0)?;
    let seconds = [router.turn_s, router.across_s, router.signals_s];
    within("turn_s, across_s, signals_s", &seconds, 0.0, 600.0)?;
    within("noise", &[router.noise], 0.0, 0.5)
}

/// The cost models every installation has.
pub fn models() -> Vec<Router> {
    let plain = |name: &str| Router {
        name: name.into(),
        ..Router::default()
    };
    let mut models = vec![
        Router {
            limits: true,
            speed_kmh: [
                120.0, 100.0, 90.0, 85.0, 75.0, 55.0, 40.0, 12.0, 20.0, 20.0, 10.0, 15.0,
            ],
            turns: false,
            ..plain("quickest by the limits")
        },
        Router {
            turn_s: 4.0,
            across_s: 2.0,
            ..plain("quickest by kind of road")
        },
        Router {
            counts: Counts::Length,
            turns: false,
            ..plain("shortest")
        },
        Router {
            limits: true,
            factor: [12.0, 1.5, 1.0, 1.0, 1.0, 1.0, 1.0, 1.2, 1.3, 1.5, 2.0, 1.0],
            ..plain("off the motorways")
        },
        Router {
            factor: [0.6, 0.7, 0.8, 0.9, 1.1, 1.6, 1.8, 2.5, 2.5, 3.0, 4.0, 1.0],
            turn_s: 8.0,
            ..plain("along the large roads")
        },
        Router {
            counts: Counts::Fuel,
            limits: true,
            turns: false,
            ..plain("sparing fuel")
        },
        Router {
            speed_kmh: [
                80.0, 75.0, 65.0, 55.0, 45.0, 30.0, 20.0, 6.0, 8.0, 6.0, 5.0, 15.0,
            ],
            unpaved: 2.0,
            turn_s: 20.0,
            across_s: 10.0,
            signals_s: 15.0,
            ..plain("heavy, shy of turns")
        },
        Router {
            bends: true,
            limits: true,
            turn_s: 5.0,
            across_s: 3.0,
            signals_s: 10.0,
            ..plain("slowed by bends")
        },
        Router {
            turns: false,
            access: false,
            limits: true,
            speed_kmh: [
                110.0, 100.0, 80.0, 70.0, 60.0, 50.0, 45.0, 25.0, 30.0, 25.0, 15.0, 15.0,
            ],
            ..plain("quickest, no rules")
        },
        Router {
            counts: Counts::Length,
            turns: false,
            access: false,
            ..plain("shortest, no rules")
        },
    ];
    for model in &mut models {
        model.course = model.turns;
    }
    models
}

/// Entering a road that is not open to all costs more than any way round; counted per unit of
/// [`entry`](Costs::entry).
const ENTRY: u32 = 10_000_000;

/// Bits of a turn's kind: two for the angle, then these, then two for entries.
const ACROSS: u8 = 1 << 2;
const SIGNALS: u8 = 1 << 3;
const ENTRY_SHIFT: u8 = 4;

/// The roads of a region as the routers see them.
#[derive(Debug)]
pub struct Roads {
    /// With turn bans and access.
    pub strict: Net,
    /// Every turn allowed.
    pub lax: Net,
    /// Scratch memory of searches on `strict`.
    pub strict_searches: Searches,
    /// The same on `lax`.
    pub lax_searches: Searches,
}

impl Roads {
    /// O(turns of the region).
    pub fn new(region: &Region) -> Self {
        let edges = region.edge_count() as usize;
        let mut kinds = Vec::with_capacity(region.turn_head().len());
        for state in 0..region.state_count() {
            let from = Edge(region.state_edge()[state as usize]);
            for arc in crate::cost::arcs(region, state) {
                let a = arc as usize;
                let to = Edge(region.state_edge()[region.turn_head()[a] as usize]);
                let (angle, flags) = (region.turn_angle_deg()[a], region.turn_flags()[a]);
                kinds.push(turn_kind(region, from, to, angle, flags));
            }
        }
        let strict = Net::new(
            edges,
            region.state_edge().to_vec(),
            region.turn_first_out().to_vec(),
            region.turn_head().to_vec(),
            kinds,
        );
        let (mut first, mut head, mut kinds) = (vec![0u32], Vec::new(), Vec::new());
        for e in 0..region.edge_count() {
            let edge = Edge(e);
            let n = region.head(edge) as usize;
            let leaving = region.node_first_edge()[n]..region.node_first_edge()[n + 1];
            // Where one may turn round, a line may have done so.
            let mut arcs = crate::cost::arcs(region, e);
            if arcs.any(|arc| region.turn_head()[arc as usize] == e ^ 1) {
                head.push(e ^ 1);
                kinds.push(0);
            }
            for i in leaving {
                let next = region.node_edge()[i as usize];
                if next != e ^ 1 && region.access(Edge(next)) != Access::WrongWay {
                    head.push(next);
                    let kind = turn_kind(region, edge, Edge(next), 0, 0);
                    kinds.push(kind >> ENTRY_SHIFT << ENTRY_SHIFT);
                }
            }
            first.push(head.len() as u32);
        }
        let mut lax = Net::new(edges, (0..edges as u32).collect(), first, head, kinds);
        lax.free = true;
        Roads {
            strict,
            lax,
            strict_searches: Searches::default(),
            lax_searches: Searches::default(),
        }
    }

    /// Scratch memory for searches on the net a router rides on.
    pub fn searches(&self, router: &Router) -> &Searches {
        if router.turns {
            &self.strict_searches
        } else {
            &self.lax_searches
        }
    }

    /// The net a router rides on.
    pub fn net(&self, router: &Router) -> &Net {
        if router.turns {
            &self.strict
        } else {
            &self.lax
        }
    }
}

fn turn_kind(region: &Region, from: Edge, to: Edge, angle_deg: i16, flags: u8) -> u8 {
    let n = region.head(from) as usize;
    let junction = region.node_first_edge()[n + 1] - region.node_first_edge()[n] > 2;
    let mut kind = match angle_deg.unsigned_abs() {
        _ if flags & turn_flag::U_TURN != 0 => 3,
        _ if !junction => 0,
        a if a < 35 => 0,
        a if a < 120 => 1,
        _ => 2,
    };
    let across = match region.meta().drives_left {
        true => angle_deg > 45,
        false => angle_deg < -45,
    };
    if across && junction {
        kind |= ACROSS;
    }
    if region.node_flags()[n] & node_flag::SIGNALS != 0 {
        kind |= SIGNALS;
    }
    let (a, b) = (region.access(from), region.access(to));
    let is_path = |e: Edge| region.class(e.piece()) == RoadClass::Path;
    let entries = if b == Access::Private && a != Access::Private {
        2
    } else {
        let enters = flags & turn_flag::ENTERS_RESTRICTED != 0
            || (a == Access::Open && b != Access::Open)
            || (is_path(to) && !is_path(from));
        u8::from(enters)
    };
    kind | entries << ENTRY_SHIFT
}

/// What a router pays on a region. A cost of 1 is 10 ms, 0.1 m or 1 µl of fuel. O(edges).
pub fn costs_of(region: &Region, clock: &Clock, router: &Router) -> Costs {
    let edge = (0..region.edge_count())
        .map(|e| edge_cost(region, clock, router, Edge(e)))
        .collect();
    let (mut turn, mut entry) = (Vec::new(), Vec::new());
    for kind in 0..1u8 << (ENTRY_SHIFT + 2) {
        let mut seconds = match kind & 3 {
            0 => 0.0,
            1 => router.turn_s,
            2 => 2.0 * router.turn_s,
            _ => 2.0 * router.turn_s + 15.0,
        };
        if kind & ACROSS != 0 {
            seconds += router.across_s;
        }
        if kind & SIGNALS != 0 {
            seconds += router.signals_s;
        }
        let per_s = match router.counts {
            Counts::Time => 100.0,
            Counts::Length => 100.0,
            Counts::Fuel => 400.0,
        };
        turn.push((seconds * per_s) as u32);
        entry.push(u32::from(kind >> ENTRY_SHIFT) * ENTRY * u32::from(router.access));
    }
    Costs { edge, turn, entry }
}

fn edge_cost(region: &Region, clock: &Clock, router: &Router, edge: Edge) -> u32 {
    let piece = edge.piece();
    let p = piece as usize;
    let access = region.access(edge);
    let closed = match router.access {
        true => access > Access::Unverified || !clock.edge_s(edge).is_finite(),
        false => access == Access::WrongWay,
    };
    if closed {
        return CLOSED;
    }
    let class = region.class(piece);
    let kind = class as usize;
    let length_m = region.length_m(piece).max(0.1);
    let mut speed_kmh = router.speed_kmh[kind];
    let limit = region.edge_limit_kmh()[edge.0 as usize];
    if router.limits && limit != 0 && limit != region::NO_LIMIT_KMH {
        speed_kmh = f64::from(limit);
    }
    let slow = flag::ROUNDABOUT | flag::LINK;
    if region.piece_flags()[p] & slow != 0 {
        speed_kmh = speed_kmh.min(60.0);
    }
    let mut seconds = length_m / (speed_kmh / 3.6);
    if class == RoadClass::Ferry {
        seconds = f64::from(region.piece_crossing_s()[p]).max(seconds) + 600.0;
    }
    if router.bends && clock.edge_s(edge).is_finite() {
        seconds = seconds.max(clock.edge_s(edge));
    }
    let mut cost = match router.counts {
        Counts::Time => seconds * 100.0,
        Counts::Length => length_m * 10.0,
        Counts::Fuel => {
            // Litres per 100 km: rolling, idling, air (common practice for a touring machine);
            // ten metres of climb cost as much as a hundred metres of level road.
            let v = (length_m / seconds * 3.6).max(3.0);
            let per_100_km = 1.6 + 60.0 / v + 2.2e-4 * v * v;
            let climb_m = f64::from(region.edge_climb_dm()[edge.0 as usize]) / 10.0;
            (length_m + 10.0 * climb_m) * per_100_km * 10.0
        }
    };
    cost *= router.factor[kind];
    if region.surface(piece).paved() == Some(false) {
        cost *= router.unpaved;
    }
    if router.noise > 0.0 {
        let mut seed = router.seed.to_le_bytes().to_vec();
        seed.extend(region.piece_way()[p].to_le_bytes());
        seed.extend(edge.0.to_le_bytes());
        let share = xxh3_64(&seed) as f64 / u64::MAX as f64;
        cost *= 1.0 + router.noise * (2.0 * share - 1.0);
    }
    (cost.round() as u32).clamp(1, ENTRY)
}

/// How points are chosen.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// How much dearer every other way must be, thousandths.
    pub margin_permille: u32,
    /// Points stand at the safest place of their window; otherwise as late as possible.
    pub safest: bool,
    /// Points stand at least so far from each other where the line can be held so, metres.
    pub spacing_m: f64,
    /// The routers that must agree.
    pub panel: Panel,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            margin_permille: 50,
            safest: true,
            spacing_m: 0.0,
            panel: Panel::default(),
        }
    }
}

/// A panel made ready for a region.
#[derive(Debug)]
pub struct Kit {
    /// What the routers ride on.
    pub roads: std::sync::Arc<Roads>,
    /// The routers.
    pub panel: Panel,
    /// What each pays.
    pub costs: Vec<Costs>,
}

impl Kit {
    /// Weighs the region for every router. O(edges × routers).
    pub fn new(region: &Region, clock: &Clock, roads: std::sync::Arc<Roads>, panel: Panel) -> Self {
        let costs = panel.routers.iter();
        Kit {
            costs: costs.map(|r| costs_of(region, clock, r)).collect(),
            roads,
            panel,
        }
    }
}
