//! Sun, rests, fuel, hours and climb against published and worked values.

use chrono::{DateTime, NaiveDate, NaiveDateTime, TimeDelta, Utc};
use planner::day::fuel::{Station, choose, range_m};
use planner::day::height::climb_m;
use planner::day::law::{Conditional, Hours, Truth};
use planner::day::schedule::{Event, Mark, RestRule, lay_out};
use planner::day::{sun, zone};

fn date(text: &str) -> NaiveDate {
    text.parse().expect("a date")
}

fn at(text: &str) -> NaiveDateTime {
    NaiveDateTime::parse_from_str(text, "%Y-%m-%dT%H:%M").expect("a time")
}

/// `+` on the next day of UTC, `-` on the day before, `none` no event.
fn utc(date: NaiveDate, text: &str) -> Option<DateTime<Utc>> {
    let (days, clock) = match text.as_bytes()[0] {
        b'n' => return None,
        b'+' => (1, &text[1..]),
        b'-' => (-1, &text[1..]),
        _ => (0, text),
    };
    let clock = chrono::NaiveTime::parse_from_str(clock, "%H:%M:%S").expect("a time");
    Some((date + TimeDelta::days(days)).and_time(clock).and_utc())
}

/// Skyfield 1.55 with DE421, computed; checks section 5. Twilight and sun by the local date.
#[test]
fn the_sun_keeps_to_the_ephemeris() {
    #[rustfmt::skip]
    let rows = [
        ("Golden CO", 39.742476, -105.1786, "2015-01-02", "13:51:42", "14:21:57", "23:47:43", "+00:17:57"),
        ("39N 105W", 39.0, -105.0, "2015-04-02", "12:16:27", "12:43:21", "+01:24:28", "+01:51:27"),
        ("Beijing", 39.917, 116.383, "2015-04-02", "-21:30:58", "-21:58:13", "10:38:55", "11:06:15"),
        ("35S 0E", -35.0, 0.0, "1996-07-05", "06:40:18", "07:08:16", "17:01:04", "17:29:02"),
        ("35S 0E", -35.0, 0.0, "2004-12-04", "04:09:43", "04:38:58", "19:02:02", "19:31:21"),
        ("35N 0E", 35.0, 0.0, "1994-01-02", "06:40:12", "07:08:13", "16:59:55", "17:27:57"),
        ("Stelvio", 46.5286, 10.4534, "2026-06-21", "02:45:50", "03:25:07", "19:14:53", "19:54:10"),
        ("Stelvio", 46.5286, 10.4534, "2026-10-01", "04:46:30", "05:16:35", "16:58:19", "17:28:20"),
        ("Oslo", 59.9139, 10.7522, "2026-06-21", "00:09:35", "01:53:45", "20:43:51", "22:27:59"),
        ("Oslo", 59.9139, 10.7522, "2026-12-21", "07:20:34", "08:18:07", "14:11:58", "15:09:30"),
        ("London", 51.5074, -0.1278, "2026-03-20", "05:30:09", "06:03:24", "18:13:30", "18:46:51"),
        ("Denver", 39.7392, -104.9903, "2026-07-04", "11:04:59", "11:37:21", "+02:31:19", "+03:03:38"),
        ("Inverness", 57.4778, -4.2247, "2026-05-01", "03:39:47", "04:26:58", "20:02:28", "20:50:05"),
        ("Singapore", 1.3521, 103.8198, "2026-09-23", "-22:33:17", "-22:53:57", "11:00:25", "11:21:05"),
        ("Queenstown", -45.0312, 168.6626, "2026-01-15", "-16:41:45", "-17:17:31", "08:31:03", "09:06:41"),
        ("Nordkapp", 71.1725, 25.7833, "2026-06-21", "none", "none", "none", "none"),
        ("Nordkapp", 71.1725, 25.7833, "2026-12-21", "08:41:42", "none", "none", "11:48:05"),
    ];
    for (place, lat, lon, on, dawn, sunrise, sunset, dusk) in rows {
        let on = date(on);
        // By the longitude, and by local noon of the place's clock.
        let noon = on.and_hms_opt(12, 0, 0).expect("noon");
        let by_clock = sun::around(lat, lon, zone::moment(zone::zone_at(lat, lon), noon));
        for day in [sun::of_date(lat, lon, on), by_clock] {
            for (name, got, want) in [
                ("dawn", day.dawn, dawn),
                ("sunrise", day.sunrise, sunrise),
                ("sunset", day.sunset, sunset),
                ("dusk", day.dusk, dusk),
            ] {
                let want = utc(on, want);
                assert_eq!(got.is_some(), want.is_some(), "{name} at {place} on {on}");
                if let Some((got, want)) = got.zip(want) {
                    let off_s = (got - want).num_seconds().abs();
                    // Within a minute up to 60 degrees of latitude; beyond, the sun skims.
                    let limit_s = if lat.abs() < 60.0 { 45 } else { 120 };
                    assert!(off_s <= limit_s, "{name} at {place} on {on}: {off_s} s off");
                }
            }
        }
    }
}

