//! How rewarding a road is to ride, from its geometry, its tags and the ground around it, by
//! published measures where they exist (`docs/rating.md`); every rating says why.
//!
//! ```text
//! columns -> roads (strands joined by name) -> sums in a window along the road -> measures
//!         -> judge -> virtues of each piece -> stretches
//! ```
//!
//! Measures are taken in a window that moves along the road, never on a piece by itself: so it does
//! not matter where ways are split or side roads join.

mod judge;
mod roads;
mod stretches;

use std::ops::Range;
use std::sync::OnceLock;

use region::{Bounds, Edge, Point, Region};
use serde::{Deserialize, Serialize};

use judge::Sums;
use roads::Roads;
use stretches::{Name, Run};

/// Half the length of the window, metres: what a rider has in mind of the road, some half minute.
const WINDOW_M: f32 = 300.0;
/// Distance between windows on long pieces, metres.
const STEP_M: f32 = 100.0;
/// Most windows on one piece.
const MOST_STEPS: f32 = 256.0;

/// What a road has to offer, each 0.0 (nothing) to 1.0 (the best one finds).
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Virtues {
    /// Curves worth leaning into, left and right.
    pub bends: f32,
    /// Climb, and relief of the ground around; 0 where no heights are known.
    pub hills: f32,
    /// Away from towns and through traffic.
    pub quiet: f32,
    /// Water, woods, open country, relief.
    pub surroundings: f32,
    /// Ridden without stops and hard braking.
    pub flow: f32,
}

impl Virtues {
    /// One number for a rider without special wishes, 0.0..=1.0: bends count half, and the rest is
    /// what makes them a ride or a nuisance. Hills have no part, as heights are not known
    /// everywhere; relief speaks through the surroundings.
    pub fn total(&self) -> f32 {
        0.5 * self.bends + 0.2 * self.flow + 0.15 * self.quiet + 0.15 * self.surroundings
    }

    fn to_bytes(self) -> [u8; 5] {
        let Virtues {
            bends,
            hills,
            quiet,
            surroundings,
            flow,
        } = self;
        [bends, hills, quiet, surroundings, flow].map(|v| (v * 255.0).round() as u8)
    }

    fn from_bytes(bytes: [u8; 5]) -> Self {
        let [bends, hills, quiet, surroundings, flow] = bytes.map(|v| f32::from(v) / 255.0);
        Virtues {
            bends,
            hills,
            quiet,
            surroundings,
            flow,
        }
    }

    fn add(&mut self, more: &Virtues, share: f32) {
        self.bends += more.bends * share;
        self.hills += more.hills * share;
        self.quiet += more.quiet * share;
        self.surroundings += more.surroundings * share;
        self.flow += more.flow * share;
    }
}

/// The numbers behind a rating. Shares are 0.0..=1.0 of the length.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Measures {
    /// Length they were taken over, metres.
    pub length_m: f64,
    /// Bend rate, degrees per kilometre, one curve's share capped.
    pub bend_deg_per_km: f32,
    /// Share ridden leaning 8 to 30 degrees, at a brisk pace within the limit.
    pub lean_share: f32,
    /// The same, leans under 15 degrees counting less.
    pub lean_worth: f32,
    /// Changes between left and right curves per kilometre.
    pub changes_per_km: f32,
    /// Places per kilometre where the operating speed changes by more than 20 km/h.
    pub breaks_per_km: f32,
    /// Junctions with other roads per kilometre.
    pub junctions_per_km: f32,
    /// Signals, gates and other things that make one stop, per kilometre.
    pub stops_per_km: f32,
    /// Share in built-up places.
    pub built_up_share: f32,
    /// Share beside water.
    pub water_share: f32,
    /// Share in wood.
    pub wood_share: f32,
    /// Share in open country.
    pub open_share: f32,
    /// Share known to be paved.
    pub paved_share: f32,
    /// Share known to be unpaved.
    pub unpaved_share: f32,
    /// Range of heights within a kilometre, metres; `null` unknown.
    pub relief_m: Option<f32>,
    /// Mean gradient, up or down, percent; 0 where no heights are known.
    pub grade_percent: f32,
    /// How little through traffic that kind of road carries, 0.0..=1.0.
    pub calm: f32,
}

