//! Which roads are built, in order of importance; each uses and joins what is already there.

use std::collections::{BTreeMap, HashMap};

use super::curve::{Xy, round};
use super::emit::Ferry;
use super::land::Land;
use super::motorway;
use super::paths::{Demands, Ground, Use};
use super::random::{Dice, Noise};
use super::sites::{Pass, Rank, Site};
use super::{Canceled, Country};

/// Kinds of road, by importance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Kind {
    Motorway,
    Link,
    Primary,
    Secondary,
    Tertiary,
    Unclassified,
    Residential,
    Service,
    Track,
}

/// What a line is besides its kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Role {
    Plain,
    /// Leads over the pass with this index.
    Pass(usize),
    /// Street of the settlement with this index.
    Street(usize),
    Roundabout,
}

/// A mark on a stretch of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Mark {
    Bridge,
    Tunnel,
}

/// One built road: indices of points, in its direction.
#[derive(Debug, Clone)]
pub(crate) struct Line {
    pub(crate) kind: Kind,
    pub(crate) role: Role,
    pub(crate) oneway: bool,
    pub(crate) points: Vec<u32>,
    /// Stretches between two lengths, metres.
    pub(crate) marks: Vec<(f64, f64, Mark)>,
    /// Lines of one name belong together.
    pub(crate) name: u32,
}

/// All roads under construction.
pub(crate) struct Roads {
    pub(crate) points: Vec<Xy>,
    pub(crate) lines: Vec<Line>,
    /// Points of the control posts.
    pub(crate) anchor: HashMap<usize, u32>,
    /// Control posts in the order they were built.
    pub(crate) posts: Vec<usize>,
    /// Point of each pass, where its road was built.
    pub(crate) pass_points: Vec<Option<u32>>,
    /// Next line name.
    names: u32,
}

impl Roads {
    pub(crate) fn xy(&self, line: &Line) -> Vec<Xy> {
        line.points
            .iter()
            .map(|&p| self.points[p as usize])
            .collect()
    }

    pub(crate) fn point(&mut self, at: Xy) -> u32 {
        self.points.push(at);
        self.points.len() as u32 - 1
    }

    pub(crate) fn new_name(&mut self) -> u32 {
        self.names += 1;
        self.names
    }

    pub(crate) fn add(&mut self, kind: Kind, role: Role, points: Vec<u32>) -> &mut Line {
        let name = self.new_name();
        self.lines.push(Line {
            kind,
            role,
            oneway: false,
            points,
            marks: Vec::new(),
            name,
        });
        let last = self.lines.len() - 1;
        &mut self.lines[last]
    }

    /// The point of a control post, made when it is new.
    pub(crate) fn anchor(&mut self, ground: &Ground, post: usize) -> u32 {
        if let Some(&point) = self.anchor.get(&post) {
            return point;
        }
        let point = self.point(ground.land.fine.xy(post));
        self.anchor.insert(post, point);
        self.posts.push(post);
        point
    }

    /// Builds what is new of a path.
    fn lay(&mut self, ground: &mut Ground, path: &[usize], kind: Kind, role: Role) {
        let name = self.new_name();
        let mut run: Vec<usize> = Vec::new();
        let mut runs = Vec::new();
        for pair in path.windows(2) {
            let (a, b) = (pair[0], pair[1]);
            let linked = ground
                .links
                .get(&(a as u32))
                .is_some_and(|l| l.contains(&(b as u32)));
            if linked {
                runs.push(std::mem::take(&mut run));
                continue;
            }
            if run.is_empty() {
                run.push(a);
            }
            run.push(b);
            if ground.used[b] == Use::Road {
                runs.push(std::mem::take(&mut run));
            }
        }
        runs.push(run);
        for run in runs.iter().filter(|r| r.len() > 1) {
            self.lay_run(ground, run, kind, role, name);
        }
    }

