//! Roads as tagged ways, with what stands on and beside them.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::Country;
use super::curve::{Xy, lengths};
use super::land::Land;
use super::names::Names;
use super::places;
use super::random::Dice;
use super::roads::{Kind, Line, Mark, Roads, Role};
use super::sheet::{Sheet, member, tags};
use super::sites::{Pass, Rank, Site};
use super::streets::reach_m;
use super::weave::{degrees, is_main};
use crate::world::{MemberKind, Tags};

/// A ferry between two points of roads.
#[derive(Debug, Clone)]
pub(crate) struct Ferry {
    pub(crate) ends: [u32; 2],
}

/// Everything known about the built country.
pub(crate) struct Built<'a> {
    pub(crate) country: &'a Country,
    pub(crate) land: &'a Land,
    pub(crate) sites: &'a [Site],
    pub(crate) passes: &'a [Pass],
    pub(crate) roads: &'a Roads,
    pub(crate) fords: &'a [u32],
    pub(crate) ferries: &'a [Ferry],
}

/// What may change along a line; a way has one of these.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Stretch {
    mark: Option<Mark>,
    town: bool,
    winter: bool,
}

/// A piece of a way's end at a junction, for restrictions.
struct Piece {
    way: i64,
    points: Vec<u32>,
    oneway: bool,
    main: bool,
}

/// Closed in winter, this far from the pass.
const WINTER_REACH_M: f64 = 3200.0;

/// Settlements by place.
pub(crate) struct Towns<'a> {
    built: &'a Built<'a>,
    bins: HashMap<(i32, i32), Vec<usize>>,
}

impl<'a> Towns<'a> {
    const BIN_M: f64 = 3000.0;

    fn new(built: &'a Built<'a>) -> Self {
        let mut bins: HashMap<(i32, i32), Vec<usize>> = HashMap::new();
        for (index, site) in built.sites.iter().enumerate() {
            let bin = Self::bin(site.at);
            for dx in -1..=1 {
                for dy in -1..=1 {
                    bins.entry((bin.0 + dx, bin.1 + dy))
                        .or_default()
                        .push(index);
                }
            }
        }
        Self { built, bins }
    }

    fn bin(at: Xy) -> (i32, i32) {
        (
            (at.0 / Self::BIN_M).floor() as i32,
            (at.1 / Self::BIN_M).floor() as i32,
        )
    }

    /// The settlement whose built-up area holds a point.
    pub(crate) fn at(&self, at: Xy) -> Option<usize> {
        self.bins
            .get(&Self::bin(at))?
            .iter()
            .copied()
            .find(|&index| {
                let site = &self.built.sites[index];
                let (dx, dy) = (at.0 - site.at.0, at.1 - site.at.1);
                let far_m = dx.hypot(dy);
                far_m < site.radius_m * 1.5
                    && far_m < reach_m(self.built.country, index, site, dy.atan2(dx))
            })
    }
}

