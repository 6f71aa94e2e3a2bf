//! Recordings laid on roads, on drawn maps where the answer is known.

use std::cell::Cell;
use std::collections::HashSet;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use planner::Planner;
use planner::document::{LegKind, PointKind, Tour, TourPoint};
use planner::files::{Fix, Ride, Track};
use planner::matching::{MatchError, Matched, Part, Rule};
use proptest::prelude::*;
use region::{Access, LocalFrame, Point, Region};

use crate::map::{Map, at};

/// A drawn map, imported.
struct Drawn {
    world: synth::World,
    planner: Planner,
}

impl Drawn {
    fn new(sketch: &synth::Sketch) -> Self {
        let world = sketch.build().unwrap();
        let dir = tempfile::tempdir().unwrap();
        let (pbf, out) = (
            dir.path().join("drawn.osm.pbf"),
            dir.path().join("drawn.region"),
        );
        world.write_pbf(&pbf).unwrap();
        let job = import::Job {
            name: "drawn",
            files: &[pbf],
            elevation: &[],
            credit: None,
            out: &out,
        };
        import::import(&job, &|_, _, _| {}, &AtomicBool::new(false)).unwrap();
        let planner = Planner::new(Arc::new(Region::open(&out).unwrap())).unwrap();
        Drawn { world, planner }
    }

    fn letter(&self, letter: char) -> Point {
        let (lat, lon) = self.world.lat_lon(letter).unwrap();
        Point::from_degrees(lat, lon).unwrap()
    }

    /// A recording through letters in straight lines, a position every `step_m`, `off` metres to
    /// the right of it in turn, ten seconds apart.
    fn along(&self, letters: &str, step_m: f64, off: &[f64]) -> Vec<Fix> {
        let line: Vec<Point> = letters.chars().map(|c| self.letter(c)).collect();
        recorded(&line, step_m, off)
    }

    /// Junctions with a letter that a match passes, in order; `|` between parts, `.` off road.
    fn through(&self, matched: &Matched) -> String {
        let region = self.planner.region();
        let name = |node: u32| {
            let here = region.node_point(node);
            let near = |c: &char| region::distance_m(self.letter(*c), here) < 1.0;
            let letters = self.world.letters.keys().copied();
            letters.clone().find(near).unwrap_or('?')
        };
        let mut parts = Vec::new();
        for part in &matched.parts {
            let Some(road) = &part.road else {
                parts.push(".".to_owned());
                continue;
            };
            let mut text = String::new();
            // Ends of edges that are ridden in part only are passed if little is missing.
            if road.from * region.length_m(road.edges[0].piece()) < 20.0 {
                text.push(name(region.tail(road.edges[0])));
            }
            let last = road.edges.len() - 1;
            for (i, &edge) in road.edges.iter().enumerate() {
                let missing = (1.0 - road.to) * region.length_m(edge.piece());
                if i < last || missing < 20.0 {
                    text.push(name(region.head(edge)));
                }
            }
            parts.push(text);
        }
        parts.join("|")
    }

    fn matched(&self, fixes: &[Fix]) -> Matched {
        let matched = self.planner.match_line(fixes, &|_, _| true).unwrap();
        sound(&self.planner, fixes, &matched);
        matched
    }
}

fn recorded(line: &[Point], step_m: f64, off: &[f64]) -> Vec<Fix> {
    let mut fixes = Vec::new();
    for pair in line.windows(2) {
        let frame = LocalFrame::at(pair[0]);
        let [e, n] = frame.to_m(pair[1]);
        let whole = e.hypot(n);
        let steps = (whole / step_m).round().max(1.0) as usize;
        let first = usize::from(!fixes.is_empty());
        for i in first..=steps {
            let share = i as f64 / steps as f64;
            let aside = off[fixes.len() % off.len()];
            let at = frame.to_point([e * share + n / whole * aside, n * share - e / whole * aside]);
            fixes.push(Fix {
                lat: at.lat(),
                lon: at.lon(),
                height_m: None,
                time_s: Some(1e9 + 10.0 * fixes.len() as f64),
            });
        }
    }
    fixes
}

