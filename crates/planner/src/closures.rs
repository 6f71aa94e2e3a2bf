//! Roads and turns that a date closes or opens: conditional tags of the region, read once, asked for
//! a moment.
//!
//! The region keeps what the plain tags say. Here is what their conditional companions say for the
//! day and hour at which the rider would be there; what they close is left out of the search
//! ([`Closures`]), what they open is ridden like any road.

use std::collections::HashMap;

use chrono::{NaiveDate, NaiveDateTime};
use region::{Access, Edge, Region, flag, turn_flag};
use xxhash_rust::xxh3::Xxh3;

use crate::Planner;
use crate::cost::arcs;
use crate::day::law::{Condition, Conditional, Truth};
use crate::day::{self, zone};
use crate::document::{PointKind, Tour};
use crate::line::LegLine;
use crate::plan::{PlanError, Warning};

/// Keys of access from the most specific to the most general.
const HIERARCHY: [&str; 4] = ["motorcycle", "motor_vehicle", "vehicle", "access"];

/// What a date closes and opens beyond what the region says; sorted.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Closures {
    edges: Vec<u32>,
    turns: Vec<u32>,
    opened: Vec<u32>,
}

impl Closures {
    pub fn is_empty(&self) -> bool {
        self.edges.is_empty() && self.turns.is_empty() && self.opened.is_empty()
    }

    /// Equal for equal closures; 0 for none.
    pub fn key(&self) -> u64 {
        if self.is_empty() {
            return 0;
        }
        let mut hash = Xxh3::new();
        for list in [&self.edges, &self.turns, &self.opened] {
            hash.update(&(list.len() as u64).to_le_bytes());
            list.iter().for_each(|v| hash.update(&v.to_le_bytes()));
        }
        hash.digest()
    }

    /// Edges that are open though the region does not show it, ascending.
    pub fn opened(&self) -> &[u32] {
        &self.opened
    }

    /// Edges that are closed, ascending.
    pub fn edges(&self) -> &[u32] {
        &self.edges
    }

    /// Arcs that are closed, ascending.
    pub fn turns(&self) -> &[u32] {
        &self.turns
    }

    fn close(list: &mut Vec<u32>, id: u32) -> bool {
        match list.binary_search(&id) {
            Ok(_) => false,
            Err(at) => {
                list.insert(at, id);
                true
            }
        }
    }
}

/// What the conditional tags of an edge say for a moment.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Verdict {
    /// Access, if a condition that holds gives one.
    pub access: Option<Access>,
    /// The tag that says so, `key = value`.
    pub by: String,
    /// A condition that nobody can tell beforehand might say otherwise.
    pub is_unsure: bool,
    /// When it is over, if only times count.
    pub until: Option<NaiveDateTime>,
}

/// A conditional tag of a piece.
struct Rule {
    key: u32,
    value: u32,
    /// Place in [`HIERARCHY`].
    rank: usize,
    /// Only along or against the geometry.
    backward: Option<bool>,
}

/// All conditional access of a region, read once.
pub(crate) struct Rules {
    /// Rules of each piece that has any, most specific first.
    by_piece: HashMap<u32, Vec<Rule>>,
    /// Pieces under the same tag.
    pieces: HashMap<(u32, u32), Vec<u32>>,
    values: HashMap<u32, Conditional>,
    turns: HashMap<u32, Condition>,
    /// Edges that are shown as less than open and that a condition may open.
    may_open: Vec<u32>,
}