/// Draws roads, ferries, settlements and services.
pub(crate) fn draw(built: &Built, names: &mut Names, sheet: &mut Sheet) {
    let mut dice = Dice::new(built.country.seed, 80);
    let towns = Towns::new(built);
    let pass_names: Vec<String> = built.passes.iter().map(|_| names.with("Sarn %")).collect();
    let degree = degrees(built.roads);

    let mut at_point: BTreeMap<u32, Tags> = BTreeMap::new();
    for &ford in built.fords {
        at_point.insert(ford, tags(&[("ford", "yes")]));
    }
    for (at, point) in built.roads.pass_points.iter().enumerate() {
        let Some(point) = point else { continue };
        let height_m = built.land.height_at(built.roads.points[*point as usize]);
        let mut all = tags(&[("mountain_pass", "yes"), ("natural", "saddle")]);
        all.push(("name".into(), pass_names[at].clone()));
        all.push(("ele".into(), format!("{height_m:.0}")));
        at_point.insert(*point, all);
    }
    let knots = furnish(built, &towns, &degree, &mut dice, &mut at_point);

    let mut ids: Vec<i64> = vec![0; built.roads.points.len()];
    let mut node_of = |sheet: &mut Sheet, point: u32| {
        if ids[point as usize] == 0 {
            let tags = at_point.remove(&point).unwrap_or_default();
            ids[point as usize] = sheet.node(built.roads.points[point as usize], tags);
        }
        ids[point as usize]
    };
    let mut line_names: HashMap<u32, String> = HashMap::new();
    let mut pieces: Vec<Piece> = Vec::new();
    for line in &built.roads.lines {
        let xy = built.roads.xy(line);
        let along = lengths(&xy);
        let stretches: Vec<Stretch> = (1..xy.len())
            .map(|k| {
                let s = (along[k - 1] + along[k]) / 2.0;
                let middle = ((xy[k - 1].0 + xy[k].0) / 2.0, (xy[k - 1].1 + xy[k].1) / 2.0);
                let winter = match line.role {
                    Role::Pass(p) => built.roads.pass_points[p].is_some_and(|top| {
                        let top = built.roads.points[top as usize];
                        (top.0 - middle.0).hypot(top.1 - middle.1) < WINTER_REACH_M
                    }),
                    _ => false,
                };
                let mark = line.marks.iter().find(|m| m.0 < s && s < m.1).map(|m| m.2);
                let town = line.kind > Kind::Link
                    && (matches!(line.role, Role::Street(_)) || towns.at(middle).is_some());
                Stretch { mark, town, winter }
            })
            .collect();
        let mut from = 0;
        for at in 1..xy.len() {
            let last = at + 1 == xy.len();
            let point = line.points[at];
            let junction = degree[point as usize] > 2;
            let ends = last
                || stretches[at] != stretches[at - 1]
                || (line.role != Role::Roundabout
                    && (knots.contains(&point)
                        || (junction && dice.chance(0.2))
                        || at - from > 400));
            if !ends {
                continue;
            }
            let points = line.points[from..=at].to_vec();
            let refs = points.iter().map(|&p| node_of(sheet, p)).collect();
            let all = way_tags(
                built,
                line,
                stretches[at - 1],
                &pass_names,
                &mut line_names,
                names,
            );
            let way = sheet.way(refs, all);
            if line.kind > Kind::Link && line.kind <= Kind::Residential {
                let (oneway, main) = (line.oneway, is_main(line));
                pieces.push(Piece {
                    way,
                    points,
                    oneway,
                    main,
                });
            }
            from = at;
        }
    }
    restrictions(built, &pieces, &knots, &ids, &mut dice, sheet);
    for ferry in built.ferries {
        draw_ferry(built, ferry, &ids, names, sheet);
    }
    places::settlements(built, &mut dice, names, sheet);
    places::services(built, &towns, &mut dice, names, sheet);
}

/// Signals, gates and bollards; gives the junctions where ways must be split.
fn furnish(
    built: &Built,
    towns: &Towns,
    degree: &[u8],
    dice: &mut Dice,
    at_point: &mut BTreeMap<u32, Tags>,
) -> BTreeSet<u32> {
    let roads = built.roads;
    let mut knots = BTreeSet::new();
    let mut main_uses: HashMap<u32, u8> = HashMap::new();
    for line in roads
        .lines
        .iter()
        .filter(|l| is_main(l) && l.role != Role::Roundabout)
    {
        for &point in &line.points {
            *main_uses.entry(point).or_default() += 1;
        }
    }
    for line in &roads.lines {
        for (at, &point) in line.points.iter().enumerate() {
            let inner = at > 0 && at + 1 < line.points.len();
            let junction = degree[point as usize] > 2;
            if line.kind == Kind::Track && at == 2 && inner && !junction && dice.chance(0.16) {
                at_point
                    .entry(point)
                    .or_insert_with(|| tags(&[("barrier", "gate")]));
            }
            let lane = line.kind == Kind::Service || line.kind == Kind::Residential;
            if lane && at == 1 && inner && !junction && dice.chance(0.05) {
                at_point
                    .entry(point)
                    .or_insert_with(|| tags(&[("barrier", "bollard")]));
            }
            let crossing =
                degree[point as usize] >= 4 && main_uses.get(&point).is_some_and(|&u| u >= 1);
            if line.role == Role::Roundabout || !crossing || !matches!(line.role, Role::Street(_)) {
                continue;
            }
            let Some(site) = towns.at(roads.points[point as usize]) else {
                continue;
            };
            if built.sites[site].rank > Rank::Town || knots.contains(&point) {
                continue;
            }
            if dice.chance(0.3) {
                at_point
                    .entry(point)
                    .or_insert_with(|| tags(&[("highway", "traffic_signals")]));
            }
            if dice.chance(0.5) {
                knots.insert(point);
            }
        }
    }
    knots
}