/// Published values: NREL SPA (second place in pvlib's tests), its report, and USNO; checks section
/// 5. Local times of the given offset.
#[test]
fn the_sun_keeps_to_published_tables() {
    #[rustfmt::skip]
    let rows = [
        (39.742476, -105.1786, "2003-10-17", -7, "06:12:43", "17:18:51", 30),
        (39.742476, -105.1786, "2015-01-02", -7, "07:21:55", "16:47:43", 30),
        (39.742476, -105.1786, "2015-01-01", -7, "07:22:00", "16:47:00", 60),
        (39.742476, -105.1786, "2015-01-03", -7, "07:22:00", "16:49:00", 60),
        (39.742476, -105.1786, "2015-08-02", -7, "05:00:00", "19:13:00", 60),
        (-35.0, 0.0, "1996-07-05", 0, "07:08:15", "17:01:04", 30),
        (-35.0, 0.0, "2004-12-04", 0, "04:38:57", "19:02:02", 30),
        (35.0, 0.0, "1994-01-02", 0, "07:08:12", "16:59:55", 30),
        (39.917, 116.383, "2015-04-02", 8, "05:58:00", "18:39:00", 60),
    ];
    for (lat, lon, on, hours, sunrise, sunset, limit_s) in rows {
        let on = date(on);
        let day = sun::of_date(lat, lon, on);
        for (got, want) in [(day.sunrise, sunrise), (day.sunset, sunset)] {
            // A western sunset belongs to the local day, whatever day UTC has.
            let want = utc(on, want).expect("a time") - TimeDelta::hours(hours);
            let off_s = (got.expect("an event") - want).num_seconds().abs();
            assert!(off_s <= limit_s, "{lat}, {lon} on {on}: {off_s} s off");
        }
    }
}

/// At its highest the sun stands in the south, at 90 degrees less latitude plus declination.
#[test]
fn the_sun_stands_where_it_should() {
    // Equinox 2026-03-20 14:46 UTC, solstice 2026-06-21 08:24 UTC: declination 0 and 23.436.
    let noon = sun::of_date(46.5286, 10.4534, date("2026-06-21")).noon;
    let stand = sun::position(46.5286, 10.4534, noon);
    assert!(
        (stand.altitude_deg - (90.0 - 46.5286 + 23.436)).abs() < 0.02,
        "{stand:?}"
    );
    assert!((stand.azimuth_deg - 180.0).abs() < 0.1, "{stand:?}");
    let day = sun::of_date(0.0, 0.0, date("2026-03-20"));
    let rise = sun::position(0.0, 0.0, day.sunrise.expect("sunrise"));
    assert!((rise.azimuth_deg - 90.0).abs() < 0.3, "{rise:?}");
    assert!((rise.altitude_deg + 0.833).abs() < 0.01, "{rise:?}");
    // South of the tropics it stands in the north.
    let south = sun::of_date(-45.0, 168.0, date("2026-01-15"));
    let azimuth = sun::position(-45.0, 168.0, south.noon).azimuth_deg;
    assert!(!(1.0..=359.0).contains(&azimuth), "{azimuth}");
}

fn rests_over(riding_min: f64) -> (usize, f64) {
    let mark = |riding_s: f64, point| Mark {
        riding_s,
        dwell_s: 0.0,
        point,
    };
    let marks = [mark(0.0, 0), mark(riding_min * 60.0, 1)];
    let day = lay_out(&marks, &[], RestRule::default());
    let rests = day.iter().filter(|e| e.event == Event::Rest).count();
    (rests, day.last().map_or(0.0, |e| e.from_s / 60.0))
}