/// What holds for every match.
fn sound(planner: &Planner, fixes: &[Fix], matched: &Matched) {
    let region = planner.region();
    let mut before: Option<&Part> = None;
    for part in &matched.parts {
        assert!(
            part.first <= part.last && part.last < fixes.len(),
            "{part:?}"
        );
        if let Some(before) = before {
            assert!(before.last <= part.first, "{before:?} {part:?}");
        }
        before = Some(part);
        let Some(road) = &part.road else { continue };
        assert!((0.0..=1.0).contains(&road.from) && (0.0..=1.0).contains(&road.to));
        assert!((0.0..=1.0).contains(&road.sure), "{}", road.sure);
        if road.edges.len() == 1 {
            assert!(road.from <= road.to, "{road:?}");
        }
        for pair in road.edges.windows(2) {
            assert_eq!(region.head(pair[0]), region.tail(pair[1]), "edges meet");
        }
        for pair in road.anchors.windows(2) {
            assert!(pair[0].fix < pair[1].fix && pair[0].step <= pair[1].step);
            assert!(pair[0].step < pair[1].step || pair[0].share <= pair[1].share);
        }
        for anchor in &road.anchors {
            assert!(part.first <= anchor.fix && anchor.fix <= part.last);
            assert!(anchor.step < road.edges.len());
        }
    }
    for gap in &matched.gaps {
        assert!(gap.from < gap.to && gap.to < fixes.len());
    }
}

const NOISE: [f64; 7] = [2.0, -5.0, 4.0, 0.0, -3.0, 6.0, -1.0];

const TOWN: &str = "
A---B---C---D
|   |   |   |
E---F---G---H
|   |   |   |
I---J---K---L";

#[test]
fn a_ride_through_town_is_found_at_any_spacing() {
    let town = Drawn::new(&synth::ascii(TOWN));
    for path in ["ABFGCDHL", "IJKLHGFE", "ABCDHLKJIEF"] {
        for step_m in [10.0, 40.0, 100.0, 200.0] {
            let fixes = town.along(path, step_m, &NOISE);
            let matched = town.matched(&fixes);
            assert_eq!(town.through(&matched), path, "every {step_m} m");
            assert_eq!(matched.breaches, []);
            assert_eq!(matched.gaps, []);
            assert_eq!(matched.parts[0].last, fixes.len() - 1);
        }
    }
}

#[test]
fn times_that_are_missing_or_run_backwards_make_no_difference() {
    let town = Drawn::new(&synth::ascii(TOWN));
    let timed = town.along("ABFGCDHL", 40.0, &NOISE);
    let mut untimed = timed.clone();
    untimed.iter_mut().for_each(|f| f.time_s = None);
    let mut backwards = timed.clone();
    let n = backwards.len();
    for (i, fix) in backwards.iter_mut().enumerate() {
        fix.time_s = Some(1e9 - (n - i) as f64 * if i % 3 == 0 { -1.0 } else { 1.0 });
    }
    let mut odd = timed.clone();
    odd[3].time_s = Some(f64::NAN);
    odd[5].time_s = Some(f64::INFINITY);
    odd[7].lat = f64::NAN;
    for fixes in [timed, untimed, backwards, odd] {
        assert_eq!(town.through(&town.matched(&fixes)), "ABFGCDHL");
    }
}

