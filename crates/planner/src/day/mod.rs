//! A day one can believe: clock, sun, fuel, rests and heights along the planned line.
//!
//! One way: the day's legs become a [`along::Track`]; halts, ferries and rests are laid out along it
//! ([`schedule`]); the departure and the time zones turn that into local times ([`zone`]); sun, fuel
//! and heights are looked up along the track.

use chrono::{
    DateTime, Days as CalendarDays, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, Timelike, Utc,
};
use chrono_tz::Tz;
use region::Smoothness;

use crate::Planner;
use crate::document::{PointKind, Tour};
use crate::line::{LegLine, metres};
use crate::plan::{PlanError, Warning};

pub(crate) mod along;
pub mod fuel;
pub mod height;
pub mod law;
pub mod light;
pub mod refuel;
pub mod schedule;
pub mod sheet;
pub mod split;
pub mod sun;
pub mod zone;

use along::Track;
use schedule::{Entry, Event, Mark, RestRule};
use sheet::{Row, RowKind, Sheet};

/// Riding longer than this in a day is worth a word: nine hours is what Regulation (EC) 561/2006
/// allows professional drivers. It does not bind riders.
const LONG_DAY_S: f64 = 9.0 * 3600.0;

/// A day laid out: all but its sums.
pub(crate) struct LaidOut {
    pub first: usize,
    pub last: usize,
    pub depart: Option<String>,
    pub arrive: Option<String>,
    pub sheet: Sheet,
}

/// A day while it is worked out.
pub(crate) struct Draft {
    pub first: usize,
    pub last: usize,
    /// Metres from the start of the tour.
    pub start_m: f64,
    pub track: Track,
    pub entries: Vec<Entry>,
    /// Departure, and the zone it is told in.
    pub clock: Option<(DateTime<Utc>, Tz)>,
}

impl Draft {
    /// The moment at which so much riding of the day is done.
    pub fn moment(&self, riding_s: f64) -> Option<DateTime<Utc>> {
        let (depart, _) = self.clock?;
        Some(depart + seconds(self.elapsed_s(riding_s)))
    }

    /// Seconds since departure at which so much riding of the day is done.
    pub fn elapsed_s(&self, riding_s: f64) -> f64 {
        schedule::clock_s(&self.entries, riding_s)
    }
}

pub(crate) fn seconds(s: f64) -> TimeDelta {
    TimeDelta::milliseconds((s * 1000.0).round() as i64)
}

impl Planner {
    /// Lays out the days of a tour along its legs.
    pub(crate) fn lay_out(
        &self,
        tour: &Tour,
        legs: &[&LegLine],
        warnings: &mut Vec<Warning>,
    ) -> Result<Vec<LaidOut>, PlanError> {
        let drafts = self.drafts(tour, legs)?;
        let mut fuel = refuel::along_tour(self, tour, &drafts, warnings);
        let lay_out = |(i, draft): (usize, &Draft)| {
            let own = &legs[draft.first..draft.last];
            let (sun, light) = light::of(draft);
            day_warnings(tour, draft, i, &light, warnings);
            let end_s = draft.entries.last().map_or(0.0, |e| e.from_s);
            let arrive = draft.clock.map(|(depart, zone)| {
                let end = draft.track.at.last();
                let there = end.map_or(zone, |p| zone::zone_at(p.lat(), p.lon()));
                zone::stamp(there, depart + seconds(end_s))
            });
            LaidOut {
                first: draft.first,
                last: draft.last,
                depart: draft.clock.map(|(at, zone)| zone::stamp(zone, at)),
                arrive,
                sheet: Sheet {
                    zone: draft.clock.map(|(_, zone)| zone.name().to_owned()),
                    rest_min: rests(draft),
                    rows: rows(tour, draft),
                    sun,
                    light,
                    fuel: std::mem::take(&mut fuel[i]),
                    heights: height::of(self, &draft.track),
                    tracks_m: tracks_m(own),
                    roughest: self.roughest(own),
                },
            }
        };
        Ok(drafts.iter().enumerate().map(lay_out).collect())
    }

