//! Roads that a date closes and opens, and the hours of an independent implementation.

#![expect(clippy::print_stderr, reason = "skipped checks are told")]

use std::collections::HashSet;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use chrono::{Datelike, NaiveDate, NaiveDateTime, TimeDelta, Timelike};
use planner::day::law::{Hours, Truth};
use planner::document::Tour;
use planner::plan::Plan;
use region::{Access, flag};

use crate::map::{Map, corners, tour};

/// A pass of 10 km, and a way round it of 26.
fn pass(condition: Option<(&'static str, &'static str)>, access: Access) -> Map {
    let mut map = Map::default();
    let [west, east, round] =
        [[0.0, 0.0], [10_000.0, 0.0], [5_000.0, 12_000.0]].map(|p: [f64; 2]| map.node(p[0], p[1]));
    let over = map.road(west, east);
    over.name = "High Saddle";
    over.access = [access; 2];
    if let Some(condition) = condition {
        over.flags = flag::CONDITIONAL;
        over.conditions = vec![condition];
    }
    map.road(west, round);
    map.road(round, east);
    // Ends beyond the junctions, so that both ways are whole.
    for (from, at) in [(west, [-1000.0, 0.0]), (east, [11_000.0, 0.0])] {
        let end = map.node(at[0], at[1]);
        map.road(from, end);
    }
    map
}

fn across(depart: &str) -> Tour {
    let mut tour = tour("fastest", &[("stop", -900.0, 0.0), ("stop", 10_900.0, 0.0)]);
    tour.depart = Some(depart.into());
    tour
}

fn plan(map: &Map, tour: &Tour) -> Plan {
    map.planner().plan(tour, &HashSet::new()).expect("a plan")
}

fn goes_round(plan: &Plan) -> bool {
    corners(plan.legs[0].line.as_ref().unwrap()).contains(&[5000, 12_000])
}

#[test]
fn a_closed_pass_is_ridden_round_with_reason_and_opening_date() {
    let condition = ("motor_vehicle:conditional", "no @ (Nov 1-May 31)");
    let map = pass(Some(condition), Access::Open);
    let winter = plan(&map, &across("2026-03-10T10:00"));
    assert!(goes_round(&winter));
    let told: Vec<_> = winter
        .warnings
        .iter()
        .filter(|w| w.kind == "closed_then")
        .collect();
    assert_eq!(told.len(), 1, "{told:?}");
    for part in [
        "High Saddle",
        "motor_vehicle:conditional = no @ (Nov 1-May 31)",
        "opens on 2026-06-01 at 00:00",
        "goes another way",
    ] {
        assert!(told[0].text.contains(part), "{part}: {}", told[0].text);
    }
    // The last minute of May, the first of June: what counts is the hour at which one is there.
    for (depart, round) in [
        ("2026-05-31T23:40", true),
        ("2026-06-01T00:00", false),
        ("2026-07-15T12:00", false),
        ("2026-10-31T12:00", false),
        ("2026-11-01T12:00", true),
    ] {
        let plan = plan(&map, &across(depart));
        assert_eq!(goes_round(&plan), round, "{depart}");
        assert_eq!(
            plan.warnings.iter().any(|w| w.kind == "closed_then"),
            round,
            "{depart}"
        );
    }
    // Without a date nothing is closed, and what may be is said.
    let mut undated = across("2026-03-10T10:00");
    undated.depart = None;
    let undated = plan(&map, &undated);
    assert!(!goes_round(&undated));
    assert!(undated.warnings.iter().any(|w| w.kind == "seasonal"));
}

#[test]
fn where_only_the_closed_pass_leads_that_is_said() {
    let condition = ("motor_vehicle:conditional", "no @ (Nov 1-May 31)");
    let mut map = pass(Some(condition), Access::Open);
    // Nobody goes round.
    for road in &mut map.roads[1..3] {
        road.access = [Access::Closed; 2];
    }
    let plan = plan(&map, &across("2026-03-10T10:00"));
    assert!(plan.legs[0].trouble.is_some());
    let told = plan
        .warnings
        .iter()
        .find(|w| w.kind == "closed_then")
        .expect("a warning");
    assert!(told.text.contains("No other way is known"), "{}", told.text);
}

