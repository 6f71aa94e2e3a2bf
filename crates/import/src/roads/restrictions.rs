//! Turn restrictions: what the relations say, and which sequences of edges they forbid.
//!
//! <https://wiki.openstreetmap.org/wiki/Relation:restriction>.

use std::collections::BTreeSet;

use super::network::Network;
use super::turns::angle_deg;
use crate::osm::{MemberKind, Relation};

/// A restriction that concerns motorcycles, as the relation states it.
#[derive(Clone, Debug)]
pub struct Restriction {
    kind: Kind,
    from: Vec<i64>,
    via_nodes: Vec<i64>,
    via_ways: Vec<i64>,
    to: Vec<i64>,
    /// Holds only under this condition.
    condition: Option<String>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Kind {
    only: bool,
    turn: Turn,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Turn {
    Left,
    Right,
    Straight,
    Round,
    Any,
}

/// Modes a motorcycle belongs to, the most specific first.
const MODES: [&str; 3] = ["motorcycle", "motor_vehicle", "vehicle"];

impl Restriction {
    /// The restrictions of a relation: none, one, or a plain and a conditional one.
    pub fn read(relation: &Relation) -> Vec<Restriction> {
        let tags = relation.tags;
        if !tags.is("type", "restriction") {
            return Vec::new();
        }
        let exempt = tags.get("except").unwrap_or("");
        if exempt
            .split([';', ','])
            .any(|mode| MODES.contains(&mode.trim()))
        {
            return Vec::new();
        }
        let said = |suffix: &str| {
            let by_mode = MODES
                .iter()
                .find_map(|m| tags.get(&format!("restriction:{m}{suffix}")));
            by_mode.or_else(|| tags.get(&format!("restriction{suffix}")))
        };
        // Clauses `kind` or `kind @ condition`.
        let mut clauses: Vec<(&str, Option<String>)> = Vec::new();
        if let Some(text) = said("") {
            clauses.extend(clause(text));
            if let (Some((_, condition @ None)), Some(hours)) = (clauses.last_mut(), hours(tags)) {
                *condition = Some(hours);
            }
        }
        if let Some(text) = said(":conditional") {
            // A semicolon within brackets belongs to the condition.
            let mut depth = 0;
            let each = text.split(|c| {
                depth += i32::from(c == '(') - i32::from(c == ')');
                c == ';' && depth == 0
            });
            clauses.extend(each.filter(|c| c.contains('@')).filter_map(clause));
        }
        let members = |role: &str, kind: MemberKind| {
            let found = relation
                .members()
                .filter(|m| m.role == role && m.kind == kind);
            found.map(|m| m.id).collect::<Vec<_>>()
        };
        let read = |(kind, condition): (&str, Option<String>)| {
            Some(Restriction {
                kind: kind_of(kind)?,
                from: members("from", MemberKind::Way),
                via_nodes: members("via", MemberKind::Node),
                via_ways: members("via", MemberKind::Way),
                to: members("to", MemberKind::Way),
                condition,
            })
        };
        clauses.into_iter().filter_map(read).collect()
    }
}

fn clause(text: &str) -> Option<(&str, Option<String>)> {
    let (kind, condition) = match text.split_once('@') {
        Some((kind, condition)) => (kind, Some(condition)),
        None => (text, None),
    };
    let bare = |c: &str| {
        let c = c.trim();
        let inner = c.strip_prefix('(').and_then(|c| c.strip_suffix(')'));
        inner
            .filter(|i| !i.contains([')', '(']))
            .unwrap_or(c)
            .trim()
            .to_owned()
    };
    let kind = kind.trim();
    (!kind.is_empty()).then(|| (kind, condition.map(bare)))
}

/// The older tags `day_on`, `day_off`, `hour_on`, `hour_off` as a condition.
fn hours(tags: crate::osm::Tags) -> Option<String> {
    let days = match (tags.get("day_on"), tags.get("day_off")) {
        (Some(on), Some(off)) => format!("{}-{}", on.get(..2)?, off.get(..2)?),
        _ => String::new(),
    };
    let hour = |key: &str| {
        let (hour, minute) = match tags.get(key)?.split_once(':') {
            Some((hour, minute)) => (hour, minute),
            None => (tags.get(key)?, "0"),
        };
        let (hour, minute): (u8, u8) = (hour.parse().ok()?, minute.parse().ok()?);
        (hour <= 24 && minute < 60).then(|| format!("{hour:02}:{minute:02}"))
    };
    let hours = match (hour("hour_on"), hour("hour_off")) {
        (Some(on), Some(off)) => format!("{on}-{off}"),
        _ => String::new(),
    };
    let both = format!("{days} {hours}");
    let both = both.trim();
    (!both.is_empty()).then(|| both.to_owned())
}

fn kind_of(text: &str) -> Option<Kind> {
    let (only, rest) = match text.split_once('_')? {
        ("no", rest) => (false, rest),
        ("only", rest) => (true, rest),
        _ => return None,
    };
    let turn = match rest {
        "left_turn" => Turn::Left,
        "right_turn" => Turn::Right,
        "straight_on" => Turn::Straight,
        "u_turn" => Turn::Round,
        _ => Turn::Any,
    };
    Some(Kind { only, turn })
}

impl Turn {
    fn fits(self, angle_deg: i16) -> bool {
        match self {
            Turn::Left => angle_deg < -10,
            Turn::Right => angle_deg > 10,
            Turn::Straight => angle_deg.abs() < 60,
            Turn::Round => angle_deg.abs() > 120,
            Turn::Any => true,
        }
    }
}

/// What the restrictions come to on a network.
#[derive(Default)]
pub struct Bans {
    /// Sequences of edges that must not be ridden one after another.
    pub sequences: BTreeSet<Vec<u32>>,
    /// Turns `(from, to, condition)` that must not be ridden while the condition holds.
    pub conditional: BTreeSet<(u32, u32, String)>,
    /// Edges from which one may only turn round.
    pub only_round: BTreeSet<u32>,
    /// Relations whose members do not fit together or are missing.
    pub broken: u64,
    /// Conditional restrictions over several ways, which are left out.
    pub left_out: u64,
}

/// Resolves restrictions.
pub fn resolve<'a>(
    network: &Network,
    leaving: &Leaving,
    restrictions: impl Iterator<Item = &'a Restriction>,
) -> Bans {
    let mut bans = Bans::default();
    for restriction in restrictions {
        if resolve_one(network, leaving, restriction, &mut bans).is_none() {
            bans.broken += 1;
        }
    }
    bans
}

/// The edges that leave each junction.
pub struct Leaving {
    /// CSR offsets by junction.
    pub first: Vec<u32>,
    /// Edges grouped by their tail.
    pub edges: Vec<u32>,
}

impl Leaving {
    /// The edges that leave a junction.
    pub fn at(&self, junction: u32) -> &[u32] {
        let range =
            self.first[junction as usize] as usize..self.first[junction as usize + 1] as usize;
        &self.edges[range]
    }
}

/// `None` if the relation is broken.
fn resolve_one(
    network: &Network,
    leaving: &Leaving,
    restriction: &Restriction,
    bans: &mut Bans,
) -> Option<()> {
    let ways = |ids: &[i64]| -> Option<Vec<usize>> {
        ids.iter()
            .map(|id| network.ways.binary_search_by_key(id, |w| w.id).ok())
            .collect()
    };
    let (from, to) = (ways(&restriction.from)?, ways(&restriction.to)?);
    let via_ways = ways(&restriction.via_ways)?;
    if from.is_empty() || to.is_empty() {
        return None;
    }
    // Paths through the via: the edges between, and the junctions where it is entered and left.
    let mut paths: Vec<(Vec<u32>, u32, u32)> = Vec::new();
    match (restriction.via_nodes.as_slice(), via_ways.as_slice()) {
        ([node], []) => {
            let at = network.junction_ids.binary_search(node).ok()? as u32;
            paths.push((Vec::new(), at, at));
        }
        ([], via) if !via.is_empty() => {
            for &way in &from {
                for edge in edges_of(network, way) {
                    let start = network.head(edge);
                    walk(
                        network,
                        via,
                        &mut vec![false; via.len()],
                        start,
                        &mut Vec::new(),
                        &mut |path| {
                            let end = network.head(*path.last().unwrap_or(&edge));
                            if touches(network, leaving, &to, end) {
                                paths.push((path.to_vec(), start, end));
                            }
                        },
                    );
                }
            }
            paths.sort();
            paths.dedup();
        }
        _ => return None,
    }
    if paths.is_empty() {
        return None;
    }
    let of = |ways: &[usize], edge: u32| {
        ways.contains(&(network.pieces[edge as usize / 2].way as usize))
    };
    let mut found = false;
    for (via, entry, exit) in &paths {
        let arriving = leaving
            .at(*entry)
            .iter()
            .map(|e| e ^ 1)
            .filter(|&e| of(&from, e));
        let arriving: Vec<u32> = arriving.collect();
        let departing: Vec<u32> = leaving
            .at(*exit)
            .iter()
            .copied()
            .filter(|&e| of(&to, e))
            .collect();
        let mut pairs = Vec::new();
        for &a in &arriving {
            pairs.extend(departing.iter().map(|&d| (a, d)));
        }
        // A way that goes on beyond the via leaves several readings: the one that turns as the
        // restriction says is meant.
        if pairs.len() > 1 && restriction.from.len() == 1 && restriction.to.len() == 1 {
            pairs.retain(|&(a, d)| {
                let last = via.last().copied().unwrap_or(a);
                let angle = if via.is_empty() {
                    angle_deg(network, a, d)
                } else {
                    let total = i32::from(angle_deg(network, a, via[0]))
                        + i32::from(angle_deg(network, last, d));
                    (total + 540).rem_euclid(360) as i16 - 180
                };
                restriction.kind.turn.fits(angle)
            });
        }
        for (a, d) in pairs {
            found = true;
            forbid(network, leaving, restriction, a, via, d, bans);
        }
    }
    found.then_some(())
}

fn forbid(
    network: &Network,
    leaving: &Leaving,
    restriction: &Restriction,
    from: u32,
    via: &[u32],
    to: u32,
    bans: &mut Bans,
) {
    let sequence: Vec<u32> = [from]
        .into_iter()
        .chain(via.iter().copied())
        .chain([to])
        .collect();
    let rideable = |e: &u32| network.is_rideable(*e);
    // A restriction on a road that is closed anyway has nothing to say.
    if !sequence[..sequence.len() - 1].iter().all(rideable) {
        return;
    }
    if !rideable(&to) {
        return;
    }
    if restriction.condition.is_some() && !via.is_empty() {
        bans.left_out += 1;
        return;
    }
    if !restriction.kind.only {
        match &restriction.condition {
            Some(condition) => {
                bans.conditional.insert((from, to, condition.clone()));
            }
            None => {
                bans.sequences.insert(sequence);
            }
        }
        return;
    }
    if to == from ^ 1 && via.is_empty() && restriction.condition.is_none() {
        bans.only_round.insert(from);
    }
    // Once on the way prescribed, every way out of it but the next is forbidden. With ways as via
    // the first of them may be left out altogether.
    let start = if via.is_empty() { 1 } else { 2 };
    for at in start..sequence.len() {
        let here = network.head(sequence[at - 1]);
        for &other in leaving.at(here) {
            if other == sequence[at] || !network.is_rideable(other) {
                continue;
            }
            match &restriction.condition {
                Some(condition) => {
                    bans.conditional.insert((from, other, condition.clone()));
                }
                None => {
                    let mut banned = sequence[..at].to_vec();
                    banned.push(other);
                    bans.sequences.insert(banned);
                }
            }
        }
    }
}

/// The edges of a way, both directions.
fn edges_of(network: &Network, way: usize) -> std::ops::Range<u32> {
    2 * network.way_first_piece[way]..2 * network.way_first_piece[way + 1]
}

fn touches(network: &Network, leaving: &Leaving, ways: &[usize], junction: u32) -> bool {
    let on = |edge: &u32| ways.contains(&(network.pieces[*edge as usize / 2].way as usize));
    leaving.at(junction).iter().any(on)
}

/// Strings the via ways together from a junction on, each ridden from end to end, in any order.
fn walk(
    network: &Network,
    via: &[usize],
    used: &mut Vec<bool>,
    at: u32,
    path: &mut Vec<u32>,
    done: &mut dyn FnMut(&[u32]),
) {
    if used.iter().all(|&u| u) {
        done(path);
        return;
    }
    // Real restrictions have one to three via ways; beyond that the search could explode.
    if via.len() > 8 {
        return;
    }
    for i in 0..via.len() {
        let edges = edges_of(network, via[i]);
        if used[i] || edges.is_empty() {
            continue;
        }
        let forward: Vec<u32> = edges.clone().step_by(2).collect();
        let backward: Vec<u32> = edges.skip(1).step_by(2).rev().collect();
        for ride in [forward, backward] {
            let connected = ride
                .windows(2)
                .all(|p| network.head(p[0]) == network.tail(p[1]));
            if !connected || network.tail(ride[0]) != at {
                continue;
            }
            let end = network.head(ride[ride.len() - 1]);
            used[i] = true;
            path.extend(&ride);
            walk(network, via, used, end, path, done);
            path.truncate(path.len() - ride.len());
            used[i] = false;
        }
    }
}
