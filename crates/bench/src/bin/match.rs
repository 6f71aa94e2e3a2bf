//! How well recordings are matched to roads: rides along known lines, with the noise of a receiver,
//! gaps and tunnels, at several rates. Asserts the bars: route mismatch fraction (Newson and Krumm
//! 2009, ACM GIS, section 5.2: length added plus length missed, over the true length) at most 1 % at
//! 1 to 10 s and 5 % at 30 s, over the rides on all maps that are there, with short gaps and silent
//! tunnels; 10,000 positions within 2 s at these rates.
//!
//! `match --seed 1 --rides 30 [--map NAME]... [--keep DIR] [--every S]...`
#![allow(clippy::print_stdout, clippy::print_stderr)]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use common::{Outcome, Random, extract, imported, random_place};
use planner::Planner;
use planner::document::{PointKind, Tour, TourPoint};
use planner::files::{self, Fix};
use planner::handover::course::{Course, Part};
use planner::matching::{Matched, SIGMA_M, edge_line};
use region::{Access, Edge, LocalFrame, Region, RoadClass, flag};

const MAPS: &[(&str, &str)] = &[
    ("andorra", "andorra-2025-01-19"),
    ("liechtenstein", "liechtenstein-2024-03-04"),
    ("malta", "malta-2024-03-13"),
    ("isle-of-man", "isle-of-man-2021-11-07"),
];
const RATES_S: [f64; 6] = [1.0, 2.0, 5.0, 10.0, 30.0, 60.0];

/// Kinds of rides, and how long their gaps are, seconds: an underpass or a pause; half a town.
/// Those with gaps are silent in tunnels, too.
const KINDS: [(&str, [f64; 2]); 4] = [
    ("no gaps", [0.0; 2]),
    ("planned", [15.0, 60.0]),
    ("long gaps", [60.0, 180.0]),
    ("wandering", [15.0, 60.0]),
];

struct Wanted {
    seed: u64,
    rides: usize,
    maps: Vec<String>,
    every: Vec<f64>,
    keep: Option<PathBuf>,
    why: bool,
}