#[test]
fn a_date_opens_a_road_that_is_closed_else() {
    let condition = ("motor_vehicle:conditional", "yes @ (Jun 15-Oct 15)");
    // What a date may open the region shows as unverified, never as open.
    let map = pass(Some(condition), Access::Unverified);
    for (depart, round) in [
        ("2026-06-14T12:00", true),
        ("2026-06-15T12:00", false),
        ("2026-10-15T12:00", false),
        ("2026-10-16T12:00", true),
    ] {
        assert_eq!(goes_round(&plan(&map, &across(depart))), round, "{depart}");
    }
    // Snow nobody knows beforehand: it stays as the region shows it.
    let unsure = ("motor_vehicle:conditional", "yes @ (Jun-Oct AND dry)");
    let map = pass(Some(unsure), Access::Unverified);
    assert!(goes_round(&plan(&map, &across("2026-07-15T12:00"))));
}

/// `maxspeed:conditional`, the example of checks section 11 with a lower number: never above the limit
/// that holds at the hour one is there, and nothing else changes.
#[test]
fn a_limit_by_the_hour_slows_the_line() {
    let road = |value: &'static str| {
        let mut map = Map::default();
        map.street(&[[0.0, 0.0], [10_000.0, 0.0], [20_000.0, 0.0]]);
        map.roads[1].flags = flag::CONDITIONAL;
        map.roads[1].conditions = vec![("maxspeed:conditional", value)];
        map
    };
    let ride = |map: &Map, depart: &str| {
        let mut tour = tour("fastest", &[("stop", 0.0, 0.0), ("stop", 19_900.0, 0.0)]);
        tour.depart = Some(depart.into());
        plan(map, &tour)
    };
    let fastest_kmh = |plan: &Plan, from_m: f64| {
        let line = plan.legs[0].line.as_ref().unwrap();
        let rows = line.distance_m.windows(2).zip(line.elapsed_s.windows(2));
        rows.filter(|(m, _)| m[0] >= from_m - 1.0)
            .map(|(m, s)| (m[1] - m[0]) / (s[1] - s[0]) * 3.6)
            .fold(0.0, f64::max)
    };
    let map = road("40 @ (23:00-05:00)");
    let (noon, night) = (
        ride(&map, "2026-07-01T12:00"),
        ride(&map, "2026-07-01T23:30"),
    );
    assert!(fastest_kmh(&noon, 10_000.0) > 60.0);
    assert!(
        fastest_kmh(&night, 10_000.0) <= 40.01,
        "{}",
        fastest_kmh(&night, 10_000.0)
    );
    let [noon_s, night_s] = [&noon, &night].map(|p| p.legs[0].sums.riding_s);
    // 9.9 km at 40 km/h take 891 s.
    let first_half_s = noon.legs[0].line.as_ref().unwrap().elapsed_s[1];
    assert!(
        (night_s - first_half_s - 891.0).abs() < 15.0,
        "{noon_s} {night_s}"
    );
    assert_eq!(noon.legs[0].sums.length_m, night.legs[0].sums.length_m);
    assert_ne!(noon.legs[0].key, night.legs[0].key);
    // The second half is reached after 23:00 by a rider who sets out before.
    assert!(fastest_kmh(&ride(&map, "2026-07-01T22:55"), 10_000.0) <= 40.01);
    // In miles; a higher limit and one that hangs on the weather change nothing.
    let miles = road("25 mph @ (23:00-05:00)");
    assert!(fastest_kmh(&ride(&miles, "2026-07-01T23:30"), 10_000.0) <= 40.3);
    for same in ["130 @ (23:00-05:00)", "30 @ wet", "signals @ (23:00-05:00)"] {
        let plan = ride(&road(same), "2026-07-01T23:30");
        assert_eq!(plan.legs[0].sums.riding_s, noon_s, "{same}");
    }
}

