//! Where the sun stands, when it rises and sets.
//!
//! The full solar calculation of NOAA after J. Meeus, *Astronomical Algorithms* (2nd ed., chapters
//! 25 and 28): mean longitude and anomaly, equation of centre, apparent longitude, corrected
//! obliquity. Sunrise and sunset are where the centre stands 90.833° from the zenith (refraction
//! and half the disc), civil twilight ends at 96°. Each event is worked out with the sun as it
//! stands at that very moment.

use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, Utc};

/// Altitude of the centre at sunrise and sunset, degrees.
pub const HORIZON_DEG: f64 = -0.833;
/// Altitude of the centre where civil twilight begins and ends, degrees.
pub const TWILIGHT_DEG: f64 = -6.0;

/// Where the sun stands, degrees; refraction left aside.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Position {
    /// Above the horizon.
    pub altitude_deg: f64,
    /// From north by east.
    pub azimuth_deg: f64,
}

/// The sun's day at a place. Polar days and nights have no events.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SunDay {
    /// Highest stand.
    pub noon: DateTime<Utc>,
    /// Altitude at noon, degrees.
    pub noon_altitude_deg: f64,
    /// Civil twilight begins.
    pub dawn: Option<DateTime<Utc>>,
    /// Sunrise.
    pub sunrise: Option<DateTime<Utc>>,
    /// Sunset.
    pub sunset: Option<DateTime<Utc>>,
    /// Civil twilight ends.
    pub dusk: Option<DateTime<Utc>>,
}

/// The sun in the sky of the whole earth.
struct Stand {
    declination_rad: f64,
    /// Apparent less mean solar time, minutes.
    equation_min: f64,
}

fn stand(at: DateTime<Utc>) -> Stand {
    // Julian centuries from 2000-01-01 12:00; the 70 s between UTC and dynamical time move the
    // sun by less than a second of day.
    let days = (at.timestamp() as f64 + f64::from(at.timestamp_subsec_millis()) / 1000.0)
        / 86_400.0
        - 10_957.5;
    let t = (days + 70.0 / 86_400.0) / 36_525.0;
    let mean_longitude = (280.466_46 + t * (36_000.769_83 + t * 0.000_303_2)).rem_euclid(360.0);
    let anomaly = (357.529_11 + t * (35_999.050_29 - 0.000_153_7 * t)).to_radians();
    let eccentricity = 0.016_708_634 - t * (0.000_042_037 + 0.000_000_126_7 * t);
    let centre = anomaly.sin() * (1.914_602 - t * (0.004_817 + 0.000_014 * t))
        + (2.0 * anomaly).sin() * (0.019_993 - 0.000_101 * t)
        + (3.0 * anomaly).sin() * 0.000_289;
    let node = (125.04 - 1934.136 * t).to_radians();
    let longitude = (mean_longitude + centre - 0.005_69 - 0.004_78 * node.sin()).to_radians();
    let seconds = 21.448 - t * (46.815 + t * (0.000_59 - t * 0.001_813));
    let obliquity = (23.0 + (26.0 + seconds / 60.0) / 60.0 + 0.002_56 * node.cos()).to_radians();
    let y = (obliquity / 2.0).tan().powi(2);
    let l = mean_longitude.to_radians();
    let equation = y * (2.0 * l).sin() - 2.0 * eccentricity * anomaly.sin()
        + 4.0 * eccentricity * y * anomaly.sin() * (2.0 * l).cos()
        - 0.5 * y * y * (4.0 * l).sin()
        - 1.25 * eccentricity * eccentricity * (2.0 * anomaly).sin();
    Stand {
        declination_rad: (obliquity.sin() * longitude.sin()).asin(),
        equation_min: 4.0 * equation.to_degrees(),
    }
}

/// Where the sun stands over a place, degrees north and east, at a moment.
pub fn position(lat: f64, lon: f64, at: DateTime<Utc>) -> Position {
    let sun = stand(at);
    let minutes = f64::from(seconds_of_day(at)) / 60.0;
    let hour_angle = ((minutes + sun.equation_min + 4.0 * lon) / 4.0 - 180.0).to_radians();
    let (sin_lat, cos_lat) = lat.to_radians().sin_cos();
    let (sin_d, cos_d) = sun.declination_rad.sin_cos();
    let sine = sin_lat * sin_d + cos_lat * cos_d * hour_angle.cos();
    let east = -cos_d * hour_angle.sin();
    let north = sin_d * cos_lat - cos_d * sin_lat * hour_angle.cos();
    Position {
        altitude_deg: sine.clamp(-1.0, 1.0).asin().to_degrees(),
        azimuth_deg: east.atan2(north).to_degrees().rem_euclid(360.0),
    }
}

fn seconds_of_day(at: DateTime<Utc>) -> u32 {
    use chrono::Timelike;
    at.num_seconds_from_midnight()
}

/// The sun's day on a local date, the clock taken from the longitude. West of Greenwich sunset
/// may fall on the next day of UTC; it belongs to the local day all the same.
pub fn of_date(lat: f64, lon: f64, date: NaiveDate) -> SunDay {
    let noon = date.and_time(NaiveTime::MIN) + minutes(720.0 - 4.0 * lon);
    around(lat, lon, noon.and_utc())
}

/// The sun's day whose noon is nearest to `near`: local noon by the clock gives the local day.
pub fn around(lat: f64, lon: f64, near: DateTime<Utc>) -> SunDay {
    let mut noon = near;
    for _ in 0..3 {
        let solar = f64::from(seconds_of_day(noon)) / 60.0 + stand(noon).equation_min + 4.0 * lon;
        // Minutes past noon of the sun, -720 to 720.
        let past = (solar - 720.0 + 720.0).rem_euclid(1440.0) - 720.0;
        noon -= minutes(past);
    }
    let event = |altitude_deg: f64, side: f64| {
        let mut at = noon;
        for _ in 0..6 {
            let sun = stand(at);
            let (sin_lat, cos_lat) = lat.to_radians().sin_cos();
            let (sin_d, cos_d) = sun.declination_rad.sin_cos();
            let cosine = (altitude_deg.to_radians().sin() - sin_lat * sin_d) / (cos_lat * cos_d);
            if !(-1.0..=1.0).contains(&cosine) {
                return None;
            }
            let hour_angle_min = 4.0 * cosine.acos().to_degrees();
            // The equation of time has moved on since noon.
            let drift = sun.equation_min - stand(noon).equation_min;
            at = noon + minutes(side * hour_angle_min - drift);
        }
        Some(at)
    };
    SunDay {
        noon,
        noon_altitude_deg: position(lat, lon, noon).altitude_deg,
        dawn: event(TWILIGHT_DEG, -1.0),
        sunrise: event(HORIZON_DEG, -1.0),
        sunset: event(HORIZON_DEG, 1.0),
        dusk: event(TWILIGHT_DEG, 1.0),
    }
}

fn minutes(min: f64) -> TimeDelta {
    TimeDelta::milliseconds((min * 60_000.0).round() as i64)
}