fn main() -> Outcome<()> {
    let mut wanted = Wanted {
        seed: 1,
        rides: 30,
        maps: Vec::new(),
        every: Vec::new(),
        keep: None,
        why: false,
    };
    let mut args = std::env::args().skip(1);
    while let Some(arg) = args.next() {
        let mut value = || args.next().ok_or(format!("{arg} wants a value"));
        match arg.as_str() {
            "--seed" => wanted.seed = value()?.parse()?,
            "--rides" => wanted.rides = value()?.parse()?,
            "--map" => wanted.maps.push(value()?),
            "--every" => wanted.every.push(value()?.parse()?),
            "--keep" => wanted.keep = Some(value()?.into()),
            "--why" => wanted.why = true,
            other => return Err(format!("{other} is not known").into()),
        }
    }
    if wanted.every.is_empty() {
        wanted.every = RATES_S.to_vec();
    }
    let scratch = tempfile::tempdir()?;
    let dir = wanted.keep.clone().unwrap_or(scratch.path().into());
    std::fs::create_dir_all(&dir)?;
    println!(
        "{:<14} {:<9} {:>5} {:>7} {:>8} {:>8} {:>8} {:>8} {:>8} {:>7} {:>7} {:>6} {:>8}",
        "map",
        "rides",
        "every",
        "km",
        "points",
        "mism. %",
        "missed",
        "added",
        "worst %",
        "free %",
        "beta",
        "sigma",
        "s/10,000"
    );
    let mut missed = Vec::new();
    // Over all maps, by kind of ride and seconds between positions.
    let mut sums: BTreeMap<(usize, u32), [f64; 2]> = BTreeMap::new();
    let mut reproduced = [0.0; 2];
    for (name, file) in MAPS {
        if !wanted.maps.is_empty() && !wanted.maps.iter().any(|m| m == name) {
            continue;
        }
        let Some(planner) = open(&dir, file)? else {
            continue;
        };
        let (plans, walks) = (planned(&planner, &wanted), wandering(&planner, &wanted));
        let tours = from_tracks(&planner, &plans, &wanted);
        println!(
            "{name:<14} tours from tracks: {:.2} % of {:.0} km reproduced, {:.0} points per 100 km, {:.2} s a tour",
            100.0 * tours.both_m / tours.true_m,
            tours.true_m / 1000.0,
            tours.points as f64 / tours.true_m * 100_000.0,
            tours.seconds / plans.len().max(1) as f64,
        );
        reproduced = [reproduced[0] + tours.both_m, reproduced[1] + tours.true_m];
        for (n, (kind, gaps)) in KINDS.into_iter().enumerate() {
            let truths = if kind == "wandering" { &walks } else { &plans };
            for &every in &wanted.every {
                let row = measure(&planner, truths, every, gaps, &wanted);
                let share = 100.0 * (row.missed_m + row.added_m) / row.true_m;
                println!(
                    "{name:<14} {kind:<9} {every:>5} {:>7.0} {:>8} {share:>8.3} {:>8.3} {:>8.3} {:>8.2} {:>7.2} {:>7.1} {:>6.2} {:>8.3}",
                    row.true_m / 1000.0,
                    row.points,
                    100.0 * row.missed_m / row.true_m,
                    100.0 * row.added_m / row.true_m,
                    100.0 * row.worst,
                    100.0 * row.free_m / row.true_m,
                    row.beta_m,
                    row.sigma_m,
                    row.seconds / row.points as f64 * 10_000.0,
                );
                let sum = sums.entry((n, every as u32)).or_insert([0.0; 2]);
                *sum = [sum[0] + row.missed_m + row.added_m, sum[1] + row.true_m];
                if every <= 10.0 && row.seconds / row.points as f64 * 10_000.0 > 2.0 {
                    missed.push(format!(
                        "{name} at {every} s: slower than 10,000 positions in 2 s"
                    ));
                }
            }
        }
    }
    let share = 100.0 * reproduced[0] / reproduced[1].max(1.0);
    println!("tours from tracks: {share:.2} % reproduced");
    if reproduced[1] > 0.0 && share < 97.0 {
        missed.push(format!("tours from tracks reproduce {share:.2} %"));
    }
    if sums.is_empty() {
        missed.push("no map is there, so nothing was measured".into());
    }
    for (&(kind, every), [wrong_m, true_m]) in &sums {
        let (kind, _) = KINDS[kind];
        let share = 100.0 * wrong_m / true_m;
        println!("all maps, {kind}, every {every} s: {share:.2} %");
        let most = match (kind, every) {
            ("planned", 0..=10) => 1.0,
            ("planned", 11..=30) => 5.0,
            _ => f64::INFINITY,
        };
        if share > most {
            missed.push(format!("at {every} s: {share:.2} %, at most {most} %"));
        }
    }
    match missed.is_empty() {
        true => Ok(()),
        false => Err(missed.join("; ").into()),
    }
}

fn open(dir: &Path, name: &str) -> Outcome<Option<Planner>> {
    let Some(file) = extract(name) else {
        return Ok(None);
    };
    let region = imported(name, &file, &dir.join(format!("{name}.region")))?;
    Ok(Some(Planner::new(Arc::new(region))?))
}

/// Parts of edges in riding order: edge, and the shares it was ridden from and to.
type Ride = Vec<(u32, f64, f64)>;

/// Rides as they are planned: over 3 to 8 points, by one of three tastes.
fn planned(planner: &Planner, wanted: &Wanted) -> Vec<Ride> {
    let mut random = Random::new(wanted.seed);
    let mut rides = Vec::new();
    for tries in 0..wanted.rides * 5 {
        if rides.len() == wanted.rides {
            break;
        }
        let taste = ["fastest", "winding", "quiet"][tries % 3];
        let tour = random_tour(planner.region(), &mut random, taste);
        let Ok(course) = planner.course(&tour) else {
            continue;
        };
        let ride = edges_of(&course);
        let roads_only = course.parts.iter().all(|p| matches!(p, Part::Road(_)));
        if roads_only && length_m(planner.region(), &ride) > 3000.0 {
            rides.push(ride);
        }
    }
    rides
}