/// UK Highway Code rule 91, rows of checks section 10: minutes of riding to rests.
#[test]
fn rests_come_after_every_two_hours() {
    for (riding_min, rests) in [(60.0, 0), (120.0, 0), (121.0, 1), (240.0, 1), (300.0, 2)] {
        assert_eq!(rests_over(riding_min).0, rests, "{riding_min} min");
    }
    assert_eq!(rests_over(480.0), (3, 525.0));
}

/// The same rule with the numbers of Regulation (EC) 561/2006 (45 min after four and a half hours),
/// an analogue only: 270 min no break, 271 one, 600 two and 690 min in all.
#[test]
fn the_rule_takes_other_numbers() {
    let rule = RestRule {
        every_s: 270.0 * 60.0,
        rest_s: 45.0 * 60.0,
    };
    for (riding_min, rests, elapsed_min) in
        [(270.0, 0, 270.0), (271.0, 1, 316.0), (600.0, 2, 690.0)]
    {
        let mark = |riding_s, point| Mark {
            riding_s,
            dwell_s: 0.0,
            point,
        };
        let day = lay_out(&[mark(0.0, 0), mark(riding_min * 60.0, 1)], &[], rule);
        assert_eq!(day.iter().filter(|e| e.event == Event::Rest).count(), rests);
        assert_eq!(day[day.len() - 1].from_s / 60.0, elapsed_min);
    }
}

#[test]
fn halts_and_ferries_are_rests_too() {
    let mark = |min: f64, dwell_min: f64, point| Mark {
        riding_s: min * 60.0,
        dwell_s: dwell_min * 60.0,
        point,
    };
    // Lunch after 110 min: the next rest is due two hours later.
    let marks = [
        mark(0.0, 5.0, 0),
        mark(110.0, 45.0, 1),
        mark(225.0, 30.0, 2),
    ];
    let day = lay_out(&marks, &[], RestRule::default());
    assert!(day.iter().all(|e| e.event != Event::Rest));
    // Neither the first nor the last halt counts.
    assert_eq!(
        day.last().map(|e| (e.from_s / 60.0, e.to_s / 60.0)),
        Some((270.0, 270.0))
    );
    // A stop of five minutes is none, a crossing of an hour is.
    let marks = [mark(0.0, 0.0, 0), mark(110.0, 5.0, 1), mark(260.0, 0.0, 2)];
    let day = lay_out(&marks, &[], RestRule::default());
    assert_eq!(day.iter().filter(|e| e.event == Event::Rest).count(), 2);
    let day = lay_out(&marks, &[(60.0 * 60.0, 120.0 * 60.0)], RestRule::default());
    assert_eq!(day.iter().filter(|e| e.event == Event::Rest).count(), 1);
    let ferry = day
        .iter()
        .find(|e| e.event == Event::Ferry(0))
        .expect("a ferry");
    assert_eq!((ferry.from_s, ferry.to_s), (3600.0, 7200.0));
}

/// `(tank - reserve) / consumption * 100`: 15, 2, 5.0 -> 260.0 km; 18, 3, 5.5 -> 272.7;
/// 11, 1.5, 4.0 -> 237.5 (checks section 10).
#[test]
fn ranges_are_the_worked_ones() {
    for (tank, reserve, consumption, km) in [
        (15.0, 2.0, 5.0, 260.0),
        (18.0, 3.0, 5.5, 272.7),
        (11.0, 1.5, 4.0, 237.5),
    ] {
        let got = range_m(tank, reserve, consumption) / 1000.0;
        assert!((got - km).abs() < 0.05, "{got}");
    }
}

fn stations(km: &[f64]) -> Vec<Station> {
    let station = |km: &f64| Station {
        at_m: km * 1000.0,
        detour_m: 0.0,
        is_set: false,
    };
    km.iter().map(station).collect()
}

