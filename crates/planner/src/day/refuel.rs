//! Fuel along a tour: stations beside the line, their hours, and where to halt.

use region::{PlaceKind, Point, Region};
use serde_json::Value;

use super::along::Beside;
use super::fuel::{Station, choose, range_m};
use super::law::{Hours, Truth};
use super::sheet::{Dry, Fuel, FuelStop};
use super::{Draft, zone};
use crate::Planner;
use crate::document::{PointKind, Tour};
use crate::plan::Warning;

/// Roads to a station are longer than the crow flies by this share (common practice).
const ROUNDABOUT: f64 = 1.3;
/// A station this near lies at the road: no detour.
const AT_ROAD_M: f64 = 40.0;
/// A stop this near to a station is a halt to refuel, metres.
const AT_STATION_M: f64 = 60.0;

/// A station on a day.
struct Found {
    day: usize,
    beside: Option<Beside>,
    /// Metres from the start of the day.
    at_m: f64,
    point: Option<u32>,
    hours: Option<String>,
    open: Option<bool>,
}

/// The fuel of every day; the tank is full at the start and keeps what it holds overnight.
pub(super) fn along_tour(
    planner: &Planner,
    tour: &Tour,
    drafts: &[Draft],
    warnings: &mut Vec<Warning>,
) -> Vec<Fuel> {
    let region = planner.region();
    let rider = &tour.rider;
    let mut fuels: Vec<Fuel> = drafts.iter().map(|_| Fuel::default()).collect();
    let valid = |v: f64| v.is_finite() && v > 0.0;
    if !valid(rider.tank_l)
        || !valid(rider.consumption_l)
        || rider.reserve_l >= rider.tank_l
        || rider.reserve_l.is_nan()
    {
        return fuels;
    }
    let range = range_m(rider.tank_l, rider.reserve_l.max(0.0), rider.consumption_l);
    let mut found: Vec<Found> = Vec::new();
    for (day, draft) in drafts.iter().enumerate() {
        found.extend(of_day(planner, tour, day, draft));
    }
    let base_m = |day: usize| drafts[day].start_m;
    let total_m = drafts
        .last()
        .map_or(0.0, |d| d.start_m + d.track.length_m());
    let stations: Vec<Station> = found
        .iter()
        .map(|f| Station {
            at_m: base_m(f.day) + f.at_m,
            detour_m: f.beside.map_or(0.0, |b| detour_m(b.aside_m)),
            is_set: f.point.is_some(),
        })
        .collect();
    let choice = choose(&stations, total_m, range);
    let per_m = rider.consumption_l / 100_000.0;
    // The level, station by station.
    let mut marks: Vec<(f64, Option<usize>)> = choice
        .stops
        .iter()
        .map(|&i| (stations[i].at_m, Some(i)))
        .collect();
    marks.extend((1..drafts.len()).map(|day| (base_m(day), None)));
    marks.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut at_m, mut litres) = (0.0, rider.tank_l);
    let mut day = 0;
    if let Some(fuel) = fuels.first_mut() {
        fuel.level.push([0.0, litres]);
    }
    for (mark_m, station) in marks {
        litres = (litres - (mark_m - at_m) * per_m).max(0.0);
        at_m = mark_m;
        let Some(i) = station else {
            fuels[day]
                .level
                .push([(at_m - base_m(day)) / 1000.0, litres]);
            day += 1;
            fuels[day].level.push([0.0, litres]);
            continue;
        };
        let f = &found[i];
        litres = (litres - stations[i].detour_m / 2.0 * per_m).max(0.0);
        let km = f.at_m / 1000.0;
        let fuel = &mut fuels[f.day];
        fuel.level.push([km, litres]);
        fuel.stops
            .push(stop(region, &drafts[f.day], f, rider.tank_l - litres));
        litres = rider.tank_l;
        fuel.level.push([km, litres]);
        litres -= stations[i].detour_m / 2.0 * per_m;
    }
    if let Some(fuel) = fuels.last_mut() {
        litres = (litres - (total_m - at_m) * per_m).max(0.0);
        let end_km = (total_m - base_m(drafts.len() - 1)) / 1000.0;
        fuel.level.push([end_km, litres]);
    }
    for &dry_m in &choice.dry_m {
        let day = drafts.partition_point(|d| d.start_m <= dry_m).max(1) - 1;
        let km = (dry_m - base_m(day)) / 1000.0;
        let reserve_km = rider.reserve_l.max(0.0) / rider.consumption_l * 100.0;
        fuels[day].dry.push(Dry {
            km,
            empty_km: km + reserve_km,
        });
        warnings.push(dry_warning(&drafts[day], &stations, dry_m, km, reserve_km));
    }
    for fuel in &mut fuels {
        fuel.range_km = Some(range / 1000.0);
    }
    fuels
}

fn detour_m(aside_m: f64) -> f64 {
    if aside_m <= AT_ROAD_M {
        0.0
    } else {
        2.0 * ROUNDABOUT * aside_m
    }
}