    fn lay_run(&mut self, ground: &mut Ground, run: &[usize], kind: Kind, role: Role, name: u32) {
        let fine = ground.land.fine;
        let first = self.anchor(ground, run[0]);
        let last = self.anchor(ground, run[run.len() - 1]);
        let mut corners: Vec<Xy> = run.iter().map(|&p| fine.xy(p)).collect();
        let end = corners.len() - 1;
        corners[0] = self.points[first as usize];
        corners[end] = self.points[last as usize];
        let radius_m = |at: usize| {
            let spread = (run[at] * 7919 % 100) as f64 / 100.0;
            match kind {
                Kind::Primary => 14.0 + 4.0 * spread,
                Kind::Track => 7.0 + 3.0 * spread,
                _ => 9.5 + 4.5 * spread,
            }
        };
        let (curve, marks) = round(&corners, radius_m, 70.0);
        let mut points = vec![first];
        for &at in &curve[1..curve.len() - 1] {
            points.push(self.point(at));
        }
        points.push(last);
        for (at, &post) in run.iter().enumerate() {
            if at > 0 && at < end {
                self.anchor
                    .insert(post, points[marks[at].min(points.len() - 1)]);
                self.posts.push(post);
            }
        }
        for pair in run.windows(2) {
            link(ground, pair[0], pair[1]);
        }
        self.lines.push(Line {
            kind,
            role,
            oneway: false,
            points,
            marks: Vec::new(),
            name,
        });
    }

    /// Finds and builds a road; `false` where none is possible.
    fn build(
        &mut self,
        ground: &mut Ground,
        (from, to): (usize, usize),
        kind: Kind,
        role: Role,
    ) -> bool {
        let Some(path) = ground.path(from, to, demands(kind)) else {
            return false;
        };
        self.lay(ground, &path, kind, role);
        true
    }
}

/// Gradient limits by kind of road, as road authorities set them for hilly country.
pub(crate) fn grade_limit(kind: Kind) -> f64 {
    match kind {
        Kind::Motorway | Kind::Link => 0.05,
        Kind::Primary => 0.08,
        Kind::Secondary => 0.10,
        Kind::Tertiary => 0.11,
        Kind::Unclassified | Kind::Residential | Kind::Service => 0.12,
        Kind::Track => 0.16,
    }
}

pub(crate) fn demands(kind: Kind) -> Demands {
    // Lines are planned below their limit, since rounding the corners shortens them.
    let grade = grade_limit(kind) * 0.9;
    match kind {
        Kind::Motorway => Demands {
            grade,
            stride: 4,
            turn_m: 2500.0,
            over: 5.0,
            joins: false,
        },
        Kind::Primary => Demands {
            grade,
            stride: 2,
            turn_m: 700.0,
            over: 60.0,
            joins: true,
        },
        Kind::Track => Demands {
            grade,
            stride: 1,
            turn_m: 260.0,
            over: 60.0,
            joins: true,
        },
        _ => Demands {
            grade,
            stride: 1,
            turn_m: 420.0,
            over: 60.0,
            joins: true,
        },
    }
}

fn link(ground: &mut Ground, a: usize, b: usize) {
    let fine = ground.land.fine;
    let (p, q) = (fine.xy(a), fine.xy(b));
    let steps = ((p.0 - q.0).hypot(p.1 - q.1) / fine.step_m * 2.0)
        .ceil()
        .max(1.0) as usize;
    for k in 0..=steps {
        let t = k as f64 / steps as f64;
        let at = fine.nearest((p.0 + (q.0 - p.0) * t, p.1 + (q.1 - p.1) * t));
        for near in std::iter::once(at).chain(fine.around(at).map(|(n, _)| n)) {
            if ground.used[near] == Use::Free {
                ground.used[near] = Use::Beside;
            }
        }
    }
    ground.used[a] = Use::Road;
    ground.used[b] = Use::Road;
    ground.links.entry(a as u32).or_default().push(b as u32);
    ground.links.entry(b as u32).or_default().push(a as u32);
}

