//! Nights for a long tour: even days under limits of hours, kilometres and daylight, each ending
//! where there are beds.
//!
//! Beds along the line are numbered; a day from one to another is an arc if it keeps the limits. Of
//! the chains with the fewest days the most even one is taken, by the sum of the squares of the
//! riding times, which is exact. Where no bed lies within the limits, the limit is broken as seldom
//! as possible, and said.

use std::collections::HashSet;

use chrono::{Days as CalendarDays, NaiveDate, NaiveTime};
use region::PlaceKind;
use serde::{Deserialize, Serialize};

use super::along::{Track, beside};
use super::schedule::{Mark, RestRule, lay_out};
use super::{date_time, sun, zone};
use crate::Planner;
use crate::document::{PointKind, Tour};
use crate::plan::{PlanError, Sums};

/// Beds within this distance of the line are thought of, metres.
const BED_M: f64 = 2000.0;
/// One bed is kept in each stretch of this length, the nearest to the road.
const APART_M: f64 = 4000.0;
/// Days a tour is split into at most.
const MAX_DAYS: usize = 60;

/// What a day may hold.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(default, deny_unknown_fields)]
pub struct DayLimits {
    /// Hours of riding.
    pub riding_h: Option<f64>,
    /// Kilometres.
    pub length_km: Option<f64>,
    /// To arrive before sunset; needs a date.
    pub daylight: bool,
    /// Camp sites will do.
    pub camping: bool,
    /// Departure of every day, local, `HH:MM`.
    pub depart: String,
}

impl Default for DayLimits {
    fn default() -> Self {
        DayLimits {
            riding_h: Some(6.0),
            length_km: None,
            daylight: true,
            camping: true,
            depart: "08:30".into(),
        }
    }
}

/// A proposed split.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct DaySplit {
    /// Where to sleep, in order; one fewer than days.
    pub nights: Vec<Night>,
    /// Riding of each day, seconds.
    pub riding_s: Vec<f64>,
    /// Length of each day, metres.
    pub length_m: Vec<f64>,
    /// Days, from 0, that break a limit because no bed lies within it.
    pub over: Vec<u32>,
}

/// A place for the night.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
pub struct Night {
    /// Name, may be empty.
    pub name: String,
    /// `lodging` or `camping`.
    pub kind: String,
    /// `[lat, lon]` of the place.
    pub at: [f64; 2],
    /// Metres aside of the line.
    pub aside_m: f64,
    /// Kilometres from the start of the tour.
    pub km: f64,
    /// Leg on which it lies: a stop to add comes after this leg's first point.
    pub leg: u32,
}

/// A possible end of a day: where on the line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Halt {
    /// Metres from the start.
    pub at_m: f64,
    /// Seconds of riding from the start.
    pub riding_s: f64,
}

/// Chooses where to end days, among `halts` ascending between a start and an end of the whole:
/// indices, and which days break the limits. `keeps` says whether a day (its number, from, to)
/// keeps them.
pub fn choose(
    halts: &[Halt],
    end: Halt,
    keeps: impl Fn(usize, Halt, Halt) -> bool,
) -> (Vec<usize>, Vec<usize>) {
    let start = Halt {
        at_m: 0.0,
        riding_s: 0.0,
    };
    // Node 0 is the start, the last one the end.
    let nodes: Vec<Halt> = std::iter::once(start)
        .chain(halts.iter().copied())
        .chain([end])
        .collect();
    let last = nodes.len() - 1;
    // Per day and node: limits broken, squares, node before.
    let mut layers: Vec<Vec<Option<(u32, f64, usize)>>> = Vec::new();
    let mut first = vec![None; nodes.len()];
    first[0] = Some((0, 0.0, 0));
    layers.push(first);
    let mut best: Option<(u32, usize)> = None;
    for day in 0..MAX_DAYS.min(last) {
        let mut next: Vec<Option<(u32, f64, usize)>> = vec![None; nodes.len()];
        for to in 1..nodes.len() {
            for from in (0..to).rev() {
                let Some((broken, squares, _)) = layers[day][from] else {
                    continue;
                };
                let over = !keeps(day, nodes[from], nodes[to]);
                let riding_h = (nodes[to].riding_s - nodes[from].riding_s) / 3600.0;
                let through = (
                    broken + u32::from(over),
                    squares + riding_h * riding_h,
                    from,
                );
                if next[to].is_none_or(|n| (through.0, through.1) < (n.0, n.1)) {
                    next[to] = Some(through);
                }
            }
        }
        if let Some((broken, _, _)) = next[last]
            && best.is_none_or(|b| broken < b.0)
        {
            best = Some((broken, day + 1));
        }
        layers.push(next);
        // More days can only help while limits are broken.
        if best.is_some_and(|b| b.0 == 0) {
            break;
        }
    }
    let Some((_, days)) = best else {
        return (Vec::new(), Vec::new());
    };
    let (mut chosen, mut over) = (Vec::new(), Vec::new());
    let mut node = last;
    for day in (1..=days).rev() {
        let Some((_, _, from)) = layers[day][node] else {
            break;
        };
        if !keeps(day - 1, nodes[from], nodes[node]) {
            over.push(day - 1);
        }
        node = from;
        if node > 0 {
            chosen.push(node - 1);
        }
    }
    chosen.reverse();
    over.reverse();
    (chosen, over)
}