fn way_tags(
    built: &Built,
    line: &Line,
    stretch: Stretch,
    pass_names: &[String],
    line_names: &mut HashMap<u32, String>,
    names: &mut Names,
) -> Tags {
    // Chance that stays the same along a line, whatever pieces it is cut into.
    let mut own = Dice::new(built.country.seed, 0xA000_0000 + u64::from(line.name));
    let kind = match line.kind {
        Kind::Motorway => "motorway",
        Kind::Link => "motorway_link",
        Kind::Primary => "primary",
        Kind::Secondary => "secondary",
        Kind::Tertiary => "tertiary",
        Kind::Unclassified => "unclassified",
        Kind::Residential => "residential",
        Kind::Service => "service",
        Kind::Track => "track",
    };
    let mut all = tags(&[("highway", kind)]);
    let mut put = |key: &str, value: &str| all.push((key.to_owned(), value.to_owned()));
    let number = 1 + line.name % 400;
    match line.kind {
        Kind::Motorway => {
            put("ref", "V 1");
            put("lanes", "2");
            put("toll", "yes");
        }
        Kind::Primary => put("ref", &format!("H {}", 1 + line.name % 90)),
        Kind::Secondary if line.role != Role::Roundabout => put("ref", &format!("S {number}")),
        _ => {}
    }
    let named = match line.role {
        Role::Street(_) => line.kind == Kind::Residential,
        _ => stretch.town && is_main(line) && line.role != Role::Roundabout,
    };
    if named {
        put(
            "name",
            line_names
                .entry(line.name)
                .or_insert_with(|| names.street()),
        );
    } else if let (Role::Pass(at), true) = (line.role, stretch.winter) {
        put("name", &pass_names[at]);
    }
    if line.role == Role::Roundabout {
        put("junction", "roundabout");
    } else if line.oneway {
        put("oneway", "yes");
    }
    surface(line, &mut own, &mut put);
    let (limit, chance) = match (line.kind, stretch.town) {
        (Kind::Motorway, _) => (120, 1.0),
        (Kind::Link, _) => (60, 0.8),
        (Kind::Service | Kind::Track, _) => (30, 0.04),
        (Kind::Residential, _) => (30, 0.45),
        (_, true) => (50, 0.65),
        (Kind::Primary, _) => (90, 0.7),
        (Kind::Secondary, _) => (90, 0.5),
        _ => (if own.chance(0.5) { 70 } else { 80 }, 0.25),
    };
    if own.chance(chance) && line.role != Role::Roundabout {
        put("maxspeed", &limit.to_string());
        if own.chance(0.2) {
            put("maxspeed:type", "sign");
        } else if own.chance(0.1) {
            put("source:maxspeed", "sign");
        }
    }
    if stretch.winter {
        put("motor_vehicle:conditional", "no @ (Nov 15-May 15)");
    }
    match stretch.mark {
        Some(Mark::Bridge) => {
            put("bridge", "yes");
            put("layer", "1");
        }
        Some(Mark::Tunnel) => {
            put("tunnel", "yes");
            put("layer", "-1");
        }
        None => {}
    }
    all
}