    /// Splits the tour into days and sets their clocks.
    pub(crate) fn drafts(&self, tour: &Tour, legs: &[&LegLine]) -> Result<Vec<Draft>, PlanError> {
        let count = tour.points.len();
        let rule = RestRule {
            every_s: f64::from(tour.rider.rest_every_min) * 60.0,
            rest_s: f64::from(tour.rider.rest_min) * 60.0,
        };
        let mut depart = tour.depart.as_deref().map(date_time).transpose()?;
        let mut drafts: Vec<Draft> = Vec::new();
        let (mut first, mut start_m) = (0, 0.0);
        while first < count {
            let ends =
                |i: &usize| tour.points[*i].ends_day && tour.points[*i].kind == PointKind::Stop;
            let last = (first + 1..count).find(ends).unwrap_or(count - 1);
            let track = Track::of(legs[first..last].iter().map(|leg| (&leg.line, &leg.sums)));
            let marks: Vec<Mark> = (first..=last)
                .map(|point| Mark {
                    riding_s: track.riding_at_point(point - first),
                    dwell_s: f64::from(tour.points[point].dwell_min) * 60.0,
                    point: point as u32,
                })
                .collect();
            let entries = schedule::lay_out(&marks, &track.ferries, rule);
            let here = &tour.points[first];
            let start = track.at.first().copied();
            let (lat, lon) = start.map_or((here.lat, here.lon), |p| (p.lat(), p.lon()));
            let zone = depart.map(|_| zone::zone_at(lat, lon));
            let mut clock = depart.zip(zone).map(|(d, z)| (zone::moment(z, d), z));
            if let Some((at, zone)) = &mut clock {
                *at = be_there(tour, &entries, *at, *zone)?;
            }
            let draft = Draft {
                first,
                last,
                start_m,
                track,
                entries,
                clock,
            };
            start_m += draft.track.length_m();
            let next = (last + 1 < count)
                .then(|| next_departure(tour, &draft))
                .transpose()?
                .flatten();
            drafts.push(draft);
            if last + 1 >= count {
                break;
            }
            (first, depart) = (last, next);
        }
        Ok(drafts)
    }

    /// The roughest smoothness that is mapped, and where.
    fn roughest(&self, legs: &[&LegLine]) -> Option<sheet::Rough> {
        let region = self.region();
        let worst = legs
            .iter()
            .flat_map(|leg| leg.states())
            .map(|&state| self.edge(state))
            .max_by_key(|edge| region.piece_smoothness()[edge.piece() as usize])?;
        let smoothness = Smoothness::from_code(region.piece_smoothness()[worst.piece() as usize])?;
        let at = region.node_point(region.tail(worst));
        (smoothness > Smoothness::Good).then(|| sheet::Rough {
            smoothness: crate::snap::word(&smoothness),
            at: [at.lat(), at.lon()],
        })
    }
}

fn day_warnings(
    tour: &Tour,
    draft: &Draft,
    day: usize,
    light: &[sheet::Light],
    warnings: &mut Vec<Warning>,
) {
    let of_day = match tour.points.iter().filter(|p| p.ends_day).count() {
        0 => String::new(),
        _ => format!(" on day {}", day + 1),
    };
    let mut warn = |kind: &str, text: String, km: Option<f64>| {
        let at = km.map(|km| draft.track.place_at(draft.track.seconds_at(km * 1000.0)));
        warnings.push(Warning {
            kind: kind.into(),
            text,
            leg: None,
            point: None,
            at: at.map(|p| [p.lat(), p.lon()]),
            km: km.map(|km| km + draft.start_m / 1000.0),
            ..Warning::default()
        });
    };
    let dark = |l: &&sheet::Light| l.kind == sheet::LightKind::Night;
    let dark_km: f64 = light.iter().filter(dark).map(|l| l.to_km - l.from_km).sum();
    if let Some(first) = light.iter().find(dark).filter(|_| dark_km >= 1.0) {
        warn(
            "dark",
            format!(
                "{}{of_day} would be ridden in the dark, from km {:.0} on. Set out earlier, or \
                 shorten the day.",
                metres(dark_km * 1000.0),
                first.from_km
            ),
            Some(first.from_km),
        );
    }
    for low in light.iter().filter(|l| l.kind == sheet::LightKind::LowSun) {
        warn(
            "low_sun",
            format!(
                "The sun stands low ahead for {}{of_day}: it may dazzle.",
                metres((low.to_km - low.from_km) * 1000.0)
            ),
            Some(low.from_km),
        );
    }
    if draft.track.total_s() > LONG_DAY_S {
        warn(
            "long_day",
            format!(
                "{:.0} hours of riding{of_day}: more than the nine that drivers by profession \
                 may drive. Split the day.",
                draft.track.total_s() / 3600.0
            ),
            None,
        );
    }
    // Rule 91 of the UK Highway Code warns of the hours from midnight to six.
    let small = (0..=(draft.track.total_s() / 600.0) as u32).find_map(|i| {
        let riding_s = f64::from(i) * 600.0;
        let (at, (_, zone)) = (draft.moment(riding_s)?, draft.clock?);
        (zone::local(zone, at).hour() < 6 && draft.track.total_s() > 1800.0).then_some(riding_s)
    });
    if let Some(riding_s) = small {
        warn(
            "small_hours",
            format!(
                "Some of the ride{of_day} lies between midnight and six, when one is most \
                 likely to fall asleep."
            ),
            Some(draft.track.metres_at(riding_s) / 1000.0),
        );
    }
}

