//! How well handed-over points hold: random winding tours, replayed by routers the panel has never
//! seen, on the same map and on another edition, with kind and with careless snapping, beside
//! evenly spaced and Douglas-Peucker points. The table of docs/handover.md.
//!
//! `handover --seed 1 --tours 60 [--map NAME]... [--keep DIR] [--why] [--set NAME]... [--panel 0,1,2n@50]... [--own]`.
//! `--own` asks the panel itself alone; the last two columns are seconds for 300 km, choosing and
//! replay by the panel.
#![allow(clippy::print_stdout, clippy::print_stderr)]

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use common::{Outcome, Random, extract, imported, random_place};
use planner::Planner;
use planner::document::{PointKind, Tour, TourPoint};
use planner::handover::course::{Course, Part, Pins};
use planner::handover::panel::{Counts, Kit, Panel, Router, Settings, models};
use planner::handover::replay::{Report, Snapping, Stage};
use region::{Access, Bounds, Edge, LocalFrame, Point, Region, distance_m};

/// Maps, and another edition of the same country where there is one.
const MAPS: &[(&str, &str, &str)] = &[
    ("liechtenstein", "liechtenstein-2024-03-04", ""),
    ("andorra", "andorra-2025-01-19", "andorra-2021-04-14"),
    ("isle-of-man", "isle-of-man-2021-11-07", ""),
    ("malta", "malta-2024-03-13", ""),
];

/// What is shipped, and must hold its bars.
const SHIPPED: &str = "all 20, 5 %";
/// Points per 100 km at most; share of tours whose line strangers hold to 99 %, on the same map and with
/// careless snapping there and in Andorra; share of the length on another edition.
const MOST_POINTS: f64 = 75.0;
const SAME: f64 = 0.97;
const CARELESS: [f64; 2] = [0.88, 0.60];
const OLDER: f64 = 0.97;

struct Wanted {
    seed: u64,
    tours: usize,
    maps: Vec<String>,
    sets: Vec<String>,
    keep: Option<PathBuf>,
    why: bool,
    panels: Vec<String>,
    own: bool,
}

