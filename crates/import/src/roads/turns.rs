//! The turn graph: states, allowed turns, and the memory that bans over several ways need.
//!
//! A ban forbids a sequence of edges. For two edges the arc between them is left out. For longer
//! ones every proper prefix of at least two edges becomes a state of its own, a copy of its last
//! edge that remembers how one came there; the states form the trie of an Aho-Corasick automaton
//! (Aho and Corasick 1975, CACM 18:333-340), so that bans with common beginnings share states and
//! only full sequences are forbidden.

use std::collections::BTreeMap;

use region::{Access, LocalFrame, node_flag, turn_flag};

use super::network::Network;
use super::restrictions::{Bans, Leaving};

/// Columns of the turn graph.
#[derive(Default)]
pub struct Turns {
    /// Edge of each state.
    pub state_edge: Vec<u32>,
    /// CSR by state.
    pub first_out: Vec<u32>,
    /// State one turns into.
    pub head: Vec<u32>,
    /// Change of heading, degrees, right positive.
    pub angle_deg: Vec<i16>,
    /// Bits of [`turn_flag`].
    pub flags: Vec<u8>,
    /// `(arc, condition)`, ascending.
    pub conditions: Vec<(u32, String)>,
}

/// How far from the junction a heading is taken, metres: beyond the jitter of the last vertices.
const HEADING_AT_M: f64 = 15.0;

/// Heading of an edge where it leaves its tail, degrees clockwise from north.
fn heading_deg(network: &Network, edge: u32) -> f64 {
    let points = network.piece_points(edge as usize / 2);
    let at = |i: usize| {
        points[if edge & 1 == 0 {
            i
        } else {
            points.len() - 1 - i
        }]
    };
    let frame = LocalFrame::at(at(0));
    let mut before = [0.0f64, 0.0];
    for i in 1..points.len() {
        let here = frame.to_m(at(i));
        let (near, far) = (before[0].hypot(before[1]), here[0].hypot(here[1]));
        if far >= HEADING_AT_M {
            let t = ((HEADING_AT_M - near) / (far - near)).clamp(0.0, 1.0);
            let x = before[0] + t * (here[0] - before[0]);
            let y = before[1] + t * (here[1] - before[1]);
            return x.atan2(y).to_degrees();
        }
        before = here;
    }
    before[0].atan2(before[1]).to_degrees()
}

fn turn_deg(arriving: f64, leaving: f64) -> i16 {
    let turn = (leaving - arriving + 540.0).rem_euclid(360.0) - 180.0;
    turn.round() as i16
}

/// Change of heading from one edge into the next, -180..=180, right positive; 180 on the same
/// piece.
pub fn angle_deg(network: &Network, from: u32, to: u32) -> i16 {
    if to == from ^ 1 {
        return 180;
    }
    turn_deg(
        heading_deg(network, from ^ 1) + 180.0,
        heading_deg(network, to),
    )
}

/// Builds the turn graph.
pub fn build(network: &Network, leaving: &Leaving, bans: &Bans) -> Turns {
    let edges = 2 * network.pieces.len() as u32;
    let mut turns = Turns {
        state_edge: (0..edges).collect(),
        ..Turns::default()
    };
    let headings: Vec<f64> = (0..edges).map(|e| heading_deg(network, e)).collect();

    // Prefixes with memory, in lexicographic order.
    let mut states: BTreeMap<&[u32], u32> = BTreeMap::new();
    for sequence in &bans.sequences {
        for len in 2..sequence.len() {
            states.insert(&sequence[..len], 0);
        }
    }
    for (prefix, state) in &mut states {
        *state = turns.state_edge.len() as u32;
        turns.state_edge.push(prefix[prefix.len() - 1]);
    }
    let memories: Vec<&[u32]> = states.keys().copied().collect();
    let conditional: BTreeMap<(u32, u32), Vec<&str>> =
        bans.conditional
            .iter()
            .fold(BTreeMap::new(), |mut map, (from, to, condition)| {
                map.entry((*from, *to))
                    .or_insert_with(Vec::new)
                    .push(condition.as_str());
                map
            });

    turns.first_out.push(0);
    let mut ridden: Vec<u32> = Vec::new();
    for state in 0..turns.state_edge.len() {
        let edge = turns.state_edge[state];
        if network.is_rideable(edge) {
            let memory = (state as u32)
                .checked_sub(edges)
                .map(|i| memories[i as usize]);
            let restricted = is_restricted(network.access(edge));
            for next in exits(network, leaving, edge, bans) {
                ridden.clear();
                ridden.extend_from_slice(memory.unwrap_or(&[edge]));
                ridden.push(next);
                let suffixes = || (0..ridden.len() - 1).map(|i| &ridden[i..]);
                if suffixes().any(|s| bans.sequences.contains(s)) {
                    continue;
                }
                let head = suffixes()
                    .find_map(|s| states.get(s))
                    .copied()
                    .unwrap_or(next);
                let round = next == edge ^ 1;
                let mut flags = if round { turn_flag::U_TURN } else { 0 };
                if !restricted && is_restricted(network.access(next)) {
                    flags |= turn_flag::ENTERS_RESTRICTED;
                }
                if let Some(conditions) = conditional.get(&(edge, next)) {
                    flags |= turn_flag::CONDITIONAL;
                    let arc = turns.head.len() as u32;
                    turns
                        .conditions
                        .extend(conditions.iter().map(|c| (arc, (*c).to_owned())));
                }
                let angle = if round {
                    180
                } else {
                    turn_deg(headings[edge as usize ^ 1] + 180.0, headings[next as usize])
                };
                turns.head.push(head);
                turns.angle_deg.push(angle);
                turns.flags.push(flags);
            }
        }
        turns.first_out.push(turns.head.len() as u32);
    }
    turns
}

/// Edges one can go on to: all that leave the junction and may be ridden, but back only where the
/// road ends, or ends for those without business on the roads that go on.
fn exits(network: &Network, leaving: &Leaving, edge: u32, bans: &Bans) -> Vec<u32> {
    let junction = network.head(edge);
    let back = edge ^ 1;
    let blocked = network.junction_flags[junction as usize] & node_flag::BLOCKED != 0;
    let mut exits: Vec<u32> = leaving
        .at(junction)
        .iter()
        .copied()
        .filter(|&e| e != back && !blocked && network.is_rideable(e))
        .collect();
    let is_closing = |&e: &u32| is_restricted(network.access(e));
    let ends = exits.iter().all(is_closing) && !is_restricted(network.access(edge));
    let ends = ends || exits.is_empty() || bans.only_round.contains(&edge);
    if ends && network.is_rideable(back) {
        exits.push(back);
        exits.sort_unstable();
    }
    exits
}

/// Restricted roads are entered from open ones only at the ends of a ride.
fn is_restricted(access: Access) -> bool {
    matches!(
        access,
        Access::Destination | Access::Permit | Access::Private | Access::Unverified
    )
}