/// The latest departure that is in time wherever the rider wants to be by an hour.
fn be_there(
    tour: &Tour,
    entries: &[Entry],
    depart: DateTime<Utc>,
    zone: Tz,
) -> Result<DateTime<Utc>, PlanError> {
    let date = zone::local(zone, depart).date();
    let mut latest: Option<DateTime<Utc>> = None;
    for entry in entries {
        let Event::Point(point) = entry.event else {
            continue;
        };
        let point = &tour.points[point as usize];
        let Some(by) = point.arrive_by.as_deref() else {
            continue;
        };
        let there = zone::zone_at(point.lat, point.lon);
        let at = zone::moment(there, date.and_time(time(by)?)) - seconds(entry.from_s);
        // To the minute, and rather early.
        let at = at - TimeDelta::seconds(i64::from(at.second()));
        latest = Some(latest.map_or(at, |l| l.min(at)));
    }
    Ok(latest.unwrap_or(depart))
}

fn rests(draft: &Draft) -> u32 {
    let rests = draft.entries.iter().filter(|e| e.event == Event::Rest);
    (rests.map(|e| e.to_s - e.from_s).sum::<f64>() / 60.0).round() as u32
}

fn tracks_m(legs: &[&LegLine]) -> f64 {
    let run_m = |leg: &LegLine| -> f64 {
        let tracks = leg.line.runs.iter().filter(|r| r.class == "track");
        let at = |row: u32| {
            leg.line
                .distance_m
                .get(row as usize)
                .copied()
                .unwrap_or(0.0)
        };
        tracks.map(|r| at(r.to) - at(r.from)).sum()
    };
    legs.iter().map(|leg| run_m(leg)).sum()
}

fn rows(tour: &Tour, draft: &Draft) -> Vec<Row> {
    let last = draft.entries.len().saturating_sub(1);
    let mut rows: Vec<Row> = Vec::with_capacity(draft.entries.len());
    let mut before: Option<(Tz, DateTime<Utc>)> = draft.clock.map(|(at, zone)| (zone, at));
    for (i, entry) in draft.entries.iter().enumerate() {
        let place = draft.track.place_at(entry.riding_s);
        let point = match entry.event {
            Event::Point(p) => tour.points.get(p as usize),
            _ => None,
        };
        let (lat, lon) = match point {
            Some(p) if draft.track.at.is_empty() => (p.lat, p.lon),
            _ => (place.lat(), place.lon()),
        };
        let (kind, index, text) = match entry.event {
            Event::Point(p) => {
                let kind = match i {
                    0 => RowKind::Depart,
                    i if i == last => RowKind::Arrive,
                    _ if point.is_some_and(|p| p.kind == PointKind::Via) => RowKind::Pass,
                    _ => RowKind::Halt,
                };
                (
                    kind,
                    Some(p),
                    point.map_or(String::new(), |p| p.name.clone()),
                )
            }
            Event::Rest => (RowKind::Rest, None, String::new()),
            Event::Ferry(_) => (RowKind::Ferry, None, String::new()),
        };
        let mut row = Row {
            kind,
            point: index,
            km: draft.track.metres_at(entry.riding_s) / 1000.0,
            riding_s: entry.riding_s,
            from_s: entry.from_s,
            to_s: entry.to_s,
            at: [lat, lon],
            text,
            ..Row::default()
        };
        if let Some((depart, _)) = draft.clock {
            let zone = zone::zone_at(lat, lon);
            let at = depart + seconds(entry.from_s);
            if let Some((old, _)) = before
                && zone::offset(old, at) != zone::offset(zone, at)
            {
                rows.push(change_of_clocks(draft, old, zone, &rows, &row));
            }
            before = Some((zone, at));
            row.arrive = Some(zone::stamp(zone, at));
            row.leave = Some(zone::stamp(zone, depart + seconds(entry.to_s)));
            row.offset = Some(zone::offset_text(zone, at));
        }
        rows.push(row);
    }
    rows
}