/// Rides that follow no plan: at each junction any allowed turn.
fn wandering(planner: &Planner, wanted: &Wanted) -> Vec<Ride> {
    let region = planner.region();
    let mut random = Random::new(wanted.seed ^ 0xabcd);
    let mut rides = Vec::new();
    let mut tries = 0;
    while rides.len() < wanted.rides && tries < 50 * wanted.rides {
        tries += 1;
        let mut edge = random.below(region.edge_count() as usize) as u32;
        if region.access(Edge(edge)) != Access::Open {
            continue;
        }
        let (mut ride, mut ridden_m) = (Ride::new(), 0.0);
        while ridden_m < 15_000.0 {
            ride.push((edge, 0.0, 1.0));
            ridden_m += region.length_m(edge / 2);
            let first = region.turn_first_out();
            let arcs = first[edge as usize]..first[edge as usize + 1];
            let next: Vec<u32> = arcs
                .map(|a| region.state_edge()[region.turn_head()[a as usize] as usize])
                .filter(|&e| e != edge ^ 1 && region.access(Edge(e)) == Access::Open)
                .collect();
            if next.is_empty() {
                break;
            }
            edge = next[random.below(next.len())];
        }
        if ridden_m > 3000.0 {
            rides.push(ride);
        }
    }
    rides
}

fn random_tour(region: &Region, random: &mut Random, taste: &str) -> Tour {
    let count = 3 + random.below(6);
    // Nobody plans a tour over a yard or a field.
    let points = (0..count).map(|i| {
        let at = random_place(region, random, |p| region.class(p) < RoadClass::Service);
        TourPoint::new(
            match i == 0 || i + 1 == count {
                true => PointKind::Stop,
                false => PointKind::Via,
            },
            [at.lat(), at.lon()],
        )
    });
    Tour::new("", taste, points.collect())
}

fn length_m(region: &Region, ride: &Ride) -> f64 {
    let part = |&(edge, from, to): &(u32, f64, f64)| region.length_m(edge / 2) * (to - from);
    ride.iter().map(part).sum()
}

/// A recording of a ride: a position every so many seconds at a speed that wanders, normal noise
/// across and along; nothing in tunnels, nor in gaps of so many seconds every ten minutes on average.
/// With it the ride as far as it was recorded.
fn recorded(
    region: &Region,
    ride: &Ride,
    every_s: f64,
    gaps: [f64; 2],
    random: &mut Random,
) -> (Vec<Fix>, Ride) {
    let mut fixes = Vec::new();
    let mut end = (0, 0.0);
    let (mut clock_s, mut speed_ms) = (1_600_000_000.0, 14.0f64);
    let mut next_s = clock_s;
    let mut silent_until_s = 0.0;
    for (n, &(edge, from, to)) in ride.iter().enumerate() {
        let line = edge_line(region, Edge(edge), from, to);
        let tunnel = region.piece_flags()[edge as usize / 2] & flag::TUNNEL != 0;
        let whole_line_m: f64 = line
            .windows(2)
            .map(|w| region::distance_m(w[0], w[1]))
            .sum();
        let mut along_m = 0.0;
        for pair in line.windows(2) {
            let frame = LocalFrame::at(pair[0]);
            let b = frame.to_m(pair[1]);
            let whole_m = b[0].hypot(b[1]);
            let mut done_m = 0.0;
            while done_m < whole_m {
                let step_m = (whole_m - done_m)
                    .min(speed_ms * (next_s - clock_s))
                    .max(0.0);
                done_m += step_m;
                clock_s += step_m / speed_ms;
                if clock_s + 1e-6 < next_s {
                    continue;
                }
                next_s += every_s;
                for _ in 0..every_s as usize {
                    speed_ms = (speed_ms + random.normal() * 0.8).clamp(5.0, 28.0);
                }
                if random.unit() < every_s / 600.0 {
                    silent_until_s = clock_s + gaps[0] + (gaps[1] - gaps[0]) * random.unit();
                }
                let first = fixes.is_empty();
                let last = n + 1 == ride.len();
                if !first && !last && (tunnel || clock_s < silent_until_s) {
                    continue;
                }
                let share = done_m / whole_m;
                let done = ((along_m + done_m) / whole_line_m).min(1.0);
                end = (n, from + (to - from) * done);
                let noisy = [
                    b[0] * share + random.normal() * SIGMA_M,
                    b[1] * share + random.normal() * SIGMA_M,
                ];
                let at = frame.to_point(noisy);
                fixes.push(Fix {
                    lat: at.lat(),
                    lon: at.lon(),
                    height_m: None,
                    time_s: Some(clock_s),
                });
            }
            along_m += whole_m;
        }
    }
    let mut known = ride[..=end.0].to_vec();
    if let Some(last) = known.last_mut() {
        last.2 = end.1;
    }
    (fixes, known)
}

