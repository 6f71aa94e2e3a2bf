//! The spur guard: sees where a via makes the line ride out and come back, and says how to mend it.
//!
//! A line is looked at from the via outwards, one edge at a time to either side. Where both sides
//! touch the same junction, they enclose a loop. Loops that are thin (the same road both ways, or
//! the two carriageways of one) lie in a row from the via to the junction where the line leaves
//! its way: the spur. Edges ridden on both sides in the same direction mean that the line rides
//! round to get at a via that lies on a road for the other direction.

use region::{Edge, LocalFrame, Point, Region, flag};

use xxhash_rust::xxh3::Xxh3;

use crate::assemble::{Built, capital};
use crate::cost::arcs;
use crate::document::{PointKind, Tour};
use crate::line::metres;
use crate::plan::Repair;
use crate::snap::{project, rideable};
use crate::{Planner, lock};

/// Riding out and back is worth a word from this length on, metres one way.
const SPUR_M: f64 = 30.0;
/// A loop is thin if it is no wider than this on average, metres: two carriageways and the strip
/// between them, but not two streets with houses between.
const THIN_M: f64 = 35.0;
/// A loop this long at the far end of a spur only serves turning round (a roundabout, a block of
/// houses); a longer one is there to be ridden.
const TURNING_LOOP_M: f64 = 600.0;
/// Islands in a road that is ridden both ways make loops no longer than this, metres.
const ISLAND_M: f64 = 150.0;
/// Streets out and back through a town make loops no longer than this together, metres.
const TOWN_M: f64 = 3000.0;
/// At the end of a road, a via this near to where the line turns was put there to turn, metres;
/// or this share of the way there.
const AT_THE_END_M: f64 = 15.0;
const AT_THE_END_SHARE: f64 = 0.1;
/// A place reached by so much road ridden both ways is meant, if the line turns just beyond it.
const FAR_OUT_M: f64 = 1000.0;
/// Riding round to a via on the other carriageway, or to one on another road, longer than this is
/// a round trip that is meant, metres.
const ROUND_M: f64 = 5000.0;
const ROUND_OTHER_M: f64 = 1000.0;
/// How far the line is looked at to either side of a via.
const LOOK_EDGES: usize = 500;
const LOOK_M: f64 = 40_000.0;

/// What is wrong at a via.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Finding {
    pub kind: &'static str,
    pub text: String,
    /// Where the line leaves its way, or the via itself.
    pub at: Option<[f64; 2]>,
    /// Metres of line from that place to the via.
    pub before_m: f64,
    pub repair: Option<Repair>,
}

/// An edge of the line as seen from the via.
struct Step {
    state: u32,
    edge: Edge,
    length_m: f64,
}

/// The line to one side of a via.
struct Side {
    /// Outwards; the first is the edge the via lies on.
    steps: Vec<Step>,
    /// Metres from the via to the outer end of each step.
    reach_m: Vec<f64>,
    /// Junction at the outer end of each step; one fewer than steps if the road leg ends in the
    /// last one.
    nodes: Vec<u32>,
}

/// Loops in a row from the via outwards, as the numbers of steps they take on either side.
struct Spur {
    before: usize,
    after: usize,
    /// Length of the innermost loop.
    turning_m: f64,
    /// Whether all of one road leg belongs to it, so that there is no way it leaves.
    whole_leg: bool,
}