fn main() -> Outcome<()> {
    let mut wanted = Wanted {
        seed: 1,
        tours: 60,
        maps: Vec::new(),
        sets: Vec::new(),
        keep: None,
        why: false,
        panels: Vec::new(),
        own: false,
    };
    let mut args = std::env::args().skip(1);
    while let Some(arg) = args.next() {
        let mut value = || args.next().ok_or(format!("{arg} wants a value"));
        match arg.as_str() {
            "--seed" => wanted.seed = value()?.parse()?,
            "--tours" => wanted.tours = value()?.parse()?,
            "--map" => wanted.maps.push(value()?),
            "--set" => wanted.sets.push(value()?),
            "--panel" => wanted.panels.push(value()?),
            "--keep" => wanted.keep = Some(value()?.into()),
            "--own" => wanted.own = true,
            "--why" => wanted.why = true,
            other => return Err(format!("{other} is not known").into()),
        }
    }
    let scratch = tempfile::tempdir()?;
    let dir = wanted.keep.clone().unwrap_or(scratch.path().into());
    std::fs::create_dir_all(&dir)?;
    println!(
        "{:<14} {:<22} {:>6} {:>7} {:>7} {:>7} {:>7} {:>7} {:>7} {:>7} {:>5} {:>5}",
        "map",
        "points from",
        "/100km",
        "panel",
        "same",
        "careless",
        "moved",
        "older",
        "o.mean",
        "o.care",
        "s",
        "s"
    );
    let (mut missed, mut maps) = (Vec::new(), 0);
    for (name, file, older) in MAPS {
        if !wanted.maps.is_empty() && !wanted.maps.iter().any(|m| m == name) {
            continue;
        }
        let Some(planner) = open(&dir, file)? else {
            continue;
        };
        let older = match *older {
            "" => None,
            older => open(&dir, older)?,
        };
        missed.extend(measure(name, &planner, older.as_ref(), &wanted)?);
        maps += 1;
    }
    if maps == 0 {
        missed.push("no map is there, so nothing was measured".into());
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

/// A tour to hand over and its line.
struct Ride {
    course: Course,
    line: Vec<Point>,
    length_m: f64,
}

/// Routers that no panel was built from.
fn strangers(seed: u64) -> Vec<Router> {
    let mut random = Random::new(seed ^ 0x57a4);
    let base = [
        105.0, 85.0, 78.0, 70.0, 62.0, 48.0, 33.0, 9.0, 13.0, 17.0, 9.0, 12.0,
    ];
    let mut table = |spread: f64| base.map(|v| v * (1.0 + spread * (2.0 * random.unit() - 1.0)));
    let mut strangers = vec![
        Router {
            name: "stranger, posted speeds".into(),
            speed_kmh: table(0.15),
            limits: true,
            turn_s: 3.0,
            noise: 0.1,
            seed: seed + 100,
            ..Router::default()
        },
        Router {
            name: "stranger, short and wide".into(),
            counts: Counts::Length,
            factor: [
                0.8, 0.85, 0.9, 0.95, 1.0, 1.05, 1.2, 1.6, 1.5, 1.8, 2.5, 1.0,
            ],
            noise: 0.12,
            seed: seed + 200,
            ..Router::default()
        },
        Router {
            name: "stranger, hurried".into(),
            speed_kmh: table(0.3),
            turn_s: 9.0,
            across_s: 4.0,
            signals_s: 12.0,
            unpaved: 1.5,
            noise: 0.18,
            seed: seed + 300,
            ..Router::default()
        },
        Router {
            name: "stranger, simple".into(),
            speed_kmh: table(0.25),
            turns: false,
            access: false,
            noise: 0.15,
            seed: seed + 400,
            ..Router::default()
        },
    ];
    // Two of them pass points in the direction in which they arrive.
    for n in [0, 2] {
        let router = strangers[n].clone();
        strangers.push(Router {
            name: format!("{}, keeps its course", router.name),
            course: true,
            seed: router.seed + 50,
            ..router
        });
    }
    strangers
}

fn rides(planner: &Planner, wanted: &Wanted) -> Vec<Ride> {
    let mut random = Random::new(wanted.seed);
    let region = planner.region();
    let mut rides = Vec::new();
    let mut tries = 0;
    while rides.len() < wanted.tours && tries < 4 * wanted.tours + 100 {
        tries += 1;
        let tour = random_tour(region, &mut random);
        let Ok(course) = planner.course(&tour) else {
            continue;
        };
        let line: Vec<Point> = course
            .parts
            .iter()
            .flat_map(|p| planner.part_line(p))
            .collect();
        let length_m = planner.course_length_m(&course);
        let ferry = course.parts.iter().any(|p| matches!(p, Part::Track(..)));
        if length_m > 3000.0 && !ferry {
            rides.push(Ride {
                course,
                line,
                length_m,
            });
        }
    }
    rides
}

/// A tour by the winding taste: 3 to 12 points, every fourth between the ends a stop.
fn random_tour(region: &Region, random: &mut Random) -> Tour {
    let count = 3 + random.below(10);
    let points = (0..count).map(|i| {
        let at = random_place(region, random, |_| true);
        let halts = i == 0 || i + 1 == count || random.below(4) == 0;
        TourPoint::new(
            if halts {
                PointKind::Stop
            } else {
                PointKind::Via
            },
            [at.lat(), at.lon()],
        )
    });
    Tour::new("", "winding", points.collect())
}

/// Points, which of them are halts, and the stages between.
type Chosen = (Vec<Point>, Vec<bool>, Vec<Stage>);

/// A way of choosing points.
enum Choice {
    Panel(Settings),
    Even(f64),
    Corners(f64),
}

fn choices(wanted: &Wanted) -> Vec<(String, Choice)> {
    let settings = |models: &[Router], noise: bool, margin_permille, safest| {
        let panel = match noise {
            true => Panel::built_in(models, 0.2, 1),
            false => Panel {
                routers: models.to_vec(),
            },
        };
        Choice::Panel(Settings {
            margin_permille,
            safest,
            panel,
            ..Settings::default()
        })
    };
    let all = models();
    let mut list = Vec::new();
    for (title, count, noise, margin, safest) in [
        ("panel of 1, 5 %", 1, false, 50, true),
        ("panel of 3, 5 %", 3, false, 50, true),
        ("panel of 6, 5 %", 6, false, 50, true),
        ("all plain 10, 5 %", 10, false, 50, true),
        ("all 20, 0 %", 10, true, 0, true),
        ("all 20, 5 %, late", 10, true, 50, false),
        (SHIPPED, 10, true, 50, true),
        ("all 20, 20 %", 10, true, 200, true),
    ] {
        let choice = settings(&all[..count], noise, margin, safest);
        list.push((title.to_owned(), choice));
    }
    for text in &wanted.panels {
        list.push((text.clone(), Choice::Panel(picked(text))));
    }
    for per_100_km in [75.0, 150.0, 300.0] {
        list.push((format!("corners {per_100_km}"), Choice::Corners(per_100_km)));
        list.push((format!("even {per_100_km}"), Choice::Even(per_100_km)));
    }
    if !wanted.sets.is_empty() || !wanted.panels.is_empty() {
        list.retain(|(name, _)| {
            wanted.panels.contains(name) || wanted.sets.iter().any(|s| name.contains(s.as_str()))
        });
    }
    list
}

/// A panel by the numbers of its models, `n` behind those that are disturbed, then `@` and the margin
/// in thousandths: `0,1,2n,5@50`.
fn picked(text: &str) -> Settings {
    let (panel, rest) = text.split_once('@').unwrap_or((text, "50"));
    let all = Panel::built_in(&models(), 0.2, 1).routers;
    let of = |part: &str| {
        let n = part.trim_end_matches('n').parse::<usize>().unwrap_or(0);
        let disturbed = usize::from(part.ends_with('n')) * all.len() / 2;
        all.get(n + disturbed).cloned()
    };
    Settings {
        margin_permille: rest.parse().unwrap_or(50),
        safest: true,
        spacing_m: 0.0,
        panel: Panel {
            routers: panel.split(',').filter_map(of).collect(),
        },
    }
}

/// Prints the rows of a map; the bars that the shipped settings miss.
fn measure(
    name: &str,
    planner: &Planner,
    older: Option<&Planner>,
    wanted: &Wanted,
) -> Outcome<Vec<String>> {
    let mut missed = Vec::new();
    let rides = rides(planner, wanted);
    let km: f64 = rides.iter().map(|r| r.length_m / 1000.0).sum();
    eprintln!("{name}: {} tours, {km:.0} km", rides.len());
    let strangers = Panel {
        routers: strangers(wanted.seed),
    };
    for (title, choice) in choices(wanted) {
        let mut chosen = Vec::new();
        let (mut choose_s, mut replay_s) = (0.0, 0.0);
        let mut own: Vec<f64> = Vec::new();
        let mut disagree = 0;
        for ride in &rides {
            let pins = match &choice {
                Choice::Panel(settings) => {
                    let kit = planner.kit(&settings.panel);
                    let start = Instant::now();
                    let pins = planner.pins(&ride.course, &kit, settings);
                    choose_s += start.elapsed().as_secs_f64();
                    disagree += usize::from(!pins.sweeps_agree || pins.minimum != pins.pins.len());
                    let start = Instant::now();
                    let reports = replay(planner, &kit, &pins, Snapping::Nearest);
                    replay_s += start.elapsed().as_secs_f64();
                    own.push(worst(&reports));
                    if worst(&reports) < 0.999 && wanted.why {
                        println!("  own panel: {:?}", leaves(&reports));
                    }
                    let halts = pins.pins.iter().map(|p| p.stays).collect();
                    (pins.pins.iter().map(|p| p.at).collect(), halts, pins.stages)
                }
                Choice::Even(per) => spread(&ride.line, &even(&ride.line, count(ride, *per))),
                Choice::Corners(per) => spread(&ride.line, &corners(&ride.line, count(ride, *per))),
            };
            chosen.push(pins);
        }
        let points: usize = chosen.iter().map(|c: &Chosen| c.0.len()).sum();
        let held = |shares: &[f64], bar: f64| {
            shares.iter().filter(|s| **s >= bar).count() as f64 / shares.len().max(1) as f64
        };
        let mean = |shares: &[f64]| shares.iter().sum::<f64>() / shares.len().max(1) as f64;
        let per_300_km = [choose_s, replay_s].map(|s| s / km * 300.0);
        let shipped = title == SHIPPED;
        let mut bar = |what: &str, value: f64, holds: bool| {
            if shipped && !holds {
                missed.push(format!("{name}: {what} {value:.3}"));
            }
        };
        let panel = held(&own, 0.999);
        bar("tours held by the panel", panel, panel >= 1.0);
        bar("tours not at the minimum", disagree as f64, disagree == 0);
        if wanted.own {
            println!(
                "{name:<14} {title:<22} {:>6.1} {:>7.3} {:>7.4} {per_300_km:.2?} s for 300 km, {disagree} \
                 of {} not the minimum",
                points as f64 / km * 100.0,
                held(&own, 0.999),
                own.iter().fold(1.0, |a: f64, b| a.min(*b)),
                rides.len()
            );
            continue;
        }
        let mut random = Random::new(wanted.seed + 7);
        let mut ask = |planner: &Planner, other: bool, snapping, moved: bool, label: &str| {
            let kit = planner.kit(&strangers);
            let mut shares = Vec::new();
            for (points, halts, stages) in &chosen {
                let points: Vec<Point> = match moved {
                    true => points.iter().map(|&p| random.shifted(p, 4.0)).collect(),
                    false => points.clone(),
                };
                let stages: Vec<Stage> = match other {
                    true => stages.iter().map(|s| on_map(planner, s)).collect(),
                    false => stages.clone(),
                };
                let reports = planner.replay(&kit, &points, halts, &stages, snapping);
                let share = worst(&reports);
                if wanted.why && share < 0.99 && matches!(choice, Choice::Panel(_)) {
                    println!("  {label} {share:.4}");
                    for line in leaves(&reports) {
                        println!("    {line}");
                    }
                }
                shares.push(share);
            }
            shares
        };
        let same = ask(planner, false, Snapping::Nearest, false, "same");
        let careless = ask(planner, false, Snapping::Careless, false, "careless");
        let moved = ask(planner, false, Snapping::Nearest, true, "moved");
        let (old, old_careless) = match older {
            Some(older) => (
                ask(older, true, Snapping::Nearest, false, "older"),
                ask(older, true, Snapping::Careless, false, "older careless"),
            ),
            None => (vec![], vec![]),
        };
        let per_100_km = points as f64 / km * 100.0;
        bar("points per 100 km", per_100_km, per_100_km <= MOST_POINTS);
        let least = CARELESS[usize::from(name == "andorra")];
        for (what, value, least) in [
            ("tours on the same map", held(&same, 0.99), SAME),
            ("tours snapped carelessly", held(&careless, 0.99), least),
        ] {
            bar(what, value, value >= least);
        }
        if older.is_some() {
            bar("length on the older map", mean(&old), mean(&old) >= OLDER);
        }
        println!(
            "{name:<14} {title:<22} {:>6.1} {:>7.3} {:>7.3} {:>7.3} {:>7.3} {:>7.3} {:>7.4} {:>7.3} {:>5.2} {:>5.2} {}",
            points as f64 / km * 100.0,
            held(&own, 0.999),
            held(&same, 0.99),
            held(&careless, 0.99),
            held(&moved, 0.99),
            held(&old, 0.99),
            mean(&old),
            held(&old_careless, 0.99),
            per_300_km[0],
            per_300_km[1],
            match disagree {
                0 => String::new(),
                n => format!("{n} not the minimum"),
            }
        );
    }
    Ok(missed)
}

fn replay(planner: &Planner, kit: &Kit, pins: &Pins, snapping: Snapping) -> Vec<Report> {
    let points: Vec<Point> = pins.pins.iter().map(|p| p.at).collect();
    let halts: Vec<bool> = pins.pins.iter().map(|p| p.stays).collect();
    planner.replay(kit, &points, &halts, &pins.stages, snapping)
}

fn worst(reports: &[Report]) -> f64 {
    reports.iter().map(|r| r.share).fold(1.0, f64::min)
}

fn leaves(reports: &[Report]) -> Vec<String> {
    let mut lines = Vec::new();
    for report in reports {
        for leave in &report.leaves {
            lines.push(format!(
                "{:.6},{:.6} km {} misses {:.0} m: {}",
                leave.at[0], leave.at[1], leave.km, leave.missed_m, leave.why
            ));
        }
    }
    lines
}

/// The stage with those parts left out whose road is not on the map.
fn on_map(planner: &Planner, stage: &Stage) -> Stage {
    let region = planner.region();
    let Some(&origin) = stage.line.get(stage.line.len() / 2) else {
        return stage.clone();
    };
    let frame = LocalFrame::at(origin);
    let flat: Vec<[f64; 2]> = stage.line.iter().map(|&p| frame.to_m(p)).collect();
    let counts = planner::handover::compare::densified(&flat, 10.0)
        .into_iter()
        .map(|p| {
            let at = frame.to_point(p);
            let near = |piece: u32| near_m(region, piece, at) <= 15.0;
            let open = |piece: u32| {
                [false, true]
                    .iter()
                    .any(|&b| region.access(Edge::new(piece, b)) <= Access::Unverified)
            };
            region
                .pieces_in(Bounds::around(at, 15.0))
                .into_iter()
                .any(|piece| open(piece) && near(piece))
        })
        .collect();
    Stage {
        counts: Some(counts),
        edges: Vec::new(),
        line: stage.line.clone(),
    }
}

fn near_m(region: &Region, piece: u32, at: Point) -> f64 {
    let frame = LocalFrame::at(at);
    let points: Vec<[f64; 2]> = region
        .piece_points(piece)
        .map(|i| frame.to_m(region.point(i)))
        .collect();
    points
        .windows(2)
        .map(|w| aside([0.0; 2], w[0], w[1]))
        .fold(f64::INFINITY, f64::min)
}

fn aside(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> f64 {
    let d = [b[0] - a[0], b[1] - a[1]];
    let l2 = d[0] * d[0] + d[1] * d[1];
    let t = match l2 > 0.0 {
        true => (((p[0] - a[0]) * d[0] + (p[1] - a[1]) * d[1]) / l2).clamp(0.0, 1.0),
        false => 0.0,
    };
    (p[0] - a[0] - t * d[0]).hypot(p[1] - a[1] - t * d[1])
}

fn count(ride: &Ride, per_100_km: f64) -> usize {
    ((ride.length_m / 100_000.0 * per_100_km).round() as usize).max(2)
}

/// Indices of line points nearest to even spacing; the line is made dense first by the caller.
fn even(line: &[Point], count: usize) -> Vec<usize> {
    let mut along = vec![0.0];
    for pair in line.windows(2) {
        along.push(along[along.len() - 1] + distance_m(pair[0], pair[1]));
    }
    let whole = along[along.len() - 1];
    let mut taken: Vec<usize> = (0..count)
        .map(|i| {
            let m = whole * i as f64 / (count - 1) as f64;
            along.partition_point(|&a| a < m).min(line.len() - 1)
        })
        .collect();
    taken.dedup();
    taken
}

/// Douglas-Peucker, worst first.
fn corners(line: &[Point], count: usize) -> Vec<usize> {
    let frame = LocalFrame::at(line[line.len() / 2]);
    let flat: Vec<[f64; 2]> = line.iter().map(|&p| frame.to_m(p)).collect();
    let farthest = |a: usize, b: usize| {
        let off = (a + 1..b).map(|i| (aside(flat[i], flat[a], flat[b]), i));
        off.max_by(|x, y| x.0.total_cmp(&y.0))
            .map(|(d, i)| (d, i, a, b))
    };
    let mut kept = vec![0, line.len() - 1];
    let mut open: Vec<(f64, usize, usize, usize)> =
        farthest(0, line.len() - 1).into_iter().collect();
    while kept.len() < count && !open.is_empty() {
        let best = (0..open.len())
            .max_by(|&x, &y| open[x].0.total_cmp(&open[y].0))
            .unwrap_or(0);
        let (_, at, a, b) = open.swap_remove(best);
        kept.push(at);
        open.extend(farthest(a, at));
        open.extend(farthest(at, b));
    }
    kept.sort_unstable();
    kept
}

fn spread(line: &[Point], taken: &[usize]) -> Chosen {
    let points: Vec<Point> = taken.iter().map(|&i| line[i]).collect();
    let stages = taken
        .windows(2)
        .map(|w| Stage {
            line: line[w[0]..=w[1]].to_vec(),
            ..Stage::default()
        })
        .collect();
    let halts = vec![false; points.len()];
    (points, halts, stages)
}