fn of_day(planner: &Planner, tour: &Tour, day: usize, draft: &Draft) -> Vec<Found> {
    let region = planner.region();
    let detour = tour.rider.fuel_detour_m;
    let most_m = if detour.is_finite() {
        detour.clamp(0.0, 50_000.0)
    } else {
        0.0
    };
    let reach_m = (most_m / (2.0 * ROUNDABOUT)).max(AT_STATION_M);
    let mut found = Vec::new();
    let all = planner.beside_kept(&draft.track, reach_m, PlaceKind::Fuel);
    for &b in all.iter() {
        let detail = region.string(region.place_detail()[b.place as usize]);
        let detail: Value = serde_json::from_str(detail).unwrap_or_default();
        let said = |key: &str| detail.get(key).and_then(Value::as_str);
        if matches!(said("access"), Some("private" | "no" | "permit")) {
            continue;
        }
        let hours = said("opening_hours").map(str::to_owned);
        let open = hours.as_deref().and_then(|h| open_then(draft, h, &b));
        found.push(Found {
            day,
            beside: Some(b),
            at_m: b.at_m,
            point: None,
            hours,
            open,
        });
    }
    // Stops to refuel take the place of the stations they are at.
    for p in draft.first..=draft.last {
        let point = &tour.points[p];
        let leg = p - draft.first;
        let row = match leg {
            0 => 0,
            l => draft.track.leg_row[l].saturating_sub(1),
        };
        let (Some(&at_m), Some(at)) = (
            draft.track.along_m.get(row),
            Point::from_degrees(point.lat, point.lon),
        ) else {
            continue;
        };
        let here = |f: &Found| {
            f.beside.filter(|b| {
                let place = b.place as usize;
                let station = Point {
                    lon_e7: region.place_lon_e7()[place],
                    lat_e7: region.place_lat_e7()[place],
                };
                (b.at_m - at_m).abs() < 1000.0 && region::distance_m(station, at) <= AT_STATION_M
            })
        };
        let is_first_of_later_day = day > 0 && leg == 0;
        if point.kind != PointKind::Stop || is_first_of_later_day {
            continue;
        }
        let station = found.iter().position(|f| here(f).is_some());
        if !point.refuel && station.is_none() {
            continue;
        }
        let (hours, open) = station.map_or((None, None), |i| {
            let f = found.remove(i);
            (f.hours, f.open)
        });
        found.push(Found {
            day,
            beside: None,
            at_m,
            point: Some(p as u32),
            hours,
            open,
        });
    }
    // Closed ones are no help, unless the rider halts there anyway and can wait.
    found.retain(|f| f.open != Some(false) || f.point.is_some());
    found.sort_by(|a, b| a.at_m.total_cmp(&b.at_m));
    found
}

fn open_then(draft: &Draft, hours: &str, b: &Beside) -> Option<bool> {
    let moment = draft.moment(draft.track.seconds_at(b.at_m))?;
    let place = draft.track.at.get(b.row)?;
    let zone = zone::zone_at(place.lat(), place.lon());
    let local = zone::local(zone, moment);
    match Hours::read(hours)?.open_at_place(local, place.lat(), place.lon(), zone) {
        Truth::Yes => Some(true),
        Truth::No => Some(false),
        Truth::Unknown => None,
    }
}

fn stop(region: &Region, draft: &Draft, f: &Found, litres: f64) -> FuelStop {
    let riding_s = draft.track.seconds_at(f.at_m);
    let on_line = draft.track.place_at(riding_s);
    let row = draft.track.along_m.partition_point(|&m| m < f.at_m);
    let place = f.beside.map(|b| b.place as usize);
    let zone = draft
        .clock
        .map(|_| zone::zone_at(on_line.lat(), on_line.lon()));
    FuelStop {
        km: f.at_m / 1000.0,
        at: place.map_or([on_line.lat(), on_line.lon()], |p| {
            [
                f64::from(region.place_lat_e7()[p]) / 1e7,
                f64::from(region.place_lon_e7()[p]) / 1e7,
            ]
        }),
        name: place.map_or(String::new(), |p| {
            region.string(region.place_name()[p]).to_owned()
        }),
        aside_m: f.beside.map_or(0.0, |b| b.aside_m.round()),
        litres: (litres * 10.0).round() / 10.0,
        point: f.point,
        leg: (draft.first + draft.track.leg_of(row.saturating_sub(1))) as u32,
        arrive: zone
            .zip(draft.moment(riding_s))
            .map(|(zone, at)| zone::stamp(zone, at)),
        hours: f.hours.clone(),
        open: f.open,
    }
}

fn dry_warning(
    draft: &Draft,
    stations: &[Station],
    dry_m: f64,
    km: f64,
    reserve_km: f64,
) -> Warning {
    let place = draft.track.place_at(draft.track.seconds_at(km * 1000.0));
    let next = stations.iter().find(|s| s.at_m > dry_m).map_or(
        "there is none on the rest of the way".to_owned(),
        |s| {
            format!(
                "the next one is {:.0} km further",
                (s.at_m - dry_m) / 1000.0
            )
        },
    );
    Warning {
        kind: "out_of_fuel".into(),
        text: format!(
            "The range ends at km {:.0}, the reserve {reserve_km:.0} km later, before a station \
             is reached: {next}. Carry fuel, allow a longer detour for it, or change the line.",
            dry_m / 1000.0
        ),
        at: Some([place.lat(), place.lon()]),
        km: Some(dry_m / 1000.0),
        ..Warning::default()
    }
}