#[test]
fn of_two_carriageways_the_one_ridden_is_found() {
    // 12 m apart, and the recording lies nearer to the other one half of the time.
    let one_way = [("oneway", "yes")];
    let sketch = synth::ascii("A--------B\nC--------D")
        .spacing_m(12.0)
        .way("AB", &one_way)
        .way("DC", &one_way);
    let road = Drawn::new(&sketch);
    let there = road.along("AB", 10.0, &[7.0, 1.0, 6.5, -2.0]);
    assert_eq!(road.through(&road.matched(&there)), "AB");
    let back = road.along("DC", 10.0, &[7.0, 1.0, 6.5, -2.0]);
    assert_eq!(road.through(&road.matched(&back)), "DC");
}

#[test]
fn who_rides_against_a_one_way_is_told_so_and_not_led_round() {
    let sketch = synth::ascii(TOWN).way("BC", &[("oneway", "yes")]);
    let town = Drawn::new(&sketch);
    let right = town.matched(&town.along("ABCD", 40.0, &NOISE));
    assert_eq!(town.through(&right), "ABCD");
    assert_eq!(right.breaches, []);
    let wrong = town.matched(&town.along("DCBA", 40.0, &NOISE));
    assert_eq!(town.through(&wrong), "DCBA");
    assert_eq!(wrong.breaches.len(), 1, "{:?}", wrong.breaches);
    assert_eq!(wrong.breaches[0].rule, Rule::OneWay);
    assert!((wrong.breaches[0].length_m - 400.0).abs() < 1.0);
    assert_eq!((wrong.breaches[0].part, wrong.breaches[0].step), (0, 1));
}

#[test]
fn a_banned_turn_is_told_also_over_several_ways() {
    let sketch = synth::ascii(TOWN)
        .restriction("no_right_turn", "ABF", &[])
        .restriction("no_u_turn", "BFGC", &[]);
    let town = Drawn::new(&sketch);
    for (path, breaches) in [("ABFGC", 2), ("CBFGC", 1), ("ABCG", 0), ("EFGC", 0)] {
        let matched = town.matched(&town.along(path, 40.0, &NOISE));
        assert_eq!(town.through(&matched), path);
        let turns = matched.breaches.iter().filter(|b| b.rule == Rule::Turn);
        assert_eq!(turns.count(), breaches, "{path}: {:?}", matched.breaches);
        assert_eq!(matched.breaches.len(), breaches);
    }
}

#[test]
fn gaps_are_bridged_by_road_and_told() {
    let sketch = synth::ascii("A----B----C----D\n     |    |\n     E----F")
        .spacing_m(200.0)
        .way("BE", &[("highway", "track")]);
    let road = Drawn::new(&sketch);
    let mut fixes = road.along("ABCD", 50.0, &NOISE);
    // Nothing between B and C, as in a tunnel.
    let (b, c) = (road.letter('B'), road.letter('C'));
    let silent = |f: &Fix| {
        let at = f.point();
        region::distance_m(at, b) + region::distance_m(at, c) < 1003.0
    };
    fixes.retain(|f| !silent(f));
    let matched = road.matched(&fixes);
    assert_eq!(road.through(&matched), "ABCD");
    assert_eq!(matched.gaps.len(), 1, "{:?}", matched.gaps);
    let gap = matched.gaps[0];
    assert_eq!(gap.to, gap.from + 1);
    let road_m = gap.road_m.unwrap();
    assert!((road_m - gap.straight_m).abs() < 15.0, "{gap:?}");
    assert!(gap.seconds.unwrap() > 150.0);
}

#[test]
fn a_gap_no_road_bridges_stays_one() {
    let road = Drawn::new(&synth::ascii("A---B      C---D").spacing_m(200.0));
    let mut fixes = road.along("AB", 50.0, &NOISE);
    let mut there = road.along("CD", 50.0, &NOISE);
    there
        .iter_mut()
        .for_each(|f| f.time_s = f.time_s.map(|t| t + 3600.0));
    fixes.extend(there);
    let matched = road.matched(&fixes);
    assert_eq!(road.through(&matched), "AB|CD");
    assert_eq!(matched.gaps.len(), 1);
    assert_eq!(matched.gaps[0].road_m, None);
}