impl Rules {
    pub fn new(region: &Region) -> Self {
        let mut rules = Rules {
            by_piece: HashMap::new(),
            pieces: HashMap::new(),
            values: HashMap::new(),
            turns: HashMap::new(),
            may_open: Vec::new(),
        };
        let rows = region.condition_piece().iter().zip(region.condition_key());
        for ((&piece, &key), &value) in rows.zip(region.condition_value()) {
            let Some(name) = region.string(key).strip_suffix(":conditional") else {
                continue;
            };
            let mut parts = name.split(':');
            let head = parts.next().unwrap_or("");
            // `vehicle:motorcycle` speaks of motorcycles.
            let mode = parts
                .clone()
                .rfind(|p| HIERARCHY.contains(p))
                .unwrap_or(head);
            let Some(rank) = HIERARCHY.iter().position(|h| *h == mode) else {
                continue;
            };
            if !HIERARCHY.contains(&head) {
                continue;
            }
            let backward = parts.find_map(|p| match p {
                "forward" => Some(false),
                "backward" => Some(true),
                _ => None,
            });
            rules
                .values
                .entry(value)
                .or_insert_with(|| Conditional::read(region.string(value)));
            rules.pieces.entry((key, value)).or_default().push(piece);
            rules.by_piece.entry(piece).or_default().push(Rule {
                key,
                value,
                rank,
                backward,
            });
        }
        for list in rules.by_piece.values_mut() {
            list.sort_by_key(|r| (r.rank, r.backward.is_none()));
        }
        for (&turn, &value) in region
            .turn_condition_turn()
            .iter()
            .zip(region.turn_condition_value())
        {
            let condition = Conditional::condition(region.string(value));
            rules.turns.entry(turn).or_insert(condition);
        }
        rules.may_open = rules
            .by_piece
            .iter()
            .flat_map(|(&piece, list)| {
                let opens = list.iter().any(|rule| {
                    rules.values.get(&rule.value).is_some_and(|tag| {
                        let value = |clause: &(String, _)| access(&clause.0);
                        tag.clauses.iter().any(|c| value(c) == Some(Access::Open))
                    })
                });
                [false, true]
                    .map(|back| Edge::new(piece, back))
                    .into_iter()
                    .filter(move |_| opens)
            })
            .filter(|&edge| {
                (Access::Destination..=Access::Unverified).contains(&region.access(edge))
            })
            .map(|edge| edge.0)
            .collect();
        rules.may_open.sort_unstable();
        rules
    }

    /// What is said for an edge when local clocks show `at`; `None` if nothing concerns it.
    pub fn edge(&self, region: &Region, edge: Edge, at: NaiveDateTime) -> Option<Verdict> {
        if region.piece_flags()[edge.piece() as usize] & flag::CONDITIONAL == 0 {
            return None;
        }
        let list = self.by_piece.get(&edge.piece())?;
        let mut verdict = Verdict {
            access: None,
            by: String::new(),
            is_unsure: false,
            until: None,
        };
        let mut any = false;
        for rule in list {
            if rule.backward.is_some_and(|b| b != edge.is_backward()) {
                continue;
            }
            let Some(tag) = self.values.get(&rule.value) else {
                continue;
            };
            any = true;
            let said = tag.at(at, None);
            verdict.is_unsure |= said.unsure.is_some();
            let Some(access) = said.value.and_then(access) else {
                continue;
            };
            let condition = tag.clauses.get(said.clause).and_then(|c| c.1.as_ref());
            return Some(Verdict {
                access: Some(access),
                by: format!(
                    "{} = {}",
                    region.string(rule.key),
                    region.string(rule.value)
                ),
                until: condition.and_then(|c| c.ends(at)),
                ..verdict
            });
        }
        any.then_some(verdict)
    }

    /// Whether a turn is forbidden when local clocks show `at`; `None` if nothing concerns it.
    pub fn turn(&self, arc: u32, at: NaiveDateTime) -> Option<Truth> {
        Some(self.turns.get(&arc)?.holds(at, None))
    }

    /// The tag of a forbidden turn, and when it is over.
    fn turn_text(&self, region: &Region, arc: u32) -> String {
        let row = region.turn_condition_turn().partition_point(|&t| t < arc);
        let value = region.turn_condition_value().get(row);
        value.map_or(String::new(), |&v| region.string(v).to_owned())
    }

    fn turn_ends(&self, arc: u32, at: NaiveDateTime) -> Option<NaiveDateTime> {
        self.turns.get(&arc)?.ends(at)
    }

    /// Closes an edge, and what is closed with it under the same tag at that moment. Whether it was
    /// open before.
    pub fn close_edge(
        &self,
        region: &Region,
        closures: &mut Closures,
        edge: Edge,
        at: NaiveDateTime,
    ) -> bool {
        if !Closures::close(&mut closures.edges, edge.0) {
            return false;
        }
        let tags = self.by_piece.get(&edge.piece()).into_iter().flatten();
        for piece in tags
            .filter_map(|r| self.pieces.get(&(r.key, r.value)))
            .flatten()
        {
            for edge in [false, true].map(|back| Edge::new(*piece, back)) {
                let verdict = self.edge(region, edge, at);
                if verdict.is_some_and(|v| v.access == Some(Access::Closed)) {
                    Closures::close(&mut closures.edges, edge.0);
                }
            }
        }
        true
    }

    /// Closes a turn. Whether it was open before.
    pub fn close_turn(closures: &mut Closures, arc: u32) -> bool {
        Closures::close(&mut closures.turns, arc)
    }

    /// What is open at all of these moments, and beforehand for sure, though the region does not
    /// show it as open.
    pub fn opened(&self, region: &Region, at: &[NaiveDateTime]) -> Closures {
        let is_open = |&edge: &u32| {
            at.iter().all(|&at| {
                let verdict = self.edge(region, Edge(edge), at);
                verdict.is_some_and(|v| v.access == Some(Access::Open) && !v.is_unsure)
            })
        };
        Closures {
            opened: self.may_open.iter().copied().filter(is_open).collect(),
            ..Closures::default()
        }
    }
}