impl Planner {
    /// Proposes where to end the days of a tour; day ends it already has are left aside.
    pub fn propose_days(&self, tour: &Tour, limits: &DayLimits) -> Result<DaySplit, PlanError> {
        let mut whole = tour.clone();
        for point in &mut whole.points {
            (point.ends_day, point.arrive_by) = (false, None);
        }
        let plan = self.plan(&whole, &HashSet::new())?;
        let lines: Vec<(&crate::plan::Line, &Sums)> = plan
            .legs
            .iter()
            .filter_map(|leg| leg.line.as_ref().map(|line| (line, &leg.sums)))
            .collect();
        let track = Track::of(lines.iter().copied());
        let region = self.region();
        let mut beds: Vec<_> = beside(region, &track, BED_M, |kind| {
            kind == PlaceKind::Lodging || (limits.camping && kind == PlaceKind::Camping)
        });
        beds.retain(|b| b.at_m > APART_M && b.at_m < track.length_m() - APART_M);
        let mut kept: Vec<super::along::Beside> = Vec::new();
        for bed in beds {
            match kept.last_mut() {
                Some(last) if bed.at_m - last.at_m < APART_M => {
                    if bed.aside_m < last.aside_m {
                        *last = bed;
                    }
                }
                _ => kept.push(bed),
            }
        }
        let halts: Vec<Halt> = kept
            .iter()
            .map(|b| Halt {
                at_m: b.at_m,
                riding_s: track.seconds_at(b.at_m),
            })
            .collect();
        let end = Halt {
            at_m: track.length_m(),
            riding_s: track.total_s(),
        };
        let keeps = self.limits(&whole, limits, &track)?;
        let (chosen, over) = choose(&halts, end, keeps);
        let mut split = DaySplit {
            over: over.iter().map(|&d| d as u32).collect(),
            ..DaySplit::default()
        };
        let mut from = Halt {
            at_m: 0.0,
            riding_s: 0.0,
        };
        for to in chosen.iter().map(|&i| halts[i]).chain([end]) {
            split.riding_s.push(to.riding_s - from.riding_s);
            split.length_m.push(to.at_m - from.at_m);
            from = to;
        }
        for i in chosen {
            let bed = kept[i];
            let place = bed.place as usize;
            let is_camp = region.place_kind()[place] == PlaceKind::Camping as u8;
            split.nights.push(Night {
                name: region.string(region.place_name()[place]).to_owned(),
                kind: if is_camp { "camping" } else { "lodging" }.into(),
                at: [
                    f64::from(region.place_lat_e7()[place]) / 1e7,
                    f64::from(region.place_lon_e7()[place]) / 1e7,
                ],
                aside_m: bed.aside_m.round(),
                km: bed.at_m / 1000.0,
                leg: track.leg_of(bed.row) as u32,
            });
        }
        Ok(split)
    }

    /// Whether a day keeps the limits: its riding, its length, and with rests and halts the sun.
    fn limits<'a>(
        &self,
        tour: &'a Tour,
        limits: &'a DayLimits,
        track: &'a Track,
    ) -> Result<impl Fn(usize, Halt, Halt) -> bool + 'a, PlanError> {
        let depart = super::time(&limits.depart)?;
        let first: Option<NaiveDate> = match tour.depart.as_deref() {
            Some(text) => Some(date_time(text)?.date()),
            None => None,
        };
        let rule = RestRule {
            every_s: f64::from(tour.rider.rest_every_min) * 60.0,
            rest_s: f64::from(tour.rider.rest_min) * 60.0,
        };
        let halts: Vec<(f64, f64)> = tour
            .points
            .iter()
            .enumerate()
            .filter(|(_, p)| p.kind == PointKind::Stop && p.dwell_min > 0)
            .map(|(i, p)| (track.riding_at_point(i), f64::from(p.dwell_min) * 60.0))
            .collect();
        Ok(move |day: usize, from: Halt, to: Halt| {
            let riding_s = to.riding_s - from.riding_s;
            if limits.riding_h.is_some_and(|h| riding_s > h * 3600.0)
                || limits
                    .length_km
                    .is_some_and(|km| to.at_m - from.at_m > km * 1000.0)
            {
                return false;
            }
            let Some(first) = first.filter(|_| limits.daylight) else {
                return true;
            };
            let marks = [0.0, riding_s].map(|riding_s| Mark {
                riding_s,
                dwell_s: 0.0,
                point: 0,
            });
            let rested_s = lay_out(&marks, &[], rule).last().map_or(0.0, |e| e.from_s);
            let halted_s: f64 = halts
                .iter()
                .filter(|h| h.0 > from.riding_s && h.0 < to.riding_s)
                .map(|h| h.1)
                .sum();
            let place = track.place_at(to.riding_s);
            let Some(date) = first.checked_add_days(CalendarDays::new(day as u64)) else {
                return false;
            };
            is_light(place, date, depart, rested_s + halted_s)
        })
    }
}

/// Whether somebody who sets out at `depart` and is on the way for so long is there before sunset.
fn is_light(place: region::Point, date: NaiveDate, depart: NaiveTime, way_s: f64) -> bool {
    let zone = zone::zone_at(place.lat(), place.lon());
    let noon = date.and_time(NaiveTime::MIN) + chrono::TimeDelta::hours(12);
    let day = sun::around(place.lat(), place.lon(), zone::moment(zone, noon));
    let arrive = zone::moment(zone, date.and_time(depart)) + super::seconds(way_s);
    match day.sunset {
        Some(sunset) => arrive <= sunset,
        None => day.noon_altitude_deg > sun::HORIZON_DEG,
    }
}