/// The row at which clocks change between two rows: where the zone does, to some 100 m.
fn change_of_clocks(draft: &Draft, old: Tz, new: Tz, rows: &[Row], next: &Row) -> Row {
    let (mut low, mut high) = (rows.last().map_or(0.0, |r| r.riding_s), next.riding_s);
    let depart = draft.clock.map(|c| c.0).unwrap_or_default();
    let at = |riding_s: f64| depart + seconds(schedule::clock_s(&draft.entries, riding_s));
    while high - low > 5.0 {
        let middle = (low + high) / 2.0;
        let place = draft.track.place_at(middle);
        let zone = zone::zone_at(place.lat(), place.lon());
        if zone::offset(zone, at(middle)) == zone::offset(old, at(middle)) {
            low = middle;
        } else {
            high = middle;
        }
    }
    let (place, moment) = (draft.track.place_at(high), at(high));
    let ahead_min = (zone::offset(new, moment).local_minus_utc()
        - zone::offset(old, moment).local_minus_utc())
        / 60;
    let direction = if ahead_min > 0 { "forward" } else { "back" };
    Row {
        kind: RowKind::Clock,
        km: draft.track.metres_at(high) / 1000.0,
        riding_s: high,
        from_s: schedule::clock_s(&draft.entries, high),
        to_s: schedule::clock_s(&draft.entries, high),
        at: [place.lat(), place.lon()],
        text: format!("Clocks go {direction} by {} minutes.", ahead_min.abs()),
        arrive: Some(zone::stamp(old, moment)),
        leave: Some(zone::stamp(new, moment)),
        offset: Some(zone::offset_text(new, moment)),
        ..Row::default()
    }
}

/// When the day after a draft begins: by its own clock or the same as before, on the next date or,
/// if the ride ran past midnight, at the first such hour after the arrival. A full date is taken as
/// it is.
fn next_departure(tour: &Tour, draft: &Draft) -> Result<Option<NaiveDateTime>, PlanError> {
    let stop = &tour.points[draft.last];
    let clock = match stop.next_depart.as_deref() {
        Some(text) if text.contains('T') => return date_time(text).map(Some),
        text => text.map(time).transpose()?,
    };
    let Some((depart, zone)) = draft.clock else {
        return Ok(None);
    };
    let end = draft.entries.last().map_or(0.0, |e| e.from_s);
    let there = draft
        .track
        .at
        .last()
        .map_or(zone, |p| zone::zone_at(p.lat(), p.lon()));
    let arrive = zone::local(there, depart + seconds(end));
    let depart = zone::local(zone, depart);
    let clock = clock.unwrap_or(depart.time());
    let next = |date: NaiveDate, days: u64| {
        Some(
            date.checked_add_days(CalendarDays::new(days))?
                .and_time(clock),
        )
    };
    let first = next(depart.date(), 1).filter(|&t| t >= arrive);
    let second = || next(arrive.date(), 0).filter(|&t| t >= arrive);
    Ok(first.or_else(second).or_else(|| next(arrive.date(), 1)))
}

pub(crate) fn date_time(text: &str) -> Result<NaiveDateTime, PlanError> {
    let bad = || PlanError::BadTime { text: text.into() };
    let (date, clock) = text.split_once('T').ok_or_else(bad)?;
    let date = NaiveDate::parse_from_str(date, "%Y-%m-%d").map_err(|_| bad())?;
    Ok(date.and_time(time(clock)?))
}

pub(crate) fn time(text: &str) -> Result<NaiveTime, PlanError> {
    ["%H:%M", "%H:%M:%S"]
        .iter()
        .find_map(|form| NaiveTime::parse_from_str(text, form).ok())
        .ok_or_else(|| PlanError::BadTime { text: text.into() })
}
