//! The light of a day: where the rider would be in the dark, in twilight, or against a low sun.

use chrono::{NaiveTime, TimeDelta};
use region::LocalFrame;

use super::sheet::{Light, LightKind, SunTimes};
use super::{Draft, schedule, seconds, sun, zone};

/// The light is looked at every so often, seconds of riding.
const STEP_S: f64 = 60.0;
/// The sun dazzles from this height down, and this near to the heading, degrees (common practice).
const LOW_DEG: f64 = 12.0;
const AHEAD_DEG: f64 = 25.0;
/// Against the sun for this long is worth a word, seconds of riding.
const LONG_S: f64 = 600.0;

pub(super) fn of(draft: &Draft) -> (Option<SunTimes>, Vec<Light>) {
    let Some((depart, zone)) = draft.clock else {
        return (None, Vec::new());
    };
    let (Some(start), Some(end)) = (draft.track.at.first(), draft.track.at.last()) else {
        return (None, Vec::new());
    };
    let date = zone::local(zone, depart).date();
    let noon = date.and_time(NaiveTime::MIN) + TimeDelta::hours(12);
    let there = zone::zone_at(end.lat(), end.lon());
    let morning = sun::around(start.lat(), start.lon(), zone::moment(zone, noon));
    let evening = sun::around(end.lat(), end.lon(), zone::moment(there, noon));
    let polar = match (evening.sunset, evening.noon_altitude_deg) {
        (Some(_), _) => None,
        (None, up) if up > sun::HORIZON_DEG => Some("day".to_owned()),
        _ => Some("night".to_owned()),
    };
    let times = SunTimes {
        dawn: morning.dawn.map(|t| zone::stamp(zone, t)),
        sunrise: morning.sunrise.map(|t| zone::stamp(zone, t)),
        sunset: evening.sunset.map(|t| zone::stamp(there, t)),
        dusk: evening.dusk.map(|t| zone::stamp(there, t)),
        polar,
    };
    (Some(times), stretches(draft))
}

fn stretches(draft: &Draft) -> Vec<Light> {
    let Some((depart, _)) = draft.clock else {
        return Vec::new();
    };
    let total_s = draft.track.total_s();
    let steps = (total_s / STEP_S).ceil().min(100_000.0) as u32;
    let on_ferry = |s: f64| draft.track.ferries.iter().any(|f| f.0 <= s && s < f.1);
    let mut lights: Vec<Light> = Vec::new();
    let mut open: [Option<usize>; 3] = [None; 3];
    let mut before = draft.track.place_at(0.0);
    for step in 0..steps {
        let riding_s = f64::from(step) * STEP_S;
        let to_s = (riding_s + STEP_S).min(total_s);
        let ahead = draft.track.place_at(to_s);
        let from = std::mem::replace(&mut before, ahead);
        let clock_s = schedule::clock_s(&draft.entries, riding_s);
        let stand = sun::position(from.lat(), from.lon(), depart + seconds(clock_s));
        let [east, north] = LocalFrame::at(from).to_m(ahead);
        let heading_deg = east.atan2(north).to_degrees();
        let off_deg = (stand.azimuth_deg - heading_deg + 540.0).rem_euclid(360.0) - 180.0;
        let up = stand.altitude_deg;
        let is = [
            (sun::TWILIGHT_DEG..sun::HORIZON_DEG).contains(&up),
            up < sun::TWILIGHT_DEG,
            (sun::HORIZON_DEG..LOW_DEG).contains(&up)
                && off_deg.abs() < AHEAD_DEG
                && !on_ferry(riding_s)
                && east.hypot(north) > 100.0,
        ];
        let kinds = [LightKind::Twilight, LightKind::Night, LightKind::LowSun];
        for (i, kind) in kinds.into_iter().enumerate() {
            if !is[i] {
                // A bend or a tree does not end a stretch against the sun.
                let over = |l: &Light| clock_s - l.to_s > 3.0 * STEP_S;
                if kind != LightKind::LowSun || open[i].is_some_and(|n| over(&lights[n])) {
                    open[i] = None;
                }
                continue;
            }
            let to_km = draft.track.metres_at(to_s) / 1000.0;
            let end_s = schedule::clock_s(&draft.entries, to_s).min(clock_s + STEP_S);
            match open[i] {
                Some(n) => (lights[n].to_km, lights[n].to_s) = (to_km, end_s),
                None => {
                    open[i] = Some(lights.len());
                    lights.push(Light {
                        kind,
                        from_km: draft.track.metres_at(riding_s) / 1000.0,
                        to_km,
                        from_s: clock_s,
                        to_s: end_s,
                    });
                }
            }
        }
    }
    lights.retain(|l| l.kind != LightKind::LowSun || l.to_s - l.from_s >= LONG_S);
    lights
}
