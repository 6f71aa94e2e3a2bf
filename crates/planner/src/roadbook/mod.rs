//! The roadbook: a day's line as decisions, to be read while riding.
//!
//! A row is a *decision point*: a junction at which going straight on is not the way
//! ([`junction`]). What lies between, stops, fuel, dangers, passes, are notes ([`notes`]), not
//! rows. Distances are the line's. Sketches are cut out of the road geometry ([`sketch`]).

mod junction;
mod landmark;
mod notes;
mod sketch;

use std::collections::HashSet;
use std::sync::atomic::AtomicBool;

use region::{Edge, Region, node_flag};
use serde::{Deserialize, Serialize};

use crate::Planner;
use crate::day::{Draft, zone};
use crate::document::Tour;
use crate::line::LegLine;
use crate::plan::{Plan, PlanError};
pub use junction::{Turn, turn_of};
pub use notes::{Note, NoteKind};
pub use sketch::{Sketch, Stroke, StrokeKind};

/// A roadbook per day.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Roadbook {
    /// One for each day of the plan.
    pub days: Vec<RoadbookDay>,
}

/// The roadbook of a day. Metres count from the start of the day.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RoadbookDay {
    /// How one sets out, in a few words.
    pub start: String,
    /// Decision points in riding order.
    pub rows: Vec<Decision>,
    /// What lies along the way, ascending.
    pub notes: Vec<Note>,
    /// Length of the day, as in the plan.
    pub length_m: f64,
}

/// A decision point.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Decision {
    /// From 1 within the day.
    pub number: u32,
    /// Metres from the start of the day; of a roundabout, where it is entered.
    pub at_m: f64,
    /// Metres since the row before, or the start.
    pub partial_m: f64,
    /// Metres through the junction; more than nothing on roundabouts.
    pub through_m: f64,
    /// `[lat, lon]`.
    pub at: [f64; 2],
    /// Metres above sea level, if known.
    pub height_m: Option<f32>,
    /// Local time `YYYY-MM-DDTHH:MM`, if the tour has a date.
    pub clock: Option<String>,
    /// Seconds since departure.
    pub elapsed_s: f64,
    /// Which way.
    pub turn: Turn,
    /// Change of heading, degrees, right positive.
    pub angle_deg: f64,
    /// Exit of a roundabout, from 1 in riding order.
    pub exit: Option<u32>,
    /// What to do, in a few words.
    pub text: String,
    /// What to look for there.
    pub look_for: Vec<String>,
    /// Number of the road one goes on by, may be empty.
    pub number_of_road: String,
    /// Name of the road one goes on by, may be empty.
    pub name_of_road: String,
    /// The junction from above, the way one comes from below.
    pub sketch: Sketch,
}

/// A part of an edge within a day.
#[derive(Clone, Copy, Debug)]
struct Part {
    edge: Edge,
    from_m: f64,
    to_m: f64,
    /// Whether the edge is ridden from its beginning, and to its end.
    whole: [bool; 2],
    /// Whether roads lead here from the part before; not after a leg drawn by hand.
    joined: bool,
}

/// A change of edge nearer than this to the one before is none: a part of no length, metres.
const NO_LENGTH_M: f64 = 0.05;

impl Planner {
    /// Plans a tour and writes its roadbook. Deterministic, as the plan is.
    pub fn roadbook(&self, tour: &Tour) -> Result<(Plan, Roadbook), PlanError> {
        let stop = AtomicBool::new(false);
        let (plan, lines) = self.plan_and_lines(tour, &HashSet::new(), &stop)?;
        let lines: Vec<&LegLine> = lines.iter().map(|line| &**line).collect();
        let drafts = self.drafts(tour, &lines)?;
        let days = plan
            .days
            .iter()
            .zip(&drafts)
            .map(|(day, draft)| {
                let own = &lines[draft.first..draft.last];
                let parts = self.parts(own);
                let rows = self.decisions(draft, &parts);
                let notes = notes::along(self, &plan, day, draft, own, &parts, &rows);
                RoadbookDay {
                    start: start(self.region(), &parts),
                    rows,
                    notes,
                    length_m: day.sums.length_m,
                }
            })
            .collect();
        Ok((plan, Roadbook { days }))
    }