impl Planner {
    /// What is wrong at the via between two road legs, if anything.
    pub(crate) fn guard(
        &self,
        tour: &Tour,
        legs: &[Built],
        via: usize,
        name: &str,
        at: Point,
    ) -> Option<Finding> {
        let (come, go) = (
            legs[via - 1].line.way.as_ref()?,
            legs[via].line.way.as_ref()?,
        );
        let (last, first) = (
            self.edge(*come.states.last()?),
            self.edge(*go.states.first()?),
        );
        if last == first.reversed() {
            return Some(Finding {
                kind: "turn_round",
                text: format!(
                    "No permitted way leads on from {name}: the line turns round there. Make it a \
                     stop, or move it."
                ),
                at: None,
                before_m: 0.0,
                repair: Some(make_stop(via, name)),
            });
        }
        let before = self.side(tour, legs, via, false);
        let after = self.side(tour, legs, via, true);
        // While one point is dragged, the line at the others stays as it was.
        let key = asked(via, name, at, &before, &after);
        if let Some(found) = lock(&self.legs.findings).get(key) {
            return found;
        }
        let touches = touches(&before.nodes, &after.nodes);
        let found = self
            .ridden_twice(via, name, at, &before, &after, &touches)
            .or_else(|| self.out_and_back(via, name, &before, &after, &touches));
        lock(&self.legs.findings).put(key, found.clone(), 1);
        found
    }

    /// The line from a via backwards or onwards, over further vias.
    fn side(&self, tour: &Tour, legs: &[Built], via: usize, onward: bool) -> Side {
        let region = self.region();
        let mut side = Side {
            steps: Vec::new(),
            reach_m: Vec::new(),
            nodes: Vec::new(),
        };
        let mut reach_m = 0.0;
        let mut leg = if onward { via } else { via - 1 };
        loop {
            let Some(way) = &legs[leg].line.way else {
                return side;
            };
            let n = way.states.len();
            for k in 0..n {
                let i = if onward { k } else { n - 1 - k };
                let edge = self.edge(way.states[i]);
                let from = if i == 0 { way.from_share } else { 0.0 };
                let to = if i == n - 1 { way.to_share } else { 1.0 };
                let length_m = region.length_m(edge.piece()) * (to - from).max(0.0);
                reach_m += length_m;
                match side.steps.last_mut() {
                    // At a via the line goes on along the same edge.
                    Some(step) if k == 0 => {
                        if step.edge != edge {
                            return side;
                        }
                        step.length_m += length_m;
                        side.reach_m.pop();
                    }
                    _ => side.steps.push(Step {
                        state: way.states[i],
                        edge,
                        length_m,
                    }),
                }
                side.reach_m.push(reach_m);
                if k + 1 < n {
                    let outer = if onward {
                        region.head(edge)
                    } else {
                        region.tail(edge)
                    };
                    side.nodes.push(outer);
                }
                if side.steps.len() >= LOOK_EDGES || reach_m > LOOK_M {
                    return side;
                }
            }
            let (joint, next) = match onward {
                true => (leg + 1, leg + 1),
                false => (leg, leg.wrapping_sub(1)),
            };
            let passes = (tour.points.get(joint)).is_some_and(|p| p.kind == PointKind::Via);
            if !passes || next >= legs.len() {
                return side;
            }
            leg = next;
        }
    }