/// Who is slowed is later, and later other limits and closures hold; an edge is asked for the hour at
/// which one leaves it, too.
#[test]
fn being_slowed_is_being_later() {
    let fastest_kmh = |plan: &Plan, from_m: f64| {
        let line = plan.legs[0].line.as_ref().unwrap();
        let rows = line.distance_m.windows(2).zip(line.elapsed_s.windows(2));
        rows.filter(|(m, _)| m[0] >= from_m - 1.0)
            .map(|(m, s)| (m[1] - m[0]) / (s[1] - s[0]) * 3.6)
            .fold(0.0, f64::max)
    };
    let road = |first: Option<&'static str>| {
        let mut map = Map::default();
        map.street(&[[0.0, 0.0], [10_000.0, 0.0], [20_000.0, 0.0]]);
        for (road, value) in [(0, first), (1, Some("40 @ (23:00-05:00)"))] {
            let value = value.map(|v| ("maxspeed:conditional", v));
            map.roads[road].conditions = value.into_iter().collect();
            map.roads[road].flags = flag::CONDITIONAL;
        }
        map
    };
    let ride = |map: &Map, depart: &str| {
        let mut tour = tour("fastest", &[("stop", 0.0, 0.0), ("stop", 19_900.0, 0.0)]);
        tour.depart = Some(depart.into());
        plan(map, &tour)
    };
    // 10 km at 20 km/h take half an hour.
    let slow = road(Some("20 @ (20:00-23:00)"));
    assert!(fastest_kmh(&ride(&road(None), "2026-07-01T22:35"), 10_000.0) > 60.0);
    assert!(fastest_kmh(&ride(&slow, "2026-07-01T22:35"), 10_000.0) <= 40.01);
    // Come to before eleven, left after it.
    assert!(fastest_kmh(&ride(&road(None), "2026-07-01T22:48"), 10_000.0) <= 40.01);

    // 900 m at a walk take 8 minutes.
    let closing = ("motor_vehicle:conditional", "no @ (20:00-23:00)");
    let mut map = pass(Some(closing), Access::Open);
    assert!(!goes_round(&plan(&map, &across("2026-07-15T19:54"))));
    map.roads[3].conditions = vec![("maxspeed:conditional", "walk @ (18:00-20:00)")];
    map.roads[3].flags = flag::CONDITIONAL;
    assert!(goes_round(&plan(&map, &across("2026-07-15T19:54"))));
}

struct Dice(u64);

impl Dice {
    fn below(&mut self, limit: u32) -> u32 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        ((self.0 >> 16) % u64::from(limit)) as u32
    }

    fn of<'a>(&mut self, words: &[&'a str]) -> &'a str {
        words[self.below(words.len() as u32) as usize]
    }
}

const MONTHS: [&str; 12] = [
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
];
const WEEKDAYS: [&str; 7] = ["Mo", "Tu", "We", "Th", "Fr", "Sa", "Su"];

/// A random expression of the grammar that tags of roads and stations use: days and months, times,
/// and further rules for days that are named. (What a further rule means that names no days, the
/// two implementations do not agree on; nobody writes one.)
fn expression(dice: &mut Dice) -> String {
    let months = |dice: &mut Dice| match dice.below(3) {
        0 => format!("{}-{}", dice.of(&MONTHS), dice.of(&MONTHS)),
        1 => {
            let day = |dice: &mut Dice| format!("{} {:02}", dice.of(&MONTHS), 1 + dice.below(28));
            format!("{}-{}", day(dice), day(dice))
        }
        _ => dice.of(&MONTHS).to_owned(),
    };
    let weekdays = |dice: &mut Dice| match dice.below(2) {
        0 => format!("{}-{}", dice.of(&WEEKDAYS), dice.of(&WEEKDAYS)),
        _ => format!("{},{}", dice.of(&WEEKDAYS), dice.of(&WEEKDAYS)),
    };
    let days = |dice: &mut Dice| match dice.below(3) {
        0 => months(dice),
        1 => weekdays(dice),
        _ => format!("{} {}", months(dice), weekdays(dice)),
    };
    let times = |dice: &mut Dice| {
        let from = dice.below(90);
        let to = from + 1 + dice.below(95 - from);
        let clock = |quarters: u32| format!("{:02}:{:02}", quarters / 4, quarters % 4 * 15);
        // Now and then past midnight.
        match dice.below(4) {
            0 => format!("{}-{}", clock(to), clock(from)),
            _ => format!("{}-{}", clock(from), clock(to)),
        }
    };
    let mut text = match dice.below(3) {
        0 => days(dice),
        1 => times(dice),
        _ => format!("{} {}", days(dice), times(dice)),
    };
    if dice.below(3) == 0 {
        text += &format!("; {} off", days(dice));
    }
    text
}