    /// The edges of a day one after another, parts of no length left out, an edge that is ridden
    /// on past a point in one part.
    fn parts(&self, legs: &[&LegLine]) -> Vec<Part> {
        let mut parts: Vec<Part> = Vec::new();
        let (mut start_m, mut joined) = (0.0, false);
        for leg in legs {
            let mut at_m = start_m;
            let last_state = leg.states().len().saturating_sub(1);
            for (i, (&state, &[length_m, _])) in leg.states().iter().zip(&leg.ridden).enumerate() {
                let edge = self.edge(state);
                let to_m = at_m + length_m;
                let edge_m = self.region().length_m(edge.piece());
                let missing = |share: f64| share * edge_m < NO_LENGTH_M;
                let whole = leg.way.as_ref().map_or([true; 2], |way| {
                    [
                        i > 0 || missing(way.from_share),
                        i < last_state || missing(1.0 - way.to_share),
                    ]
                });
                match parts.last_mut() {
                    _ if length_m < NO_LENGTH_M => {}
                    Some(last) if joined && last.edge == edge => {
                        (last.to_m, last.whole[1]) = (to_m, whole[1]);
                    }
                    _ => {
                        parts.push(Part {
                            edge,
                            from_m: at_m,
                            to_m,
                            whole,
                            joined,
                        });
                        joined = true;
                    }
                }
                at_m = to_m;
            }
            start_m += leg.sums.length_m;
            joined &= !leg.states().is_empty();
        }
        parts
    }

    fn decisions(&self, draft: &Draft, parts: &[Part]) -> Vec<Decision> {
        let region = self.region();
        let mut rows: Vec<Decision> = Vec::new();
        let mut i = 1;
        while i < parts.len() {
            let (before, after) = (&parts[i - 1], &parts[i]);
            let meets = region.head(before.edge) == region.tail(after.edge);
            if !(after.joined && meets && before.whole[1] && after.whole[0]) {
                i += 1;
                continue;
            }
            let is_ring = |p: &Part| junction::is_roundabout(region, p.edge.piece());
            let ring = parts[i..].iter().take_while(|p| p.joined && is_ring(p));
            let ring = if is_ring(before) { 0 } else { ring.count() };
            if ring > 0 {
                rows.push(self.roundabout(draft, parts, i, i + ring));
                i += ring + 1;
                continue;
            }
            if let Some(found) = junction::decide(region, before.edge, after.edge) {
                rows.push(self.row(draft, parts, i, &found));
            }
            i += 1;
        }
        let mut last_m = 0.0;
        for (n, row) in rows.iter_mut().enumerate() {
            row.number = n as u32 + 1;
            row.partial_m = row.at_m - last_m;
            last_m = row.at_m;
        }
        rows
    }

    /// The row of a junction between parts `i - 1` and `i`.
    fn row(&self, draft: &Draft, parts: &[Part], i: usize, found: &junction::Found) -> Decision {
        let region = self.region();
        let (before, after) = (parts[i - 1].edge, parts[i].edge);
        let mut look_for = found.kind.iter().map(|k| (*k).to_owned()).collect();
        self.look_for(before, after, &mut look_for);
        let stays = junction::same_road(region, before.piece(), after.piece())
            && !road_label(region, after.piece()).is_empty();
        let mut text = found.turn.words().to_owned();
        if let Some(side) = found.keep {
            text += &format!(", keep {side}");
        }
        if stays && found.turn != Turn::Back {
            text += ", staying on this road";
        }
        self.decision(
            draft,
            parts,
            [i, i],
            found.turn,
            found.angle_deg,
            text,
            look_for,
        )
    }

    /// The row of a roundabout: parts `i..end` lie on its ring.
    fn roundabout(&self, draft: &Draft, parts: &[Part], i: usize, end: usize) -> Decision {
        let region = self.region();
        let before = parts[i - 1].edge;
        let left = parts.get(end).filter(|p| p.joined);
        let mut look_for = vec!["roundabout".to_owned()];
        let Some(after) = left else {
            let text = "into the roundabout".to_owned();
            let angle = junction::angle_deg(region, before, parts[i].edge);
            let turn = turn_of(angle);
            return self.decision(draft, parts, [i, end - 1], turn, angle, text, look_for);
        };
        let exit = parts[i..end]
            .iter()
            .filter(|p| junction::has_exit(region, region.head(p.edge), after.edge))
            .count()
            .max(1) as u32;
        self.look_for(before, after.edge, &mut look_for);
        let (text, turn) = (String::new(), Turn::Straight);
        let mut row = self.decision(draft, parts, [i, end], turn, 0.0, text, look_for);
        // At the ring itself roads are bent aside; what counts is where they come from and go to.
        row.angle_deg = row.sketch.angle_deg().round();
        row.turn = turn_of(row.angle_deg);
        row.text = format!(
            "at the roundabout the {} exit, {}",
            ordinal(exit),
            row.turn.words()
        );
        row.exit = Some(exit);
        row
    }