/// Builds the country's roads between and beyond its settlements.
pub(crate) fn build(
    country: &Country,
    land: &Land,
    river: Vec<bool>,
    sites: &[Site],
    passes: &[Pass],
    step: &mut dyn FnMut(f64) -> Result<(), Canceled>,
) -> Result<Roads, Canceled> {
    let mut ground = Ground {
        land,
        river,
        used: vec![Use::Free; land.fine.len()],
        links: HashMap::new(),
        whims: Noise::new(country.seed, 30),
    };
    let mut roads = Roads {
        points: Vec::new(),
        lines: Vec::new(),
        anchor: HashMap::new(),
        posts: Vec::new(),
        pass_points: vec![None; passes.len()],
        names: 0,
    };
    let mut dice = Dice::new(country.seed, 31);
    let post = |s: usize| land.fine_of(sites[s].cell);

    let ramps = motorway::build(&mut roads, &mut ground, sites);
    step(0.1)?;
    for (a, b) in neighbours(sites, Rank::Town, 45_000.0) {
        roads.build(&mut ground, (post(a), post(b)), Kind::Primary, Role::Plain);
        step(0.1)?;
    }
    for (ramp, site) in ramps {
        roads.build(
            &mut ground,
            (ramp, post(site)),
            Kind::Secondary,
            Role::Plain,
        );
    }
    step(0.25)?;
    for (at, pass) in passes.iter().enumerate() {
        // The second pass is the rough one; later ones take turns.
        let kind = match at {
            1 => Kind::Unclassified,
            _ if at % 3 == 2 => Kind::Tertiary,
            _ => Kind::Secondary,
        };
        let top = land.fine_of(pass.cell);
        let built = pass
            .sides
            .map(|s| roads.build(&mut ground, (post(s), top), kind, Role::Pass(at)));
        if built == [true, true] {
            roads.pass_points[at] = roads.anchor.get(&top).copied();
        }
        step(0.35)?;
    }
    for (a, b) in neighbours(sites, Rank::Village, 14_000.0) {
        let town = sites[a].rank.min(sites[b].rank) <= Rank::Town;
        let kind = if town {
            Kind::Secondary
        } else {
            Kind::Tertiary
        };
        roads.build(&mut ground, (post(a), post(b)), kind, Role::Plain);
        step(0.45)?;
    }
    for (a, b) in hamlet_roads(sites) {
        roads.build(
            &mut ground,
            (post(a), post(b)),
            Kind::Unclassified,
            Role::Plain,
        );
        step(0.65)?;
    }
    let land_km2 = land.order.len() as f64 * land.coarse.step_m.powi(2) * 1e-6;
    let lanes = (land_km2 / 3.0) as usize;
    for _ in 0..lanes {
        lane(&mut roads, &mut ground, &mut dice);
        step(0.75)?;
    }
    let tracks = (land_km2 / 3.0).ceil() as usize;
    for _ in 0..tracks {
        track(&mut roads, &mut ground, &mut dice);
        step(0.9)?;
    }
    Ok(roads)
}

/// Pairs of settlements up to a rank that no third one lies between (Gabriel graph), near first.
fn neighbours(sites: &[Site], rank: Rank, most_m: f64) -> Vec<(usize, usize)> {
    let chosen: Vec<usize> = (0..sites.len())
        .filter(|&s| sites[s].rank <= rank)
        .collect();
    let far2 = |a: usize, b: usize| {
        (sites[a].at.0 - sites[b].at.0).powi(2) + (sites[a].at.1 - sites[b].at.1).powi(2)
    };
    let mut by_east = chosen.clone();
    by_east.sort_by(|&a, &b| sites[a].at.0.total_cmp(&sites[b].at.0));
    let mut pairs = Vec::new();
    for (i, &a) in by_east.iter().enumerate() {
        let near: Vec<usize> = by_east[i + 1..]
            .iter()
            .copied()
            .take_while(|&b| sites[b].at.0 - sites[a].at.0 < most_m)
            .filter(|&b| far2(a, b) < most_m * most_m && sites[a].landmass == sites[b].landmass)
            .collect();
        for b in near {
            let d2 = far2(a, b);
            let west = by_east.partition_point(|&c| sites[c].at.0 < sites[a].at.0 - most_m);
            let between = by_east[west..]
                .iter()
                .take_while(|&&c| sites[c].at.0 < sites[b].at.0 + most_m)
                .any(|&c| c != a && c != b && far2(a, c) + far2(b, c) < d2);
            if !between {
                pairs.push((d2, a, b));
            }
        }
    }
    pairs.sort_by(|x, y| x.0.total_cmp(&y.0).then(x.1.cmp(&y.1)).then(x.2.cmp(&y.2)));
    pairs.into_iter().map(|(_, a, b)| (a, b)).collect()
}

/// Every hamlet to its two nearest neighbours.
fn hamlet_roads(sites: &[Site]) -> Vec<(usize, usize)> {
    let mut by_east: Vec<usize> = (0..sites.len()).collect();
    by_east.sort_by(|&a, &b| sites[a].at.0.total_cmp(&sites[b].at.0));
    let mut pairs = Vec::new();
    for (i, &a) in by_east.iter().enumerate() {
        if sites[a].rank != Rank::Hamlet {
            continue;
        }
        let reach = 40;
        let mut near: Vec<(f64, usize)> = by_east
            [i.saturating_sub(reach)..by_east.len().min(i + reach)]
            .iter()
            .filter(|&&b| b != a && sites[b].landmass == sites[a].landmass)
            .map(|&b| {
                (
                    (sites[a].at.0 - sites[b].at.0).hypot(sites[a].at.1 - sites[b].at.1),
                    b,
                )
            })
            .collect();
        near.sort_by(|x, y| x.0.total_cmp(&y.0).then(x.1.cmp(&y.1)));
        pairs.extend(near.into_iter().take(2).map(|(_, b)| (a, b)));
    }
    pairs
}