#[test]
fn what_is_ridden_off_the_roads_stays_as_it_was() {
    let road = Drawn::new(&synth::ascii("A-------B\n\n\n\n\nC-------D"));
    let fixes = road.along("ABDC", 40.0, &NOISE);
    let matched = road.matched(&fixes);
    assert_eq!(road.through(&matched), "AB|.|DC");
    let free = &matched.parts[1];
    assert_eq!(free.first, matched.parts[0].last);
    assert_eq!(free.last, matched.parts[2].first);
    let line = &fixes[free.first..=free.last];
    let length: f64 = line
        .windows(2)
        .map(|w| region::distance_m(w[0].point(), w[1].point()))
        .sum();
    assert!((length - 500.0).abs() < 120.0, "{length}");
}

#[test]
fn a_spike_is_no_ride_across_the_fields() {
    let town = Drawn::new(&synth::ascii(TOWN));
    for spike_m in [45.0, 90.0, 190.0, 900.0, 20_000.0] {
        let mut fixes = town.along("ABCDHL", 40.0, &NOISE);
        let frame = LocalFrame::at(fixes[9].point());
        let off = frame.to_point([3.0, spike_m]);
        (fixes[9].lat, fixes[9].lon) = (off.lat(), off.lon());
        let matched = town.matched(&fixes);
        assert_eq!(town.through(&matched), "ABCDHL", "{spike_m} m off");
    }
}

/// From A over B out along BC for 600 m of 1200, back and to D.
fn out_and_back() -> (Drawn, Vec<Fix>) {
    let road = Drawn::new(&synth::ascii("A-----B-----C\n      |\n      D").spacing_m(200.0));
    let frame = LocalFrame::at(road.letter('B'));
    let turn = frame.to_point([600.0, 0.0]);
    let line = [
        road.letter('A'),
        road.letter('B'),
        turn,
        road.letter('B'),
        road.letter('D'),
    ];
    let fixes = recorded(&line, 25.0, &NOISE);
    (road, fixes)
}

#[test]
fn turning_round_ends_a_part_and_begins_the_next() {
    let (road, fixes) = out_and_back();
    let matched = road.matched(&fixes);
    assert_eq!(road.through(&matched), "AB|BD");
    let [out, back] = [0, 1].map(|i| matched.parts[i].road.clone().unwrap());
    assert!(out.turns_round && !back.turns_round);
    let region = road.planner.region();
    assert!(
        (out.length_m(region) - 1800.0).abs() < 25.0,
        "{}",
        out.length_m(region)
    );
    assert!((back.length_m(region) - 1000.0).abs() < 25.0);
    assert_eq!(out.edges[1].reversed(), back.edges[0]);
}

#[test]
fn both_arms_of_a_hairpin_within_one_road_are_told_apart() {
    let mut map = Map::default();
    let (a, b) = (map.node(0.0, 0.0), map.node(0.0, 30.0));
    map.road(a, b).bends = vec![[400.0, 0.0], [415.0, 15.0], [400.0, 30.0]];
    let planner = map.planner();
    let corners = [
        [0.0, 0.0],
        [400.0, 0.0],
        [415.0, 15.0],
        [400.0, 30.0],
        [0.0, 30.0],
    ];
    let line = corners.map(|[e, n]| at(e, n));
    for step_m in [15.0, 60.0, 210.0] {
        let fixes = recorded(&line, step_m, &[3.0, -3.0]);
        let matched = planner.match_line(&fixes, &|_, _| true).unwrap();
        sound(&planner, &fixes, &matched);
        assert_eq!(matched.parts.len(), 1, "{matched:?}");
        let length_m = matched.parts[0]
            .road
            .as_ref()
            .unwrap()
            .length_m(planner.region());
        assert!((length_m - 842.0).abs() < 10.0, "{length_m} every {step_m}");
    }
}