fn surface(line: &Line, own: &mut Dice, put: &mut dyn FnMut(&str, &str)) {
    let rough_pass = line.role == Role::Pass(1);
    match line.kind {
        _ if rough_pass && line.kind != Kind::Track => {
            put("surface", "gravel");
            put("smoothness", "bad");
        }
        Kind::Motorway | Kind::Link | Kind::Primary | Kind::Secondary => {
            if own.chance(0.85) {
                put("surface", "asphalt");
                if own.chance(0.2) {
                    put(
                        "smoothness",
                        if own.chance(0.6) { "excellent" } else { "good" },
                    );
                }
            }
        }
        Kind::Tertiary | Kind::Residential | Kind::Service => {
            let choice = own.unit();
            if choice < 0.62 {
                put("surface", "asphalt");
            } else if choice < 0.67 {
                put("surface", "concrete");
            } else if choice < 0.72 {
                put("surface", "sett");
            }
        }
        Kind::Unclassified => {
            let choice = own.unit();
            if choice < 0.58 {
                put("surface", "asphalt");
            } else if choice < 0.68 {
                put("surface", "compacted");
                put("smoothness", "intermediate");
            } else if choice < 0.82 {
                put("surface", "gravel");
            } else if choice < 0.86 {
                put("surface", "unpaved");
                put("smoothness", "bad");
            }
        }
        Kind::Track => {
            let grade = 1 + own.below(5);
            if own.chance(0.72) {
                put("tracktype", &format!("grade{grade}"));
            }
            if own.chance(0.55) {
                let surfaces = ["compacted", "gravel", "ground", "dirt", "grass"];
                put("surface", surfaces[grade - 1]);
            }
            if own.chance(0.3) {
                let smoothness = [
                    "intermediate",
                    "bad",
                    "very_bad",
                    "horrible",
                    "very_horrible",
                ];
                put("smoothness", smoothness[grade - 1]);
            }
            let choice = own.unit();
            if choice < 0.2 {
                put("motor_vehicle", "yes");
            } else if choice < 0.34 {
                put("motor_vehicle", "permit");
            } else if choice < 0.5 {
                put("motor_vehicle", "no");
            } else if choice < 0.6 {
                put("motor_vehicle", "forestry");
            } else if choice < 0.66 {
                put("access", "private");
            }
        }
    }
}