/// What the dates of a tour close and open, day by day.
#[derive(Default)]
pub(crate) struct DateLaw {
    days: Vec<Closures>,
    /// Day of each leg.
    day_of: Vec<usize>,
    none: Closures,
    found: Vec<Found>,
    /// Leg and metres of what no date settles.
    unsettled: Vec<(usize, f64)>,
    has_date: bool,
    rounds: u32,
}

/// Something closed that the line had to leave.
struct Found {
    leg: u32,
    road: String,
    by: String,
    at: NaiveDateTime,
    until: Option<NaiveDateTime>,
    place: [f64; 2],
    is_turn: bool,
}

/// Ways are searched anew at most this often.
const MOST_ROUNDS: u32 = 12;

impl DateLaw {
    /// What holds on the day of a leg.
    pub fn of_leg(&self, leg: usize) -> &Closures {
        let day = self.day_of.get(leg).copied().unwrap_or(0);
        self.days.get(day).unwrap_or(&self.none)
    }

    /// Whether the same roads are open on the days of two legs.
    pub fn is_same(&self, a: usize, b: usize) -> bool {
        self.of_leg(a) == self.of_leg(b)
    }

    /// Whether the date answers what a note of a leg asks to be checked.
    pub fn settles(&self, leg: usize, kind: &str, from_m: f64, to_m: f64) -> bool {
        let open = |&(l, m): &(usize, f64)| l == leg && m >= from_m - 1.0 && m <= to_m + 1.0;
        self.has_date
            && matches!(kind, "seasonal" | "conditional")
            && !self.unsettled.iter().any(open)
    }

    /// Tells what is closed, and until when.
    pub fn warn(&self, tour: &Tour, is_stuck: impl Fn(u32) -> bool, warnings: &mut Vec<Warning>) {
        let mut told: Vec<(u32, &str, &str)> = Vec::new();
        for f in &self.found {
            let day = self.day_of.get(f.leg as usize).copied().unwrap_or(0);
            if told.contains(&(day as u32, &f.road, &f.by)) {
                continue;
            }
            told.push((day as u32, &f.road, &f.by));
            let what = match (f.is_turn, f.road.is_empty()) {
                (true, _) => "A turn here".to_owned(),
                (false, true) => "A road here".to_owned(),
                (false, false) => f.road.clone(),
            };
            let until = f.until.map_or(String::new(), |t| {
                format!(" It opens on {}.", t.format("%Y-%m-%d at %H:%M"))
            });
            let instead = if is_stuck(f.leg) {
                "No other way is known: choose another date, or draw the leg by hand."
            } else {
                "The line goes another way."
            };
            let on = match tour.depart {
                Some(_) => f.at.format("%Y-%m-%d at %H:%M").to_string(),
                None => String::new(),
            };
            warnings.push(Warning {
                kind: "closed_then".into(),
                text: format!("{what} is closed on {on} ({}).{until} {instead}", f.by),
                leg: Some(f.leg),
                at: Some(f.place),
                ..Warning::default()
            });
        }
    }
}

impl Planner {
    /// What the dates of a tour open, before anything is routed; nothing without a date.
    pub(crate) fn law_of(&self, tour: &Tour) -> Result<DateLaw, PlanError> {
        let mut law = DateLaw::default();
        let Some(depart) = tour.depart.as_deref() else {
            return Ok(law);
        };
        let region = self.region();
        law.has_date = true;
        if region.condition_piece().is_empty() && region.turn_condition_turn().is_empty() {
            return Ok(law);
        }
        let mut date = day::date_time(depart)?.date();
        law.days.push(self.opened_on(date));
        let mut day = 0;
        for point in tour.points.iter().skip(1) {
            law.day_of.push(day);
            if point.ends_day && point.kind == PointKind::Stop {
                date = match point.next_depart.as_deref() {
                    Some(text) if text.contains('T') => day::date_time(text)?.date(),
                    _ => date.succ_opt().unwrap_or(date),
                };
                day += 1;
                law.days.push(self.opened_on(date));
            }
        }
        Ok(law)
    }

    fn opened_on(&self, date: NaiveDate) -> Closures {
        let hours: Vec<NaiveDateTime> = [8, 11, 14, 17]
            .iter()
            .filter_map(|&hour| date.and_hms_opt(hour, 0, 0))
            .collect();
        self.rules().opened(self.region(), &hours)
    }