#[test]
fn a_region_without_roads_leaves_all_of_it_off_the_roads() {
    let far = Drawn::new(&synth::ascii("A--B").origin(10.0, 10.0));
    let town = Drawn::new(&synth::ascii(TOWN));
    let fixes = town.along("ABCD", 40.0, &NOISE);
    let matched = far.matched(&fixes);
    assert_eq!(far.through(&matched), ".");
    assert_eq!(
        (matched.parts[0].first, matched.parts[0].last),
        (0, fixes.len() - 1)
    );
}

#[test]
fn it_can_be_called_off_and_refuses_what_is_no_line() {
    let town = Drawn::new(&synth::ascii(TOWN));
    let fixes = town.along("ABCD", 5.0, &NOISE);
    let asked = Cell::new(0);
    let stop = |_: f64, _: &str| {
        asked.set(asked.get() + 1);
        asked.get() < 3
    };
    assert_eq!(
        town.planner.match_line(&fixes, &stop),
        Err(MatchError::Cancelled)
    );
    assert_eq!(asked.get(), 3);
    for few in [0, 1] {
        let error = town.planner.match_line(&fixes[..few], &|_, _| true);
        assert_eq!(error, Err(MatchError::TooFew(few)));
    }
    let parked = vec![fixes[0]; 500];
    let error = town.planner.match_line(&parked, &|_, _| true);
    assert_eq!(error, Err(MatchError::TooFew(1)));
}

#[test]
fn a_long_recording_is_decided_piece_by_piece_as_if_at_once() {
    // Round and round, more positions than are held at a time.
    let town = Drawn::new(&synth::ascii(TOWN));
    let path: String = "ABCDHLKJIE".repeat(130) + "A";
    let fixes = town.along(&path, 40.0, &NOISE);
    assert!(fixes.len() > 10_000);
    assert_eq!(town.through(&town.matched(&fixes)), path);
}

#[test]
fn a_private_road_is_ridden_like_any_other_and_a_closed_one_is_told() {
    let sketch = synth::ascii(TOWN)
        .way("BC", &[("access", "private")])
        .way("FG", &[("access", "no")]);
    let town = Drawn::new(&sketch);
    assert!(
        town.planner
            .region()
            .edge_access()
            .contains(&(Access::Closed as u8))
    );
    let private = town.matched(&town.along("ABCD", 40.0, &NOISE));
    assert_eq!(town.through(&private), "ABCD");
    assert_eq!(private.breaches, []);
    let closed = town.matched(&town.along("EFGH", 40.0, &NOISE));
    assert_eq!(town.through(&closed), "EFGH");
    assert_eq!(closed.breaches[0].rule, Rule::Closed);
}

/// The tour made of a recording, and what its plan rides, as a recording again.
fn as_tour(drawn: &Drawn, fixes: &[Fix]) -> (Tour, Vec<String>, String) {
    let ride = Ride {
        tracks: vec![Track {
            name: "ridden".into(),
            segments: vec![fixes.to_vec()],
        }],
        ..Ride::default()
    };
    let (tour, said) = drawn
        .planner
        .tour_of_ride(&ride, &"fastest".into(), &|_, _| true)
        .unwrap();
    let plan = drawn.planner.plan(&tour, &HashSet::new()).unwrap();
    assert!(plan.legs.iter().all(|l| l.trouble.is_none()), "{tour:?}");
    let lines = plan.legs.iter().filter_map(|l| l.line.as_ref());
    let line: Vec<Point> = lines
        .flat_map(|l| l.lat.iter().zip(&l.lon))
        .filter_map(|(&lat, &lon)| Point::from_degrees(lat, lon))
        .collect();
    let mut line = line;
    line.dedup();
    let again = drawn.matched(&recorded(&line, 20.0, &[0.0]));
    (tour, said, drawn.through(&again))
}