/// Forbidden and compulsory turns at the split junctions, and one over a whole way.
fn restrictions(
    built: &Built,
    pieces: &[Piece],
    knots: &BTreeSet<u32>,
    ids: &[i64],
    dice: &mut Dice,
    sheet: &mut Sheet,
) {
    let mut ends: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
    for (at, piece) in pieces.iter().enumerate() {
        for point in [piece.points[0], piece.points[piece.points.len() - 1]] {
            ends.entry(point).or_default().push(at);
        }
    }
    // Heading in or out of a junction; `None` against a one-way.
    let heading = |piece: &Piece, knot: u32, out: bool| -> Option<f64> {
        let n = piece.points.len();
        let first = piece.points[0] == knot;
        if piece.oneway && first != out {
            return None;
        }
        let next = if first {
            piece.points[1]
        } else {
            piece.points[n - 2]
        };
        let (a, b) = (
            built.roads.points[knot as usize],
            built.roads.points[next as usize],
        );
        let (dx, dy) = if out {
            (b.0 - a.0, b.1 - a.1)
        } else {
            (a.0 - b.0, a.1 - b.1)
        };
        Some(dy.atan2(dx))
    };
    let mut ring_done = false;
    for &knot in knots {
        let Some(here) = ends.get(&knot) else {
            continue;
        };
        let mut choices = Vec::new();
        for &from in here {
            for &to in here {
                if from == to {
                    continue;
                }
                let (Some(a), Some(b)) = (
                    heading(&pieces[from], knot, false),
                    heading(&pieces[to], knot, true),
                ) else {
                    continue;
                };
                let turn = (b - a + std::f64::consts::PI).rem_euclid(std::f64::consts::TAU)
                    - std::f64::consts::PI;
                let kind = match turn {
                    t if t.abs() < 0.5 => "only_straight_on",
                    t if (0.8..2.4).contains(&t) => "no_left_turn",
                    t if (-2.4..-0.8).contains(&t) => "no_right_turn",
                    _ => continue,
                };
                choices.push((from, to, kind));
            }
        }
        if choices.is_empty() {
            continue;
        }
        let &(from, to, kind) = dice.pick(&choices);
        // Compulsory turns are rarer, and never from a side street, which would cut it off.
        if kind == "only_straight_on" && (!pieces[from].main || dice.chance(0.5)) {
            continue;
        }
        let mut all = tags(&[("type", "restriction"), ("restriction", kind)]);
        if dice.chance(0.12) {
            all.push(("except".into(), "bus".into()));
        }
        let members = vec![
            member(MemberKind::Way, pieces[from].way, "from"),
            member(MemberKind::Node, ids[knot as usize], "via"),
            member(MemberKind::Way, pieces[to].way, "to"),
        ];
        sheet.relation(members, all);
    }
    for via in pieces.iter().filter(|p| !p.oneway) {
        let (a, b) = (via.points[0], via.points[via.points.len() - 1]);
        let (Some(first), Some(second)) = (ends.get(&a), ends.get(&b)) else {
            continue;
        };
        let other = |near: &Vec<usize>| {
            near.iter()
                .copied()
                .find(|&p| pieces[p].way != via.way && !pieces[p].oneway)
        };
        let (Some(from), Some(to)) = (other(first), other(second)) else {
            continue;
        };
        if ring_done || from == to || a == b || !via.main || via.points.len() > 12 {
            continue;
        }
        ring_done = true;
        let members = vec![
            member(MemberKind::Way, pieces[from].way, "from"),
            member(MemberKind::Way, via.way, "via"),
            member(MemberKind::Way, pieces[to].way, "to"),
        ];
        let restriction = if pieces[from].main {
            "no_left_turn"
        } else {
            "no_u_turn"
        };
        sheet.relation(
            members,
            tags(&[("type", "restriction"), ("restriction", restriction)]),
        );
    }
}

fn draw_ferry(built: &Built, ferry: &Ferry, ids: &[i64], names: &mut Names, sheet: &mut Sheet) {
    let [a, b] = ferry.ends.map(|p| built.roads.points[p as usize]);
    let [first, last] = ferry.ends.map(|p| ids[p as usize]);
    if first == 0 || last == 0 {
        return;
    }
    let mut refs = vec![first];
    for k in 1..8 {
        let t = f64::from(k) / 8.0;
        let sway = 0.06 * (t * std::f64::consts::PI).sin();
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        refs.push(sheet.node(
            (a.0 + dx * t - dy * sway, a.1 + dy * t + dx * sway),
            Tags::new(),
        ));
    }
    refs.push(last);
    let km = (a.0 - b.0).hypot(a.1 - b.1) / 1000.0;
    // Eighteen kilometres an hour, and ten minutes to moor.
    let minutes = (km / 18.0 * 60.0 + 10.0).round() as u32;
    let mut all = tags(&[
        ("route", "ferry"),
        ("motor_vehicle", "yes"),
        ("foot", "yes"),
    ]);
    all.push((
        "duration".into(),
        format!("{:02}:{:02}", minutes / 60, minutes % 60),
    ));
    all.push(("name".into(), names.with("Naviel %")));
    sheet.way(refs, all);
    for at in [a, b] {
        sheet.node(
            (at.0 + 12.0, at.1 + 12.0),
            tags(&[("amenity", "ferry_terminal")]),
        );
    }
}