    /// Edges ridden on both sides of the via in the same direction.
    fn ridden_twice(
        &self,
        via: usize,
        name: &str,
        at: Point,
        before: &Side,
        after: &Side,
        touches: &[(usize, usize)],
    ) -> Option<Finding> {
        let region = self.region();
        let (i, j) = (touches.iter().map(|&(i, j)| (i, j + 1))).find(|&(i, j)| {
            i > 0
                && after
                    .steps
                    .get(j)
                    .is_some_and(|s| s.edge == before.steps[i].edge)
        })?;
        let run: Vec<&Step> = (before.steps[1..=i].iter().rev())
            .zip(&after.steps[j..])
            .take_while(|(b, a)| b.edge == a.edge)
            .map(|(b, _)| b)
            .collect();
        let twice_m: f64 = run.iter().map(|s| s.length_m).sum();
        let round_m = before.reach_m[i] - before.steps[i].length_m + after.reach_m[j];
        let round = before.steps[..=i].iter().rev().chain(&after.steps[1..j]);
        let edges: Vec<Edge> = round.map(|s| s.edge).collect();
        let one_way = rideable(region, after.steps[0].edge.piece()).count() == 1;
        let most_m = if one_way { ROUND_M } else { ROUND_OTHER_M };
        let meant = round_m > most_m && self.width_m(&edges, round_m) > THIN_M;
        if meant || round_m < SPUR_M || (twice_m < SPUR_M && round_m > TURNING_LOOP_M) {
            return None;
        }
        let frame = LocalFrame::at(at);
        let place = (run.iter())
            .map(|s| project(region, s.edge.piece(), frame))
            .min_by(|a, b| a.offset_m.total_cmp(&b.offset_m))?;
        let kind = if one_way { "wrong_carriageway" } else { "spur" };
        let lies = match one_way {
            true => "lies on a road for the other direction",
            false => "lies beside the way",
        };
        let start = region.node_point(region.head(before.steps[i].edge));
        Some(Finding {
            kind,
            text: format!(
                "{} {lies}: the line rides {} round to pass it, and {} twice. Move it onto the \
                 way.",
                capital(name),
                metres(round_m),
                metres(twice_m)
            ),
            at: Some([start.lat(), start.lon()]),
            before_m: before.reach_m[i] - before.steps[i].length_m,
            repair: Some(Repair {
                text: format!("Move {name} onto the way"),
                point: via as u32,
                move_to: Some([place.at.lat(), place.at.lon()]),
                remove: false,
                to_kind: None,
            }),
        })
    }

    /// Riding out to the via and back on the same road.
    fn out_and_back(
        &self,
        via: usize,
        name: &str,
        before: &Side,
        after: &Side,
        touches: &[(usize, usize)],
    ) -> Option<Finding> {
        let region = self.region();
        let spur = self.spur(before, after, touches)?;
        let (out_m, back_m) = (before.reach_m[spur.before], after.reach_m[spur.after]);
        if (out_m + back_m) / 2.0 < SPUR_M || self.is_meant(before, after, &spur) {
            return None;
        }
        let leaving = before
            .steps
            .get(spur.before + 1)
            .zip(after.steps.get(spur.after + 1));
        // Without the spur, the line would have to make this turn.
        let through = !spur.whole_leg
            && leaving.is_some_and(|(x, y)| {
                let onto = |arc: u32| self.edge(region.turn_head()[arc as usize]) == y.edge;
                x.edge != y.edge.reversed() && arcs(region, x.state).any(onto)
            });
        let node = before.nodes.get(spur.before).filter(|_| !spur.whole_leg);
        let point = node.map(|&n| region.node_point(n));
        let point = point.map(|p| [p.lat(), p.lon()]);
        let road = self.road_at(before.steps[spur.before].edge);
        let ridden = match (out_m - back_m).abs() < 0.05 * (out_m + back_m) {
            true => format!("{} out to {name} and back", metres(out_m)),
            false => format!("{} to {name} and {} back", metres(out_m), metres(back_m)),
        };
        let repair = match through {
            true => Repair {
                text: format!("Move {name} to where the line leaves its way"),
                point: via as u32,
                move_to: point,
                remove: false,
                to_kind: None,
            },
            false => make_stop(via, name),
        };
        let step = match through {
            true => "Move it to where the line leaves its way, or make it a stop.",
            false => "Make it a stop to turn there, or move it.",
        };
        Some(Finding {
            kind: "spur",
            text: format!("The line rides {ridden}{road}. {step}"),
            at: point,
            before_m: point.map_or(0.0, |_| out_m),
            repair: Some(repair),
        })
    }