/// What the npm package says: a letter a moment, `O` open, `c` closed, `?` unknown; `!` first where
/// it does not read the expression. `None`, told on the terminal, where it is not installed.
fn reference(questions: &[(String, Vec<NaiveDateTime>)]) -> Option<Vec<String>> {
    let web = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../web");
    if !web.join("node_modules/opening_hours").exists() {
        eprintln!("skipped: npm package opening_hours is not installed in web/");
        return None;
    }
    let script = r#"
        const Hours = require("opening_hours");
        const lines = require("fs").readFileSync(0, "utf8").split("\n").filter(Boolean);
        for (const line of lines) {
          const [text, ...moments] = line.split("\t");
          try {
            const hours = new Hours(text);
            console.log(moments.map((m) => {
              const [y, mo, d, h, mi] = m.split(" ").map(Number);
              const at = new Date(y, mo - 1, d, h, mi);
              return hours.getUnknown(at) ? "?" : hours.getState(at) ? "O" : "c";
            }).join(""));
          } catch { console.log("!"); }
        }"#;
    let mut child = Command::new("node")
        .args(["-e", script])
        .current_dir(web)
        .env("TZ", "UTC")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .ok()?;
    let mut text = String::new();
    for (expression, moments) in questions {
        text += expression;
        for m in moments {
            let time = m.time();
            text += &format!(
                "\t{} {} {} {} {}",
                m.year(),
                m.month(),
                m.day(),
                time.hour(),
                time.minute()
            );
        }
        text.push('\n');
    }
    let mut stdin = child.stdin.take()?;
    let feed = std::thread::spawn(move || stdin.write_all(text.as_bytes()));
    let out = child.wait_with_output().ok()?;
    feed.join().ok()?.ok()?;
    Some(
        String::from_utf8(out.stdout)
            .ok()?
            .lines()
            .map(str::to_owned)
            .collect(),
    )
}

/// Random expressions, and those of checks section 11, at random moments: npm's `opening_hours`
/// 3.15 (LGPL, for tests only) was written by others in another language.
#[test]
fn hours_are_those_of_an_independent_implementation() {
    let mut dice = Dice(0x5eed_cafe_1234);
    let start = NaiveDate::from_ymd_opt(2026, 1, 1)
        .unwrap()
        .and_hms_opt(0, 0, 0)
        .unwrap();
    let moments = |dice: &mut Dice, n: u32| -> Vec<NaiveDateTime> {
        let at = |dice: &mut Dice| start + TimeDelta::minutes(i64::from(dice.below(730 * 24 * 60)));
        (0..n).map(|_| at(dice)).collect()
    };
    let table = [
        "Jun-Oct",
        "Jun 15-Oct 15",
        "Nov 01-Apr 30",
        "Mo-Fr 07:00-09:00,16:00-18:00",
        "22:00-06:00",
        "May-Sep: 08:00-20:00",
        "easter -2 days-easter +1 day",
        "Dec 15-Mar 15",
        "Su 09:00-17:00; Dec-Feb off",
        "24/7",
    ];
    let mut questions: Vec<(String, Vec<NaiveDateTime>)> = table
        .iter()
        .map(|t| ((*t).to_owned(), moments(&mut dice, 400)))
        .collect();
    for _ in 0..300 {
        let text = expression(&mut dice);
        questions.push((text, moments(&mut dice, 40)));
    }
    let Some(answers) = reference(&questions) else {
        return;
    };
    assert_eq!(answers.len(), questions.len());
    let (mut unread, mut compared) = (0, 0);
    for ((text, moments), expected) in questions.iter().zip(&answers) {
        let Some(hours) = Hours::read(text).filter(|_| expected != "!") else {
            unread += 1;
            continue;
        };
        for (at, expected) in moments.iter().zip(expected.chars()) {
            let got = match hours.open_at(*at) {
                Truth::Yes => 'O',
                Truth::No => 'c',
                Truth::Unknown => '?',
            };
            compared += 1;
            assert_eq!(got, expected, "{text:?} at {at}");
        }
    }
    assert!(
        unread * 20 <= questions.len(),
        "{unread} of {} were not read",
        questions.len()
    );
    assert!(compared > 10_000, "{compared}");
}