#[test]
fn a_track_becomes_a_tour_that_rides_it_with_few_points() {
    let town = Drawn::new(&synth::ascii(TOWN));
    // The straight way needs its ends only, winding ones a via where they leave the quickest.
    for (path, most) in [
        ("ABCD", 2),
        ("ABFGCDHL", 5),
        ("IJKLHGFE", 4),
        ("ABCDHLKJIEF", 5),
    ] {
        let (tour, said, ridden) = as_tour(&town, &town.along(path, 40.0, &NOISE));
        assert_eq!(ridden, path, "{tour:?}");
        assert!(tour.points.len() <= most, "{path}: {}", tour.points.len());
        assert_eq!(said, Vec::<String>::new());
        assert_eq!(tour.points[0].kind, PointKind::Stop);
        let vias = &tour.points[1..tour.points.len() - 1];
        assert!(vias.iter().all(|p| p.kind == PointKind::Via));
    }
}

#[test]
fn what_is_off_the_roads_becomes_a_drawn_leg_and_a_gap_is_routed() {
    let road = Drawn::new(&synth::ascii("A-------B\n\n\n\n\nC-------D"));
    let (tour, said, ridden) = as_tour(&road, &road.along("ABDC", 40.0, &NOISE));
    assert_eq!(ridden, "AB|.|DC");
    let free: Vec<&TourPoint> = tour
        .points
        .iter()
        .filter(|p| p.leg == LegKind::Free)
        .collect();
    assert_eq!(free.len(), 1, "{tour:?}");
    assert!(!free[0].drawn.is_empty() && free[0].drawn.len() < 12);
    assert!(said.iter().any(|s| s.contains("off the roads")), "{said:?}");

    let roads = Drawn::new(&synth::ascii("A---B---C---D").spacing_m(200.0));
    let mut fixes = roads.along("ABCD", 50.0, &NOISE);
    fixes.drain(14..34);
    let (tour, _, ridden) = as_tour(&roads, &fixes);
    assert_eq!((ridden.as_str(), tour.points.len()), ("ABCD", 2));
}

#[test]
fn who_turned_round_turns_round_at_a_stop_and_nobody_is_led_against_a_one_way() {
    let (road, fixes) = out_and_back();
    let (tour, _, ridden) = as_tour(&road, &fixes);
    assert_eq!(ridden, "AB|BD");
    assert_eq!(tour.points.len(), 3, "{tour:?}");
    assert_eq!(tour.points[1].kind, PointKind::Stop);

    let town = Drawn::new(&synth::ascii(TOWN).way("BC", &[("oneway", "yes")]));
    let (_, said, ridden) = as_tour(&town, &town.along("DCBA", 40.0, &NOISE));
    assert!(!ridden.contains("CB"), "{ridden}");
    assert!(said.iter().any(|s| s.contains("one-ways")), "{said:?}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn whatever_is_recorded_what_comes_out_is_sound(
        places in prop::collection::vec((-300.0..1500.0f64, -1200.0..300.0f64, -50i64..200), 0..60),
        odd in prop::collection::vec(any::<u8>(), 60),
    ) {
        thread_local! { static TOWN_ONCE: Drawn = Drawn::new(&synth::ascii(TOWN)); }
        TOWN_ONCE.with(|town| {
            let frame = LocalFrame::at(town.letter('A'));
            let mut time = 1e9;
            let fixes: Vec<Fix> = places.iter().zip(&odd).map(|(&(e, n, s), odd)| {
                let at = frame.to_point([e, n]);
                time += s as f64;
                Fix {
                    lat: if *odd == 0 { f64::NAN } else { at.lat() },
                    lon: if *odd == 1 { 500.0 } else { at.lon() },
                    height_m: None,
                    time_s: (odd % 7 > 0).then_some(time),
                }
            }).collect();
            if let Ok(matched) = town.planner.match_line(&fixes, &|_, _| true) {
                sound(&town.planner, &fixes, &matched);
                assert!(!matched.parts.is_empty());
            }
        });
    }
}