    /// The thin loops in a row around a via, if the innermost one only serves turning round.
    fn spur(&self, before: &Side, after: &Side, touches: &[(usize, usize)]) -> Option<Spur> {
        // The edge the via lies on is ridden once.
        let round = |from: (usize, usize), to: (usize, usize)| -> Vec<Edge> {
            let out = before.steps[from.0..=to.0].iter().rev();
            let back = after.steps.get(from.1.max(1)..=to.1).unwrap_or(&[]);
            out.chain(back).map(|s| s.edge).collect()
        };
        let mut found: Option<Spur> = None;
        // How far out loops were looked at, and the metres of wide ones since the spur's end.
        let (mut reached, mut wide_m, mut thin_m) = ((0, 0), 0.0, 0.0);
        for &(i, j) in touches {
            let length_m = before.reach_m[i] + after.reach_m[j];
            let Some(spur) = &mut found else {
                let only_turns = length_m <= TURNING_LOOP_M
                    || self.width_m(&round((0, 0), (i, j)), length_m) <= THIN_M;
                found = only_turns.then_some(Spur {
                    before: i,
                    after: j,
                    turning_m: length_m,
                    whole_leg: false,
                });
                reached = (i, j);
                continue;
            };
            if i <= reached.0 || j <= reached.1 {
                continue;
            }
            let length_m = length_m - before.reach_m[reached.0] - after.reach_m[reached.1];
            let loop_ = round((reached.0 + 1, reached.1 + 1), (i, j));
            let is_thin = length_m <= ISLAND_M || self.width_m(&loop_, length_m) <= THIN_M;
            reached = (i, j);
            if is_thin {
                thin_m += length_m;
            } else {
                wide_m += length_m;
            }
            if wide_m > TOWN_M {
                break;
            }
            // Through a town the line may take one street out and another back: the spur goes on
            // beyond it if there is more of it to come.
            if is_thin && thin_m >= wide_m && thin_m >= 2.0 * SPUR_M.min(wide_m) {
                (spur.before, spur.after) = reached;
                (wide_m, thin_m) = (0.0, 0.0);
            }
        }
        let mut spur = match found {
            Some(spur) => spur,
            None => self.spur_at_an_end(before, after)?,
        };
        // Ridden back over the stop one set out from, or out over the one ahead.
        let beyond = |side: &Side, at: usize, other: &Side, there: usize| {
            let outmost = at + 1 == side.nodes.len() && side.steps.len() > side.nodes.len();
            let (a, b) = (side.steps.last(), other.steps.get(there + 1));
            outmost && a.zip(b).is_some_and(|(a, b)| a.edge == b.edge.reversed())
        };
        spur.whole_leg |= beyond(before, spur.before, after, spur.after)
            || beyond(after, spur.after, before, spur.before);
        // A loop without any road ridden both ways is a round of its own.
        let same_road = spur.whole_leg
            || before.steps[..=spur.before].iter().any(|b| {
                let back = &after.steps[..=spur.after];
                back.iter().any(|a| a.edge == b.edge.reversed())
            });
        let length_m = before.reach_m[spur.before] + after.reach_m[spur.after];
        let all = round((0, 0), (spur.before, spur.after));
        (same_road || self.width_m(&all, length_m) <= THIN_M).then_some(spur)
    }

    /// A spur from the very edge a leg begins or ends in.
    fn spur_at_an_end(&self, before: &Side, after: &Side) -> Option<Spur> {
        let back = before.steps.first()?.edge.reversed();
        let only_turns = |side: &Side, last: usize| {
            let edges: Vec<Edge> = side.steps[1..last].iter().map(|s| s.edge).collect();
            let length_m = side.reach_m[last - 1] - side.reach_m[0];
            length_m <= TURNING_LOOP_M || self.width_m(&edges, length_m) <= THIN_M
        };
        let found = |side: &Side| {
            let last = (side.steps.iter().skip(1)).position(|s| s.edge == back)? + 1;
            only_turns(side, last).then_some((last, side.reach_m[last - 1]))
        };
        let spur = |before, after, turning_m| Spur {
            before,
            after,
            turning_m,
            whole_leg: true,
        };
        match (before.nodes.is_empty(), after.nodes.is_empty()) {
            (true, _) if found(after).is_some() => {
                found(after).map(|(last, turning_m)| spur(0, last, turning_m))
            }
            (_, true) => found(before).map(|(last, turning_m)| spur(last, 0, turning_m)),
            _ => None,
        }
    }