/// The worked instances of checks section 10.
#[test]
fn fuel_halts_are_the_worked_ones() {
    let all = [40.0, 90.0, 180.0, 230.0, 310.0, 420.0, 480.0];
    let km = |choice: &planner::day::fuel::Choice, all: &[f64]| -> Vec<f64> {
        choice.stops.iter().map(|&i| all[i]).collect()
    };
    let choice = choose(&stations(&all), 560_000.0, 220_000.0);
    assert_eq!(km(&choice, &all), [180.0, 310.0, 480.0]);
    assert!(choice.dry_m.is_empty());
    // Without the one at 420 and with 160 km: no further than from 310.
    let fewer = [40.0, 90.0, 180.0, 230.0, 310.0, 480.0];
    let choice = choose(&stations(&fewer), 560_000.0, 160_000.0);
    assert_eq!(choice.dry_m, [470_000.0]);
    assert!(km(&choice, &fewer).contains(&310.0));
    let sparse = [100.0, 400.0];
    let choice = choose(&stations(&sparse), 560_000.0, 220_000.0);
    assert_eq!(choice.dry_m, [320_000.0]);
    // And on from the next station.
    assert_eq!(km(&choice, &sparse), [100.0, 400.0]);
}

/// Every subset of the stations, by the same wishes: fewest further halts, then the distance
/// outside of 70 to 80 % of the range, with the detours.
fn brute_force(stations: &[Station], total_m: f64, range_m: f64) -> Option<(u32, f64)> {
    let mut best: Option<(u32, f64)> = None;
    'subsets: for subset in 0u32..1 << stations.len() {
        let (mut halts, mut cost, mut at, mut aside) = (0, 0.0, 0.0, 0.0);
        for (i, s) in stations.iter().enumerate() {
            if subset >> i & 1 == 0 {
                if s.is_set {
                    continue 'subsets;
                }
                continue;
            }
            let stage = s.at_m - at + aside + s.detour_m / 2.0;
            if stage > range_m {
                continue 'subsets;
            }
            if !s.is_set {
                halts += 1;
                cost += (stage - 0.8 * range_m).max(0.0)
                    + (0.7 * range_m - stage).max(0.0)
                    + s.detour_m;
            }
            (at, aside) = (s.at_m, s.detour_m / 2.0);
        }
        if total_m - at + aside > range_m {
            continue;
        }
        if best.is_none_or(|b| (halts, cost) < b) {
            best = Some((halts, cost));
        }
    }
    best
}

#[test]
fn fuel_choice_equals_brute_force() {
    let mut seed = 7u32;
    let mut random = move |below: u32| {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (seed >> 8) % below
    };
    let (mut solved, mut dry) = (0, 0);
    for _ in 0..2000 {
        let total_m = f64::from(100 + random(700)) * 1000.0;
        let range_m = f64::from(60 + random(250)) * 1000.0;
        let count = random(11);
        let mut stations: Vec<Station> = (0..count)
            .map(|_| Station {
                at_m: f64::from(random(1000)) / 1000.0 * total_m,
                detour_m: f64::from(random(4) * random(3)) * 1000.0,
                is_set: random(8) == 0,
            })
            .collect();
        stations.sort_by(|a, b| a.at_m.total_cmp(&b.at_m));
        for s in stations.iter_mut().filter(|s| s.is_set) {
            s.detour_m = 0.0;
        }
        let choice = choose(&stations, total_m, range_m);
        match brute_force(&stations, total_m, range_m) {
            None => {
                assert!(!choice.dry_m.is_empty());
                dry += 1;
            }
            Some((halts, cost)) => {
                assert!(choice.dry_m.is_empty(), "{stations:?} over {total_m}");
                let chosen: Vec<Station> = choice.stops.iter().map(|&i| stations[i]).collect();
                let further = chosen.iter().filter(|s| !s.is_set).count() as u32;
                assert_eq!(
                    further, halts,
                    "{stations:?} over {total_m}, range {range_m}"
                );
                // What was chosen, priced by the same rule, is the cheapest.
                let forced: f64 = price(&chosen, total_m, range_m).expect("a way");
                assert!((forced - cost).abs() < 1e-6, "{forced} and {cost}");
                solved += 1;
            }
        }
    }
    assert!(solved > 300 && dry > 300, "{solved} solved, {dry} dry");
}

fn price(chosen: &[Station], total_m: f64, range_m: f64) -> Option<f64> {
    let (mut cost, mut at, mut aside) = (0.0, 0.0, 0.0);
    for s in chosen {
        let stage = s.at_m - at + aside + s.detour_m / 2.0;
        if stage > range_m {
            return None;
        }
        if !s.is_set {
            cost +=
                (stage - 0.8 * range_m).max(0.0) + (0.7 * range_m - stage).max(0.0) + s.detour_m;
        }
        (at, aside) = (s.at_m, s.detour_m / 2.0);
    }
    (total_m - at + aside <= range_m).then_some(cost)
}