/// A lane between two places on roads that are near as the crow flies.
fn lane(roads: &mut Roads, ground: &mut Ground, dice: &mut Dice) {
    if roads.posts.is_empty() {
        return;
    }
    let fine = ground.land.fine;
    let from = *dice.pick(&roads.posts);
    let at = fine.xy(from);
    let (angle, far_m) = (
        dice.between(0.0, std::f64::consts::TAU),
        dice.between(900.0, 2600.0),
    );
    let goal = fine.nearest((at.0 + far_m * angle.cos(), at.1 + far_m * angle.sin()));
    let near = nearest_road(ground, goal, 14);
    let steep = ground.land.slope(ground.land.coarse_of(goal)) > 0.16;
    if let (Some(to), false) = (near, steep) {
        roads.build(ground, (from, to), Kind::Unclassified, Role::Plain);
    }
}

/// A forest or mountain track: half of them link two roads, half end somewhere.
fn track(roads: &mut Roads, ground: &mut Ground, dice: &mut Dice) {
    if roads.posts.is_empty() {
        return;
    }
    let fine = ground.land.fine;
    let from = *dice.pick(&roads.posts);
    let at = fine.xy(from);
    let (angle, far_m) = (
        dice.between(0.0, std::f64::consts::TAU),
        dice.between(700.0, 3200.0),
    );
    let goal = fine.nearest((at.0 + far_m * angle.cos(), at.1 + far_m * angle.sin()));
    let coarse = ground.land.coarse_of(goal);
    // Tracks belong to the hills.
    if ground.land.wet[goal] || ground.land.slope(coarse) < 0.07 {
        return;
    }
    let to = if dice.chance(0.5) {
        nearest_road(ground, goal, 16)
    } else {
        None
    };
    let to = to.unwrap_or(goal);
    if ground.used[to] == Use::Free || ground.used[to] == Use::Road {
        roads.build(ground, (from, to), Kind::Track, Role::Plain);
    }
}

fn nearest_road(ground: &Ground, post: usize, reach: isize) -> Option<usize> {
    let fine = ground.land.fine;
    let ring = |r: isize| (-r..=r).flat_map(move |d| [(d, -r), (d, r), (-r, d), (r, d)]);
    (0..=reach).flat_map(ring).find_map(|(dx, dy)| {
        let near = fine.offset(post, dx, dy)?;
        (ground.used[near] == Use::Road).then_some(near)
    })
}

/// Builds a quay on every settled island and one facing it, and gives the ferries between.
pub(crate) fn harbours(
    roads: &mut Roads,
    land: &Land,
    landmass: &[u32],
    sites: &[Site],
) -> Vec<Ferry> {
    let fine = land.fine;
    let mut by_land: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
    for &post in &roads.posts {
        by_land
            .entry(landmass[land.coarse_of(post)])
            .or_default()
            .push(post);
    }
    let Some(mainland) = by_land.remove(&0) else {
        return Vec::new();
    };
    let nearest = |posts: &[usize], to: Xy| {
        let far = |p: usize| {
            let at = fine.xy(p);
            (at.0 - to.0).hypot(at.1 - to.1)
        };
        posts
            .iter()
            .copied()
            .min_by(|&a, &b| far(a).total_cmp(&far(b)))
    };
    let mut ferries = Vec::new();
    for (island, posts) in by_land {
        let Some(home) = sites.iter().find(|s| s.landmass == island) else {
            continue;
        };
        let Some(facing) = nearest(&mainland, home.at) else {
            continue;
        };
        let Some(landing) = nearest(&posts, fine.xy(facing)) else {
            continue;
        };
        let Some(facing) = nearest(&mainland, fine.xy(landing)) else {
            continue;
        };
        let ends = [(landing, facing), (facing, landing)].map(|(from, to)| {
            let (a, b) = (fine.xy(from), fine.xy(to));
            let far_m = (a.0 - b.0).hypot(a.1 - b.1).max(1.0);
            let at = |s: f64| (a.0 + (b.0 - a.0) * s / far_m, a.1 + (b.1 - a.1) * s / far_m);
            let mut s = 30.0;
            while s < far_m && !land.is_wet(at(s)) {
                s += 10.0;
            }
            let quay = roads.point(at(s));
            let start = roads.anchor[&from];
            roads.add(Kind::Unclassified, Role::Plain, vec![start, quay]);
            quay
        });
        ferries.push(Ferry { ends });
    }
    ferries
}
