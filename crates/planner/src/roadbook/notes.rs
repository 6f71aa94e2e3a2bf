//! What lies along a day between its decision points.

use region::{PlaceKind, node_flag};
use serde::{Deserialize, Serialize};

use super::{Decision, Part, clock, junction, road_label};
use crate::Planner;
use crate::assemble::capital;
use crate::day::Draft;
use crate::day::along::{Track, beside};
use crate::day::sheet::RowKind;
use crate::line::{LegLine, metres};
use crate::plan::{Day, Plan, Run};

/// A station this near lies at the road, metres.
const AT_ROAD_M: f64 = 60.0;
/// A change of ground shorter than this is not told, metres.
const SHORT_M: f64 = 100.0;
/// Two notes of fuel nearer than this are one, metres.
const SAME_M: f64 = 150.0;
/// A bend is told when it must be ridden so much slower than the road before, km/h. Lamm,
/// Psarianos and Mailaender 1999 (from memory) call more than 20 km/h poor; only the worst of those
/// are told.
const SLOWER_KMH: f64 = 30.0;
/// A bend turns by at least this much to be told, degrees.
const BEND_DEG: f64 = 50.0;
/// A kilometre as steep as this is told, percent.
const STEEP_PERCENT: f64 = 8.0;

/// Something along the way.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Note {
    /// Metres from the start of the day.
    pub at_m: f64,
    /// Of which kind.
    pub kind: NoteKind,
    /// In plain words.
    pub text: String,
    /// `[lat, lon]`.
    pub at: [f64; 2],
    /// Metres above sea level, if known.
    pub height_m: Option<f32>,
    /// Local time `YYYY-MM-DDTHH:MM`, if the tour has a date.
    pub clock: Option<String>,
}

/// Kinds of notes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NoteKind {
    /// A stop of the tour, a rest, a ferry, a change of clocks.
    Halt,
    /// A station.
    Fuel,
    /// A pass or another landmark.
    Place,
    /// Another ground, a tunnel, a stretch without a road.
    Ground,
    /// One goes straight on where the road one is on does not.
    Straight,
    /// Take care.
    Danger,
}

/// All notes of a day, ascending.
pub(super) fn along(
    planner: &Planner,
    plan: &Plan,
    day: &Day,
    draft: &Draft,
    legs: &[&LegLine],
    parts: &[Part],
    rows: &[Decision],
) -> Vec<Note> {
    let mut notes: Vec<(f64, NoteKind, String)> = Vec::new();
    halts(day, &mut notes);
    fuel(planner, day, draft, &mut notes);
    heights(day, &mut notes);
    ground(plan, day, draft, &mut notes);
    straight_on(planner, parts, rows, &mut notes);
    turning_round(parts, &mut notes);
    bends(planner, &draft.track, parts, rows, &mut notes);
    drawn(legs, &mut notes);
    warnings(plan, draft, &mut notes);
    notes.sort_by(|a, b| a.0.total_cmp(&b.0));
    let length_m = draft.track.length_m();
    notes
        .into_iter()
        .map(|(at_m, kind, text)| {
            let at_m = at_m.clamp(0.0, length_m.max(0.0));
            let riding_s = draft.track.seconds_at(at_m);
            let at = draft.track.place_at(riding_s);
            Note {
                at_m,
                kind,
                text,
                at: [at.lat(), at.lon()],
                height_m: draft.track.height_at(at_m),
                clock: clock(draft, riding_s),
            }
        })
        .collect()
}

type Rough = Vec<(f64, NoteKind, String)>;

fn halts(day: &Day, notes: &mut Rough) {
    for row in &day.sheet.rows {
        let minutes = ((row.to_s - row.from_s) / 60.0).round();
        let named = |what: &str| match row.text.as_str() {
            "" => what.to_owned(),
            name => format!("{what}: {name}"),
        };
        let text = match row.kind {
            RowKind::Halt if minutes > 0.0 => format!("{}, {minutes:.0} min", named("stop")),
            RowKind::Halt => named("stop"),
            RowKind::Pass if !row.text.is_empty() => format!("through {}", row.text),
            RowKind::Rest => format!("about here {minutes:.0} min of rest"),
            RowKind::Ferry => named("ferry"),
            RowKind::Clock => row.text.clone(),
            RowKind::Pass | RowKind::Depart | RowKind::Arrive => continue,
        };
        notes.push((row.km * 1000.0, NoteKind::Halt, text));
    }
}