/// Rows of checks section 11, on which two independent implementations agree.
#[test]
fn opening_hours_are_those_of_two_implementations() {
    let moments = [
        "2026-01-10T12:00",
        "2026-04-04T12:00",
        "2026-05-31T23:59",
        "2026-06-01T00:00",
        "2026-06-15T08:00",
        "2026-07-06T08:00",
        "2026-07-05T10:00",
        "2026-10-15T23:00",
        "2026-10-16T00:00",
        "2026-12-20T23:00",
    ];
    for (expression, row) in [
        ("Jun-Oct", "cccOOOOOOc"),
        ("Jun 15-Oct 15", "ccccOOOOcc"),
        ("Nov 01-Apr 30", "OOcccccccO"),
        ("Mo-Fr 07:00-09:00,16:00-18:00", "ccccOOcccc"),
        ("22:00-06:00", "ccOOcccOOO"),
        ("May-Sep: 08:00-20:00", "ccccOOOccc"),
        ("easter -2 days-easter +1 day", "cOcccccccc"),
        ("Dec 15-Mar 15", "OccccccccO"),
        ("Su 09:00-17:00; Dec-Feb off", "ccccccOccc"),
        ("Nov-May off", "cccccccccc"),
    ] {
        let hours = Hours::read(expression).expect("in the grammar");
        let got: String = moments
            .iter()
            .map(|m| match hours.open_at(at(m)) {
                Truth::Yes => 'O',
                Truth::No => 'c',
                Truth::Unknown => '?',
            })
            .collect();
        assert_eq!(got, row, "{expression}");
    }
}

/// The grammar of conditional restrictions: the last clause that holds counts, brackets bind, AND
/// joins, and what depends on the weather nobody knows.
#[test]
fn conditional_values_follow_the_grammar() {
    let summer = at("2026-07-06T10:00");
    let winter = at("2026-01-10T12:00");
    let night = at("2026-07-06T23:30");
    let value = |tag: &str, at| Conditional::read(tag).at(at, None).value.map(str::to_owned);
    assert_eq!(value("no @ (Nov 15-May 15)", winter).as_deref(), Some("no"));
    assert_eq!(value("no @ (Nov 15-May 15)", summer), None);
    assert_eq!(value("no @ Nov-Apr", winter).as_deref(), Some("no"));
    let both = "no @ (Nov-Apr); destination @ (Dec-Feb)";
    assert_eq!(value(both, winter).as_deref(), Some("destination"));
    // A semicolon within the hours ends no clause.
    let hours = "no @ (Mo-Fr 22:00-06:00; PH off); yes @ (Jun)";
    assert_eq!(value(hours, night).as_deref(), Some("no"));
    assert_eq!(Conditional::read(hours).clauses.len(), 2);
    // `maxspeed:conditional=60 @ 23:00-05:00` (checks section 11).
    assert_eq!(value("60 @ 23:00-05:00", night).as_deref(), Some("60"));
    assert_eq!(value("60 @ 23:00-05:00", summer), None);
    let and = "no @ (Jul AND 20:00-24:00)";
    assert_eq!(value(and, night).as_deref(), Some("no"));
    assert_eq!(value(and, summer), None);
    for weather in [
        "no @ snow",
        "no @ (winter AND snow)",
        "80 @ wet",
        "no @ (weight>3.5)",
    ] {
        let tag = Conditional::read(weather);
        let said = tag.at(summer, None);
        assert_eq!(said.value, None, "{weather}");
        assert!(said.unsure.is_some(), "{weather}");
    }
    // Snow in July is ruled out by the month.
    let said = Conditional::read("no @ (Dec-Feb AND snow)");
    assert_eq!(said.at(summer, None).unsure, None);
    let closed = Conditional::read("no @ (Nov 15-May 15)");
    let condition = closed.clauses[0].1.as_ref().expect("a condition");
    assert_eq!(condition.ends(winter), Some(at("2026-05-16T00:00")));
    for odd in [
        "",
        "@",
        "no @",
        "@ (Jun)",
        "no @ ((((",
        ";;;",
        "no @ \"(\"; yes",
    ] {
        Conditional::read(odd).at(summer, None);
    }
}