/// Why a road is rated so.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Why {
    /// Plain words and numbers, parts divided by semicolons.
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
    /// A pass, or the road and the places it leads between.
    pub name: String,
    /// What the name leaves unsaid: the road of a pass; may be empty.
    pub detail: String,
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
    /// A pass, or the road and the places it leads between.
    pub name: String,
    /// What the name leaves unsaid: the road of a pass; may be empty.
    pub detail: String,
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

/// The ratings of all roads of a region: some 20 bytes a piece.
#[derive(Debug)]
pub struct Ratings {
    roads: Roads,
    /// [P] Virtues, in 1/255.
    virtues: Vec<[u8; 5]>,
    /// [P] Stretch each piece belongs to, `NONE` if none.
    stretch: Vec<u32>,
    runs: Vec<Run>,
    names: OnceLock<Vec<Name>>,
}

const NONE: u32 = u32::MAX;

impl Ratings {
    /// Rates every piece and finds the stretches. O(pieces).
    pub fn new(region: &Region) -> Self {
        let roads = Roads::new(region);
        let mut ratings = Ratings {
            virtues: rate(region, &roads),
            stretch: vec![NONE; region.piece_count() as usize],
            runs: Vec::new(),
            names: OnceLock::new(),
            roads,
        };
        ratings.runs = stretches::find(region, &ratings.roads, &|piece| {
            ratings.virtues(piece).total()
        });
        for (id, run) in ratings.runs.iter().enumerate() {
            for place in run.places.clone() {
                let piece = ratings.roads.edge(place as usize).piece();
                ratings.stretch[piece as usize] = id as u32;
            }
        }
        ratings
    }

    /// Virtues of a piece; none for one that is not in the region.
    pub fn virtues(&self, piece: u32) -> Virtues {
        let bytes = self.virtues.get(piece as usize).copied();
        Virtues::from_bytes(bytes.unwrap_or_default())
    }

    /// Why a piece is rated as it is: the numbers of its window, on the region it was rated on.
    pub fn why(&self, region: &Region, piece: u32) -> Why {
        if piece >= region.piece_count() {
            return Why::default();
        }
        let start_m = self.roads.start_m(self.roads.place(piece));
        let end_m = start_m + region.length_m(piece) as f32;
        let road = self.roads.places_around(piece);
        let mut sums = Sums::default();
        for place in road {
            let from_m = self.roads.start_m(place);
            let length_m = region.length_m(self.roads.edge(place).piece()) as f32;
            let part_m =
                (end_m + WINDOW_M).min(from_m + length_m) - (start_m - WINDOW_M).max(from_m);
            if part_m > 0.0 {
                judge::add(
                    &mut sums,
                    &sums_at(region, &self.roads, place),
                    part_m / length_m,
                );
            }
        }
        explain(judge::measures(&sums, WINDOW_M), self.virtues(piece))
    }

    /// Number of stretches; their ids are those below.
    pub fn stretch_count(&self) -> u32 {
        self.runs.len() as u32
    }

    /// The stretch a piece belongs to.
    pub fn stretch_of(&self, piece: u32) -> Option<u32> {
        self.stretch
            .get(piece as usize)
            .copied()
            .filter(|&id| id != NONE)
    }

    /// A stretch in one line.
    pub fn stretch_name(&self, region: &Region, id: u32) -> Option<StretchName> {
        let run = self.runs.get(id as usize)?;
        let Name { name, detail } = self.name(region, id)?.clone();
        let total = self.mean(region, run).total();
        Some(StretchName {
            id,
            name,
            detail,
            length_m: run.length_m,
            total,
        })
    }

    /// A place half way along a stretch.
    pub fn stretch_middle(&self, region: &Region, id: u32) -> Option<Point> {
        let places = self.runs.get(id as usize)?.places.clone();
        let edge = self.roads.edge((places.start + places.end) as usize / 2);
        Some(region.node_point(region.tail(edge)))
    }

    /// A stretch by its number, with its line.
    pub fn stretch(&self, region: &Region, id: u32) -> Option<Stretch> {
        let run = self.runs.get(id as usize)?;
        let mut stretch = self.describe(region, id, run);
        for edge in self.edges(run) {
            let points = region.piece_points(edge.piece());
            let mut line: Vec<usize> = points.collect();
            if edge.is_backward() {
                line.reverse();
            }
            let skip = usize::from(!stretch.lat.is_empty());
            for point in line.into_iter().skip(skip).map(|i| region.point(i)) {
                stretch.lat.push(point.lat());
                stretch.lon.push(point.lon());
            }
        }
        Some(stretch)
    }