#[derive(Default)]
struct Row {
    true_m: f64,
    missed_m: f64,
    added_m: f64,
    free_m: f64,
    worst: f64,
    points: usize,
    seconds: f64,
    beta_m: f64,
    sigma_m: f64,
}

fn measure(
    planner: &Planner,
    rides: &[Ride],
    every_s: f64,
    gaps: [f64; 2],
    wanted: &Wanted,
) -> Row {
    let region = planner.region();
    let mut row = Row::default();
    for (n, ride) in rides.iter().enumerate() {
        let mut random = Random::new(wanted.seed.wrapping_mul(7919) + n as u64);
        let (fixes, ride) = &recorded(region, ride, every_s, gaps, &mut random);
        if fixes.len() < 3 {
            continue;
        }
        let start = Instant::now();
        let matched = planner.match_line(fixes, &|_, _| true);
        row.seconds += start.elapsed().as_secs_f64();
        row.points += fixes.len();
        let truth = length_m(region, ride);
        let Ok(matched) = matched else {
            // Refused is missed whole.
            row.true_m += truth;
            row.missed_m += truth;
            row.worst = row.worst.max(1.0);
            continue;
        };
        let found = found(&matched);
        let both = common_m(region, ride, &found);
        let (missed, added) = (truth - both, length_m(region, &found) - both);
        row.true_m += truth;
        row.missed_m += missed;
        row.added_m += added;
        row.worst = row.worst.max((missed + added) / truth);
        row.beta_m += matched.beta_m / rides.len() as f64;
        row.sigma_m += matched.sigma_m / rides.len() as f64;
        for part in matched.parts.iter().filter(|p| p.road.is_none()) {
            let line = &fixes[part.first..=part.last];
            row.free_m += line
                .windows(2)
                .map(|w| region::distance_m(w[0].point(), w[1].point()))
                .sum::<f64>();
        }
        if wanted.why && (missed + added) / truth > 0.01 {
            why(region, n, ride, &found, fixes, &matched);
        }
    }
    row
}

#[derive(Default)]
struct Tours {
    both_m: f64,
    true_m: f64,
    points: usize,
    seconds: f64,
}

/// Rides recorded every 5 s, made into tours for the quickest way, and planned: what they have in
/// common with the ride, edge by edge.
fn from_tracks(planner: &Planner, rides: &[Ride], wanted: &Wanted) -> Tours {
    let region = planner.region();
    let mut sum = Tours::default();
    for (n, ride) in rides.iter().enumerate() {
        let mut random = Random::new(wanted.seed.wrapping_mul(104_729) + n as u64);
        let (fixes, ride) = recorded(region, ride, 5.0, [0.0; 2], &mut random);
        let track = files::Ride {
            tracks: vec![files::Track {
                name: String::new(),
                segments: vec![fixes],
            }],
            ..files::Ride::default()
        };
        let start = Instant::now();
        let tour = planner.tour_of_ride(&track, &"fastest".into(), &|_, _| true);
        sum.seconds += start.elapsed().as_secs_f64();
        sum.true_m += length_m(region, &ride);
        let Ok((tour, _)) = tour else { continue };
        sum.points += tour.points.len();
        if let Ok(course) = planner.course(&tour) {
            sum.both_m += common_m(region, &ride, &edges_of(&course));
        }
    }
    sum
}