fn fuel(planner: &Planner, day: &Day, draft: &Draft, notes: &mut Rough) {
    let region = planner.region();
    let mut told: Vec<f64> = Vec::new();
    for stop in &day.sheet.fuel.stops {
        let mut text = format!("refuel {:.0} l", stop.litres.ceil());
        if !stop.name.is_empty() {
            text += &format!(" at {}", stop.name);
        }
        if stop.aside_m > AT_ROAD_M {
            text += &format!(", {} aside", metres(stop.aside_m));
        }
        if stop.open == Some(false) {
            text += ", closed at this hour";
        }
        if let Some(hours) = &stop.hours {
            text += &format!(" ({hours})");
        }
        told.push(stop.km * 1000.0);
        notes.push((stop.km * 1000.0, NoteKind::Fuel, text));
    }
    for station in beside(region, &draft.track, AT_ROAD_M, |k| k == PlaceKind::Fuel) {
        if told.iter().any(|m| (m - station.at_m).abs() < SAME_M) {
            continue;
        }
        told.push(station.at_m);
        let name = region.string(region.place_name()[station.place as usize]);
        let text = match name {
            "" => "station".to_owned(),
            name => format!("station {name}"),
        };
        notes.push((station.at_m, NoteKind::Fuel, text));
    }
}

fn heights(day: &Day, notes: &mut Rough) {
    let heights = &day.sheet.heights;
    for pass in &heights.passes {
        let height = pass
            .height_m
            .map_or(String::new(), |h| format!(", {h:.0} m"));
        notes.push((
            pass.km * 1000.0,
            NoteKind::Place,
            format!("pass {}{height}", pass.name),
        ));
    }
    let steep = |s: &&crate::day::height::Steepest| s.grade_percent.abs() >= STEEP_PERCENT;
    if let Some(s) = heights.steepest.as_ref().filter(steep) {
        let way = if s.grade_percent > 0.0 { "up" } else { "down" };
        let text = format!("a kilometre of {:.0} % {way}", s.grade_percent.abs());
        notes.push((s.from_km * 1000.0, NoteKind::Danger, text));
    }
}

/// Runs of the day as metres from its start.
fn runs<'a>(plan: &'a Plan, day: &'a Day) -> impl Iterator<Item = (f64, f64, &'a Run)> {
    let legs = day.first_point as usize..day.last_point as usize;
    let mut start_m = 0.0;
    plan.legs[legs].iter().flat_map(move |leg| {
        let begins_m = start_m;
        start_m += leg.sums.length_m;
        leg.line.iter().flat_map(move |line| {
            line.runs.iter().map(move |run| {
                let at = |row: u32| line.distance_m.get(row as usize).copied().unwrap_or(0.0);
                (begins_m + at(run.from), begins_m + at(run.to), run)
            })
        })
    })
}

/// Stretches of unpaved ground and tunnels.
fn ground(plan: &Plan, day: &Day, _: &Draft, notes: &mut Rough) {
    let told = |is: &dyn Fn(&Run) -> bool, words: &str, notes: &mut Rough| {
        let mut stretch: Option<(f64, f64)> = None;
        let mut end = |stretch: &mut Option<(f64, f64)>| {
            if let Some((from_m, to_m)) = stretch.take().filter(|s| s.1 - s.0 >= SHORT_M) {
                let text = format!("{words} for {}", metres(to_m - from_m));
                notes.push((from_m, NoteKind::Ground, text));
            }
        };
        for (from_m, to_m, run) in runs(plan, day) {
            match (&mut stretch, is(run)) {
                (Some(s), true) if from_m - s.1 < 1.0 => s.1 = to_m,
                (_, true) => {
                    end(&mut stretch);
                    stretch = Some((from_m, to_m));
                }
                (_, false) => end(&mut stretch),
            }
        }
        end(&mut stretch);
    };
    told(&|run| run.paved == Some(false), "unpaved", notes);
    let tunnel = |run: &Run| run.marks.iter().any(|m| m == "tunnel");
    told(&tunnel, "tunnel", notes);
}

/// Junctions without a row at which the road one is on leaves the way.
fn straight_on(planner: &Planner, parts: &[Part], rows: &[Decision], notes: &mut Rough) {
    let region = planner.region();
    for pair in parts.windows(2) {
        let (before, after) = (&pair[0], &pair[1]);
        let meets = region.head(before.edge) == region.tail(after.edge);
        let has_row = |m: f64| rows.iter().any(|r| (r.at_m - m).abs() <= r.through_m + 1.0);
        if !(after.joined && meets && before.whole[1] && after.whole[0]) || has_row(after.from_m) {
            continue;
        }
        if let Some(turn) = junction::road_leaves(region, before.edge, after.edge) {
            let old = match road_label(region, before.edge.piece()) {
                label if label.is_empty() => "the road".to_owned(),
                label => label,
            };
            let text = match road_label(region, after.edge.piece()) {
                label if label.is_empty() => {
                    format!("straight on where {old} goes {}", turn.words())
                }
                label => format!("straight on to {label}, where {old} goes {}", turn.words()),
            };
            notes.push((after.from_m, NoteKind::Straight, text));
        }
    }
}