    /// Stretches that touch a box, best first, without their lines.
    pub fn stretches(&self, region: &Region, bounds: Bounds, limit: usize) -> Vec<Stretch> {
        let meets = |b: &Bounds| {
            b.west_e7 <= bounds.east_e7
                && b.east_e7 >= bounds.west_e7
                && b.south_e7 <= bounds.north_e7
                && b.north_e7 >= bounds.south_e7
        };
        let mut found: Vec<(f32, u32)> = (0u32..)
            .zip(&self.runs)
            .filter(|(_, run)| meets(&run.bounds))
            .map(|(id, run)| (self.weight(region, run), id))
            .collect();
        found.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        found.truncate(limit);
        let described = found
            .into_iter()
            .map(|(_, id)| self.describe(region, id, &self.runs[id as usize]));
        described.collect()
    }

    /// How much of a find a stretch is: its rating, and more for a longer one.
    fn weight(&self, region: &Region, run: &Run) -> f32 {
        let length_m = run.length_m as f32;
        self.mean(region, run).total() * length_m / (length_m + 2000.0)
    }

    fn edges(&self, run: &Run) -> impl Iterator<Item = Edge> + Clone {
        run.places
            .clone()
            .map(|place| self.roads.edge(place as usize))
    }

    fn mean(&self, region: &Region, run: &Run) -> Virtues {
        let mut mean = Virtues::default();
        for edge in self.edges(run) {
            let share = region.length_m(edge.piece()) / run.length_m;
            mean.add(&self.virtues(edge.piece()), share as f32);
        }
        mean
    }

    fn name(&self, region: &Region, id: u32) -> Option<&Name> {
        let names = self.names.get_or_init(|| {
            let runs = (0u32..).zip(&self.runs);
            runs.map(|(id, run)| stretches::name(region, self, id, run))
                .collect()
        });
        names.get(id as usize)
    }

    fn describe(&self, region: &Region, id: u32, run: &Run) -> Stretch {
        let Name { name, detail } = self.name(region, id).cloned().unwrap_or_default();
        let virtues = self.mean(region, run);
        let mut sums = Sums::default();
        for place in run.places.clone() {
            judge::add(
                &mut sums,
                &sums_at(region, &self.roads, place as usize),
                1.0,
            );
        }
        let b = run.bounds;
        Stretch {
            id,
            name,
            detail,
            length_m: run.length_m,
            bounds_deg: [b.west_e7, b.south_e7, b.east_e7, b.north_e7]
                .map(|e7| f64::from(e7) / 1e7),
            pieces: self.edges(run).map(Edge::piece).collect(),
            lat: Vec::new(),
            lon: Vec::new(),
            virtues,
            total: virtues.total(),
            why: explain(judge::measures(&sums, WINDOW_M), virtues),
        }
    }
}

/// Sums of a piece at its place in a road; the junctions at its ends count half, the other half
/// being its neighbours'.
fn sums_at(region: &Region, roads: &Roads, place: usize) -> Sums {
    let edge = roads.edge(place);
    let mut sums = judge::piece_sums(region, edge.piece());
    let road = roads.places_around(edge.piece());
    let neighbour =
        |other: Option<usize>| other.filter(|o| road.contains(o)).map(|o| roads.edge(o));
    for (node, on) in [
        (region.tail(edge), neighbour(place.checked_sub(1))),
        (region.head(edge), neighbour(place.checked_add(1))),
    ] {
        judge::add(
            &mut sums,
            &judge::junction_sums(region, node, [Some(edge), on]),
            0.5,
        );
    }
    sums
}