    #[expect(clippy::too_many_arguments, reason = "all that a row shows")]
    fn decision(
        &self,
        draft: &Draft,
        parts: &[Part],
        [enters, leaves]: [usize; 2],
        turn: Turn,
        angle_deg: f64,
        text: String,
        look_for: Vec<String>,
    ) -> Decision {
        let region = self.region();
        let at_m = parts[enters].from_m;
        let out = parts[leaves].edge;
        let at = region.node_point(region.tail(parts[enters].edge));
        let riding_s = draft.track.seconds_at(at_m);
        let [number, name] = [region.piece_ref(), region.piece_name()]
            .map(|column| region.string(column[out.piece() as usize]));
        Decision {
            number: 0,
            at_m,
            partial_m: 0.0,
            through_m: parts[leaves].from_m - at_m,
            at: [at.lat(), at.lon()],
            height_m: draft.track.height_at(at_m),
            clock: clock(draft, riding_s),
            elapsed_s: draft.elapsed_s(riding_s),
            turn,
            angle_deg: angle_deg.round(),
            exit: None,
            text,
            look_for,
            number_of_road: number.to_owned(),
            name_of_road: if name == number { "" } else { name }.to_owned(),
            sketch: sketch::of(region, &draft.track, parts, [enters, leaves]),
        }
    }

    /// Signs, ground and landmarks at a junction.
    fn look_for(&self, before: Edge, after: Edge, look_for: &mut Vec<String>) {
        let region = self.region();
        let node = region.head(before);
        let flags = region.node_flags()[node as usize];
        for (bit, words) in [
            (node_flag::SIGNALS, "traffic signals"),
            (node_flag::STOP, "stop or give way"),
            (node_flag::GATE, "gate"),
            (node_flag::TOLL_BOOTH, "toll booth"),
            (node_flag::BORDER, "border"),
        ] {
            if flags & bit != 0 {
                look_for.push(words.into());
            }
        }
        let paved = [before, after].map(|e| region.surface(e.piece()).paved());
        match paved {
            [Some(true) | None, Some(false)] => look_for.push("unpaved from here".into()),
            [Some(false), Some(true)] => look_for.push("paved from here".into()),
            _ => {}
        }
        look_for.extend(landmark::near(region, region.node_point(node)));
    }
}

/// Local time at which so much riding is done.
fn clock(draft: &Draft, riding_s: f64) -> Option<String> {
    let at = draft.moment(riding_s)?;
    let place = draft.track.place_at(riding_s);
    Some(zone::stamp(zone::zone_at(place.lat(), place.lon()), at))
}

/// How one sets out.
fn start(region: &Region, parts: &[Part]) -> String {
    let Some(first) = parts.first() else {
        return String::new();
    };
    let heading = junction::heading_deg(region, first.edge);
    let road = road_label(region, first.edge.piece());
    match road.as_str() {
        "" => format!("set out {}", direction(heading)),
        road => format!("set out {} on {road}", direction(heading)),
    }
}

/// Number and name of a road; nothing if it has neither.
fn road_label(region: &Region, piece: u32) -> String {
    let p = piece as usize;
    let [number, name] = [region.piece_ref()[p], region.piece_name()[p]].map(|s| region.string(s));
    match (number, name) {
        ("", name) => name.to_owned(),
        (number, "") => number.to_owned(),
        (number, name) if number == name => number.to_owned(),
        (number, name) => format!("{number} {name}"),
    }
}

/// A heading, degrees clockwise from north, as one of eight words.
fn direction(heading_deg: f64) -> &'static str {
    const WORDS: [&str; 8] = [
        "north",
        "north-east",
        "east",
        "south-east",
        "south",
        "south-west",
        "west",
        "north-west",
    ];
    WORDS[(heading_deg.rem_euclid(360.0) / 45.0).round() as usize % 8]
}

fn ordinal(n: u32) -> String {
    let ending = match (n % 10, n % 100) {
        (_, 11..=13) => "th",
        (1, _) => "st",
        (2, _) => "nd",
        (3, _) => "rd",
        _ => "th",
    };
    format!("{n}{ending}")
}