/// Where the line turns round on the road, at a stop.
fn turning_round(parts: &[Part], notes: &mut Rough) {
    for pair in parts.windows(2) {
        let (before, after) = (&pair[0], &pair[1]);
        let in_row = before.whole[1] && after.whole[0];
        if after.joined && after.edge == before.edge.reversed() && !in_row {
            notes.push((after.from_m, NoteKind::Halt, "turn round".into()));
        }
    }
}

/// Tight bends after fast stretches.
fn bends(planner: &Planner, track: &Track, parts: &[Part], rows: &[Decision], notes: &mut Rough) {
    let region = planner.region();
    let lean = 20f64.to_radians().tan() * 9.80665;
    let mut last_m = f64::NEG_INFINITY;
    for part in parts {
        let edge_m = region.length_m(part.edge.piece());
        // A part of an edge: what is ridden of it ends or begins where the edge does.
        let skipped_m = match part.whole {
            [true, _] => 0.0,
            [false, _] => (edge_m - (part.to_m - part.from_m)).max(0.0),
        };
        let back = part.edge.is_backward();
        let mut found: Vec<(f64, f64, f64)> = region
            .bends(part.edge.piece())
            .map(|b| {
                let along = if back {
                    edge_m - b.from_m - b.length_m
                } else {
                    b.from_m
                };
                let turn = if back { -b.turn_rad } else { b.turn_rad };
                (
                    part.from_m + along - skipped_m,
                    b.radius_m(),
                    turn.to_degrees(),
                )
            })
            .collect();
        found.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (at_m, radius_m, turn_deg) in found {
            let on_part = at_m >= part.from_m && at_m <= part.to_m && at_m > 300.0;
            if !on_part || turn_deg.abs() < BEND_DEG || at_m - last_m < 100.0 {
                continue;
            }
            let before_s = track.seconds_at(at_m - 100.0) - track.seconds_at(at_m - 300.0);
            let before_kmh = 200.0 / before_s.max(1.0) * 3.6;
            let in_bend_kmh = (lean * radius_m).sqrt() * 3.6;
            let at_row = rows
                .iter()
                .any(|r| at_m > r.at_m - 100.0 && at_m < r.at_m + r.through_m + 300.0);
            if before_kmh - in_bend_kmh > SLOWER_KMH && !at_row {
                last_m = at_m;
                let side = if turn_deg < 0.0 { "left" } else { "right" };
                let text = format!("tight bend to the {side}, radius {radius_m:.0} m");
                notes.push((at_m, NoteKind::Danger, text));
            }
        }
        if region.node_flags()[region.head(part.edge) as usize] & node_flag::BORDER != 0 {
            notes.push((part.to_m, NoteKind::Place, "border".into()));
        }
    }
}

/// Legs that are drawn by hand, or that no road was found for.
fn drawn(legs: &[&LegLine], notes: &mut Rough) {
    let mut start_m = 0.0;
    for leg in legs {
        if leg.way.is_none() && leg.sums.length_m > 0.0 {
            let text = format!(
                "no road on the map for {}: follow the line as drawn",
                metres(leg.sums.length_m)
            );
            notes.push((start_m, NoteKind::Ground, text));
        }
        start_m += leg.sums.length_m;
    }
}

/// Warnings of the plan that concern the ride.
fn warnings(plan: &Plan, draft: &Draft, notes: &mut Rough) {
    const TOLD: [&str; 15] = [
        "unreachable",
        "unverified_access",
        "permit",
        "private",
        "destination",
        "seasonal",
        "conditional",
        "gate",
        "ford",
        "toll",
        "dark",
        "low_sun",
        "small_hours",
        "out_of_fuel",
        "closed_then",
    ];
    let length_m = draft.track.length_m();
    for warning in plan
        .warnings
        .iter()
        .filter(|w| TOLD.contains(&w.kind.as_str()))
    {
        let Some(km) = warning.km else { continue };
        let at_m = km * 1000.0 - draft.start_m;
        let in_day = match warning.leg {
            Some(leg) => (draft.first as u32..draft.last as u32).contains(&leg),
            None => (-0.5..length_m).contains(&at_m),
        };
        if in_day {
            notes.push((at_m, NoteKind::Danger, capital(&warning.text)));
        }
    }
}