/// Virtues of every piece: the mean over windows at equal distances along it.
fn rate(region: &Region, roads: &Roads) -> Vec<[u8; 5]> {
    let mut rated = vec![[0; 5]; region.piece_count() as usize];
    // Sums from the beginning of the road to each place and to its end.
    let mut before: Vec<Sums> = Vec::new();
    for road in 0..roads.len() {
        let places = roads.places(road);
        before.clear();
        before.push(Sums::default());
        for place in places.clone() {
            let mut sums = before[before.len() - 1];
            judge::add(&mut sums, &sums_at(region, roads, place), 1.0);
            before.push(sums);
        }
        let line = Line {
            region,
            roads,
            before: &before,
            places: places.clone(),
        };
        let (mut low, mut high) = (places.start, places.start);
        for place in places {
            let piece = roads.edge(place).piece();
            let length_m = region.length_m(piece) as f32;
            let steps = (length_m / STEP_M).ceil().clamp(1.0, MOST_STEPS);
            let mut mean = Virtues::default();
            for step in 0..steps as u32 {
                let at_m = roads.start_m(place) + (step as f32 + 0.5) / steps * length_m;
                let (from, to) = (
                    line.sums(at_m - WINDOW_M, &mut low),
                    line.sums(at_m + WINDOW_M, &mut high),
                );
                let mut window = to;
                judge::add(&mut window, &from, -1.0);
                mean.add(
                    &judge::judge(&judge::measures(&window, WINDOW_M)),
                    1.0 / steps,
                );
            }
            rated[piece as usize] = mean.to_bytes();
        }
    }
    rated
}

/// One road, asked for its sums in ascending order.
struct Line<'a> {
    region: &'a Region,
    roads: &'a Roads,
    before: &'a [Sums],
    places: Range<usize>,
}

impl Line<'_> {
    /// Sums from the beginning of the road to a place in metres; `place` moves on with it.
    fn sums(&self, at_m: f32, place: &mut usize) -> Sums {
        while *place + 1 < self.places.end && self.roads.start_m(*place + 1) <= at_m {
            *place += 1;
        }
        let length_m = self.region.length_m(self.roads.edge(*place).piece()) as f32;
        let share = ((at_m - self.roads.start_m(*place)) / length_m).clamp(0.0, 1.0);
        let i = *place - self.places.start;
        let mut sums = self.before[i];
        for (sum, next) in sums.iter_mut().zip(&self.before[i + 1]) {
            *sum += (next - *sum) * share;
        }
        sums
    }
}

fn explain(measures: Measures, virtues: Virtues) -> Why {
    Why {
        text: words(&measures),
        virtues,
        total: virtues.total(),
        measures,
    }
}

/// What the numbers say, in plain words.
fn words(m: &Measures) -> String {
    let percent = |share: f32| (share * 100.0).round();
    let times = |count: f32, one: &str, more: &str| match count {
        c if c < 0.95 => format!("{c:.1} {more}"),
        c if c < 1.5 => format!("1 {one}"),
        c => format!("{c:.0} {more}"),
    };
    let mut parts = vec![
        format!(
            "bends {:.0} deg/km over {:.1} km",
            m.bend_deg_per_km,
            m.length_m / 1000.0
        ),
        format!(
            "{} % of the way leaning 8 to 30 degrees",
            percent(m.lean_share)
        ),
    ];
    if m.changes_per_km >= 0.05 {
        parts.push(format!(
            "left and right change {} a km",
            times(m.changes_per_km, "time", "times")
        ));
    }
    if m.breaks_per_km >= 0.05 {
        parts.push(format!(
            "{} a km",
            times(
                m.breaks_per_km,
                "hard change of speed",
                "hard changes of speed"
            )
        ));
    }
    parts.push(match m.junctions_per_km >= 0.05 {
        true => format!(
            "{} per km",
            times(m.junctions_per_km, "junction", "junctions")
        ),
        false => "no junctions".into(),
    });
    if m.stops_per_km >= 0.05 {
        parts.push(format!(
            "{} per km",
            times(m.stops_per_km, "forced stop", "forced stops")
        ));
    }
    match m.relief_m {
        Some(relief_m) => parts.push(format!(
            "{:.1} % mean gradient, {relief_m:.0} m between valley and hill within a kilometre",
            m.grade_percent
        )),
        None => parts.push("heights unknown".into()),
    }
    for (share, before, after) in [
        (m.built_up_share, "", " in built-up places"),
        (m.water_share, "water beside ", ""),
        (m.wood_share, "", " in wood"),
        (m.open_share, "", " in open country"),
        (m.unpaved_share, "", " unpaved"),
        (
            1.0 - m.paved_share - m.unpaved_share,
            "surface not mapped on ",
            "",
        ),
    ] {
        if share >= 0.05 {
            parts.push(format!("{before}{} %{after}", percent(share)));
        }
    }
    parts.join("; ")
}