    /// Whether a via was put where the line turns: at the end of a road, or in a place far out.
    fn is_meant(&self, before: &Side, after: &Side, spur: &Spur) -> bool {
        // Metres from the via to where the line turns on the spot, to either side.
        let turn = |side: &Side, last: usize| {
            (side.steps[..=last].windows(2))
                .position(|w| w[0].edge == w[1].edge.reversed())
                .map(|i| side.reach_m[i])
        };
        let turns = [turn(before, spur.before), turn(after, spur.after)];
        let out_m = before.reach_m[spur.before].min(after.reach_m[spur.after]);
        match turns.into_iter().flatten().min_by(f64::total_cmp) {
            Some(from_turn_m) => from_turn_m <= AT_THE_END_M.max(AT_THE_END_SHARE * out_m),
            None => spur.turning_m <= TURNING_LOOP_M && out_m - spur.turning_m >= FAR_OUT_M,
        }
    }

    /// Mean width of a closed row of edges: twice the area over the length round it.
    fn width_m(&self, round: &[Edge], length_m: f64) -> f64 {
        let region = self.region();
        let Some(&first) = round.first() else {
            return 0.0;
        };
        let frame = LocalFrame::at(region.node_point(region.tail(first)));
        let mut last = [0.0; 2];
        let mut doubled_m2 = 0.0;
        let mut go = |p: usize| {
            let next = frame.to_m(region.point(p));
            doubled_m2 += last[0] * next[1] - last[1] * next[0];
            last = next;
        };
        for edge in round {
            let points = region.piece_points(edge.piece());
            match edge.is_backward() {
                true => points.rev().for_each(&mut go),
                false => points.for_each(&mut go),
            }
        }
        doubled_m2.abs() / length_m.max(1.0)
    }

    /// ` on Mill Lane`, or nothing.
    fn road_at(&self, edge: Edge) -> String {
        let region: &Region = self.region();
        let p = edge.piece() as usize;
        let round = region.piece_flags()[p] & flag::ROUNDABOUT != 0;
        let [name, number] =
            [region.piece_name()[p], region.piece_ref()[p]].map(|s| region.string(s));
        match (name, number) {
            _ if round => String::new(),
            ("", "") => String::new(),
            ("", number) => format!(" on {number}"),
            (name, _) => format!(" on {name}"),
        }
    }
}

/// A hash of all that what is found at a via depends on.
fn asked(via: usize, name: &str, at: Point, before: &Side, after: &Side) -> u128 {
    let mut hash = Xxh3::new();
    hash.update(name.as_bytes());
    let mut number = |n: u64| hash.update(&n.to_le_bytes());
    number(via as u64);
    number(at.lon_e7 as u64);
    number(at.lat_e7 as u64);
    for side in [before, after] {
        number(side.steps.len() as u64);
        number(side.nodes.len() as u64);
        for step in &side.steps {
            number(u64::from(step.state));
            number(step.length_m.to_bits());
        }
    }
    hash.digest128()
}

fn make_stop(via: usize, name: &str) -> Repair {
    Repair {
        text: format!("Make {name} a stop"),
        point: via as u32,
        move_to: None,
        remove: false,
        to_kind: Some(PointKind::Stop),
    }
}

/// Where both rows hold the same number, with its first place in `before`; in the order of
/// `after`. Most rows have nothing in common, which a small filter shows.
fn touches(before: &[u32], after: &[u32]) -> Vec<(usize, usize)> {
    const BITS: u32 = 4096;
    let slot = |n: u32| (n.wrapping_mul(0x9e37_79b1) >> 20) % BITS;
    let mut filter = [0u64; BITS as usize / 64];
    for &n in before {
        filter[slot(n) as usize / 64] |= 1 << (slot(n) % 64);
    }
    (after.iter().enumerate())
        .filter(|&(_, &n)| filter[slot(n) as usize / 64] >> (slot(n) % 64) & 1 == 1)
        .filter_map(|(j, n)| before.iter().position(|b| b == n).map(|i| (i, j)))
        .collect()
}
