//! Local time: which clock holds at a place, and what it shows at a moment.
//!
//! Borders of time zones are in the crate `tzf-rs` (from OpenStreetMap, ODbL), rules in
//! `chrono-tz` (IANA); docs/decisions tells why these.

use std::sync::LazyLock;

use chrono::{DateTime, FixedOffset, NaiveDateTime, Offset, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;
use tzf_rs::EmbeddedFinder;

static BORDERS: LazyLock<EmbeddedFinder> = LazyLock::new(EmbeddedFinder::new);

/// The time zone of a place, degrees; one without summer time, by the longitude, where no zone is
/// known.
pub fn zone_at(lat: f64, lon: f64) -> Tz {
    let name = BORDERS.get_tz_name(lon, lat);
    name.parse().unwrap_or_else(|_| {
        // The signs of these names are upside down: Etc/GMT-2 is two hours ahead.
        let hours = (lon / 15.0).round() as i32;
        let sea = match hours {
            0 => "Etc/GMT".to_owned(),
            h if h > 0 => format!("Etc/GMT-{h}"),
            h => format!("Etc/GMT+{}", -h),
        };
        sea.parse().unwrap_or(Tz::UTC)
    })
}

/// The moment at which a clock of the zone shows `local`: the first one where it does so twice in
/// autumn, and as much later as is left out in spring.
pub fn moment(zone: Tz, local: NaiveDateTime) -> DateTime<Utc> {
    if let Some(at) = zone.from_local_datetime(&local).earliest() {
        return at.with_timezone(&Utc);
    }
    // The clock leaps over it: by the time that held three hours before.
    let before = offset(zone, (local - TimeDelta::hours(24)).and_utc());
    (local - TimeDelta::seconds(i64::from(before.local_minus_utc()))).and_utc()
}

/// What the clock is ahead of UTC at a moment.
pub fn offset(zone: Tz, at: DateTime<Utc>) -> FixedOffset {
    zone.offset_from_utc_datetime(&at.naive_utc()).fix()
}

/// What the clock shows at a moment.
pub fn local(zone: Tz, at: DateTime<Utc>) -> NaiveDateTime {
    at.with_timezone(&zone).naive_local()
}

/// `2026-05-01T08:30`.
pub fn stamp(zone: Tz, at: DateTime<Utc>) -> String {
    local(zone, at).format("%Y-%m-%dT%H:%M").to_string()
}

/// `+02:00`.
pub fn offset_text(zone: Tz, at: DateTime<Utc>) -> String {
    let seconds = offset(zone, at).local_minus_utc();
    let sign = if seconds < 0 { '-' } else { '+' };
    let minutes = seconds.abs() / 60;
    format!("{sign}{:02}:{:02}", minutes / 60, minutes % 60)
}