/// Reference level of checks section 12: raw 39 m, hysteresis 3 -> 35, 5 -> 31, 10 -> 30.
#[test]
fn climb_by_the_reference_level_is_the_worked_one() {
    let profile = [
        100.0, 103.0, 101.0, 106.0, 110.0, 108.0, 109.0, 104.0, 100.0, 102.0, 120.0, 119.0, 125.0,
    ];
    for (step_m, climb) in [(0.0, 39.0), (3.0, 35.0), (5.0, 31.0), (10.0, 30.0)] {
        assert_eq!(climb_m(profile, step_m).0, climb, "step {step_m}");
    }
}

#[test]
fn clocks_are_those_of_the_place() {
    for (lat, lon, name) in [
        (46.5286, 10.4534, "Europe/Rome"),
        (42.5, 1.5, "Europe/Andorra"),
        (39.7392, -104.9903, "America/Denver"),
        (-45.0312, 168.6626, "Pacific/Auckland"),
        (-19.05, -169.87, "Pacific/Niue"),
        (51.5074, -0.1278, "Europe/London"),
    ] {
        assert_eq!(zone::zone_at(lat, lon).name(), name);
    }
    let rome = zone::zone_at(46.5286, 10.4534);
    // Summer time 2026: from 29 March 02:00 to 25 October 03:00.
    let stamp = |local: &str| {
        zone::moment(rome, at(local))
            .format("%m-%dT%H:%M")
            .to_string()
    };
    assert_eq!(stamp("2026-03-28T08:00"), "03-28T07:00");
    assert_eq!(stamp("2026-03-29T08:00"), "03-29T06:00");
    assert_eq!(stamp("2026-03-29T02:30"), "03-29T01:30");
    assert_eq!(stamp("2026-10-25T02:30"), "10-25T00:30");
    assert_eq!(
        zone::offset_text(rome, zone::moment(rome, at("2026-07-01T12:00"))),
        "+02:00"
    );
    let newfoundland = zone::zone_at(47.56, -52.71);
    assert_eq!(
        zone::offset_text(
            newfoundland,
            zone::moment(newfoundland, at("2026-01-01T12:00"))
        ),
        "-03:30"
    );
}

/// Splitting against every choice of nights: the fewest days within the limits, then the most even.
#[test]
fn nights_equal_brute_force() {
    use planner::day::split::{Halt, choose};
    let mut seed = 3u32;
    let mut random = move |below: u32| {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (seed >> 8) % below
    };
    for _ in 0..300 {
        let total_h = f64::from(5 + random(25));
        let count = random(9) as usize;
        let halt = |hours: f64| Halt {
            at_m: hours * 60_000.0,
            riding_s: hours * 3600.0,
        };
        let mut hours: Vec<f64> = (0..count)
            .map(|_| f64::from(1 + random(999)) / 1000.0 * total_h)
            .collect();
        hours.sort_by(f64::total_cmp);
        let halts: Vec<Halt> = hours.iter().map(|&h| halt(h)).collect();
        let end = halt(total_h);
        let limit_h = f64::from(3 + random(5));
        let keeps = |_: usize, a: Halt, b: Halt| b.riding_s - a.riding_s <= limit_h * 3600.0;
        let judge = |nights: &[usize]| {
            let mut from = halt(0.0);
            let (mut broken, mut squares) = (0, 0.0);
            for to in nights.iter().map(|&i| halts[i]).chain([end]) {
                broken += u32::from(!keeps(0, from, to));
                squares += ((to.riding_s - from.riding_s) / 3600.0).powi(2);
                from = to;
            }
            (broken, nights.len(), squares)
        };
        let best = (0u32..1 << count)
            .map(|set| (0..count).filter(|i| set >> i & 1 == 1).collect::<Vec<_>>())
            .map(|nights| judge(&nights))
            .min_by(|a, b| a.partial_cmp(b).expect("numbers"))
            .expect("a split");
        let (nights, over) = choose(&halts, end, keeps);
        let got = judge(&nights);
        assert_eq!((got.0, got.1), (best.0, best.1));
        assert!((got.2 - best.2).abs() < 1e-6, "{got:?} {best:?}");
        assert_eq!(over.len() as u32, got.0);
    }
}