/// Edges of a course, ferries and drawn parts left out.
fn edges_of(course: &Course) -> Ride {
    let mut ride = Ride::new();
    for part in &course.parts {
        let Part::Road(span) = part else { continue };
        let last = span.edges.len() - 1;
        for (i, &edge) in span.edges.iter().enumerate() {
            let from = if i == 0 { span.from } else { 0.0 };
            let to = if i == last { span.to } else { 1.0 };
            ride.push((edge, from, to));
        }
    }
    ride
}

fn found(matched: &Matched) -> Ride {
    let mut found = Ride::new();
    for road in matched.parts.iter().filter_map(|p| p.road.as_ref()) {
        let last = road.edges.len() - 1;
        for (i, edge) in road.edges.iter().enumerate() {
            let from = if i == 0 { road.from } else { 0.0 };
            let to = if i == last { road.to } else { 1.0 };
            found.push((edge.0, from, to));
        }
    }
    found
}

/// Length that two rides share in order: the longest common subsequence, by metres.
fn common_m(region: &Region, a: &Ride, b: &Ride) -> f64 {
    pairs(region, a, b).0
}

/// The same, and for each part of `a` whether it is in it.
fn pairs(region: &Region, a: &Ride, b: &Ride) -> (f64, Vec<bool>, Vec<bool>) {
    let (n, m) = (a.len(), b.len());
    let shared = |x: &(u32, f64, f64), y: &(u32, f64, f64)| match x.0 == y.0 {
        true => region.length_m(x.0 / 2) * (x.2.min(y.2) - x.1.max(y.1)).max(0.0),
        false => 0.0,
    };
    let mut best = vec![0.0f64; (n + 1) * (m + 1)];
    for i in 1..=n {
        for j in 1..=m {
            let both = best[(i - 1) * (m + 1) + j - 1] + shared(&a[i - 1], &b[j - 1]);
            let one = best[(i - 1) * (m + 1) + j].max(best[i * (m + 1) + j - 1]);
            best[i * (m + 1) + j] = both.max(one);
        }
    }
    let (mut in_a, mut in_b) = (vec![false; n], vec![false; m]);
    let (mut i, mut j) = (n, m);
    while i > 0 && j > 0 {
        let here = best[i * (m + 1) + j];
        if here == best[(i - 1) * (m + 1) + j] {
            i -= 1;
        } else if here == best[i * (m + 1) + j - 1] {
            j -= 1;
        } else {
            (in_a[i - 1], in_b[j - 1]) = (true, true);
            (i, j) = (i - 1, j - 1);
        }
    }
    (best[n * (m + 1) + m], in_a, in_b)
}

/// Says where a match is wrong.
fn why(region: &Region, n: usize, ride: &Ride, found: &Ride, fixes: &[Fix], matched: &Matched) {
    let (_, in_a, in_b) = pairs(region, ride, found);
    let say = |what: &str, ride: &Ride, known: &[bool]| {
        let mut i = 0;
        while i < ride.len() {
            if known[i] {
                i += 1;
                continue;
            }
            let run = (i..ride.len()).take_while(|&k| !known[k]).count();
            let part = ride[i..i + run].to_vec();
            let m = length_m(region, &part);
            if m > 30.0 {
                let at = edge_line(region, Edge(part[0].0), 0.0, 1.0)[0];
                let edges: Vec<String> = part
                    .iter()
                    .take(6)
                    .map(|p| format!("{}:{:?}", p.0, region.class(p.0 / 2)))
                    .collect();
                eprintln!(
                    "  ride {n}: {what} {m:.0} m at {:.5},{:.5} ({run}) {}",
                    at.lat(),
                    at.lon(),
                    edges.join(" ")
                );
            }
            i += run;
        }
    };
    eprintln!(
        "ride {n}: {} positions, {} parts, {:?}",
        fixes.len(),
        matched.parts.len(),
        matched.gaps.len()
    );
    say("missed", ride, &in_a);
    say("added", found, &in_b);
}