    /// Closes what the line meets closed at the hour it is there; whether there was anything, so that
    /// another way must be found.
    pub(crate) fn close_met(
        &self,
        tour: &Tour,
        legs: &[&LegLine],
        law: &mut DateLaw,
    ) -> Result<bool, PlanError> {
        let (rules, region) = (self.rules_if_any(), self.region());
        let Some(rules) = rules.filter(|_| law.has_date && law.rounds < MOST_ROUNDS) else {
            return Ok(false);
        };
        law.rounds += 1;
        law.unsettled.clear();
        // Nothing to ask for on most lines.
        let asks = |leg: &LegLine| {
            let mut before: Option<u32> = None;
            leg.states().iter().any(|&state| {
                let piece = self.edge(state).piece() as usize;
                let arc = before.replace(state).and_then(|b| self.arc(b, state));
                region.piece_flags()[piece] & (flag::CONDITIONAL | flag::SEASONAL) != 0
                    || arc.is_some_and(|a| {
                        region.turn_flags()[a as usize] & turn_flag::CONDITIONAL != 0
                    })
            })
        };
        if !legs.iter().any(|leg| asks(leg)) {
            return Ok(false);
        }
        let mut any = false;
        for draft in self.drafts(tour, legs)? {
            let mut leg_m = 0.0;
            let ridden = legs.iter().enumerate().take(draft.last);
            for (leg, line) in ridden.skip(draft.first) {
                let mut m = 0.0;
                let mut before: Option<u32> = None;
                for (&state, ridden) in line.states().iter().zip(&line.ridden) {
                    let edge = self.edge(state);
                    let arc = before.replace(state).and_then(|b| self.arc(b, state));
                    let place = region.node_point(region.tail(edge));
                    let riding_s = draft.track.seconds_at(leg_m + m);
                    let at_m = m;
                    m += ridden[0];
                    let p = edge.piece() as usize;
                    let is_ruled =
                        region.piece_flags()[p] & (flag::CONDITIONAL | flag::SEASONAL) != 0;
                    let is_turn = arc
                        .filter(|&a| region.turn_flags()[a as usize] & turn_flag::CONDITIONAL != 0);
                    if !is_ruled && is_turn.is_none() {
                        continue;
                    }
                    let Some(moment) = draft.moment(riding_s) else {
                        continue;
                    };
                    let zone = zone::zone_at(place.lat(), place.lon());
                    let at = zone::local(zone, moment);
                    let mut found = |by: String, until, is_turn| {
                        let name = region.string(region.piece_name()[p]);
                        let number = region.string(region.piece_ref()[p]);
                        law.found.push(Found {
                            leg: leg as u32,
                            road: if name.is_empty() { number } else { name }.to_owned(),
                            by,
                            at,
                            until,
                            place: [place.lat(), place.lon()],
                            is_turn,
                        });
                    };
                    let day = law.day_of.get(leg).copied().unwrap_or(0);
                    if let Some(arc) = is_turn {
                        match rules.turn(arc, at) {
                            Some(Truth::Yes) => {
                                found(rules.turn_text(region, arc), rules.turn_ends(arc, at), true);
                                any |= Rules::close_turn(&mut law.days[day], arc);
                            }
                            Some(Truth::Unknown) => law.unsettled.push((leg, at_m)),
                            _ => {}
                        }
                    }
                    if is_ruled {
                        match rules.edge(region, edge, at) {
                            Some(v) if v.access == Some(Access::Closed) => {
                                found(v.by, v.until, false);
                                any |= rules.close_edge(region, &mut law.days[day], edge, at);
                            }
                            Some(v) if !v.is_unsure => {}
                            _ => law.unsettled.push((leg, at_m)),
                        }
                    }
                }
                leg_m += line.sums.length_m;
            }
        }
        Ok(any)
    }

    fn rules_if_any(&self) -> Option<&Rules> {
        let region = self.region();
        let any = !region.condition_piece().is_empty() || !region.turn_condition_turn().is_empty();
        any.then(|| self.rules())
    }

    /// The arc from one state to the next.
    fn arc(&self, from: u32, to: u32) -> Option<u32> {
        let region = self.region();
        arcs(region, from).find(|&arc| region.turn_head()[arc as usize] == to)
    }
}

/// What a value of an access tag means for a rider; `None` for what is not understood.
fn access(text: &str) -> Option<Access> {
    match text {
        "yes" | "permissive" | "designated" | "official" => Some(Access::Open),
        "destination" | "delivery" | "customers" => Some(Access::Destination),
        "permit" => Some(Access::Permit),
        "private" => Some(Access::Private),
        "no" | "agricultural" | "forestry" | "emergency" | "bus" | "psv" => Some(Access::Closed),
        _ => None,
    }
}
