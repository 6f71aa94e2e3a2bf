//! Points on the ground and the distances between them.

use geographiclib_rs::{Geodesic, InverseGeodesic};
use serde::{Deserialize, Serialize};
use std::sync::LazyLock;

static WGS84: LazyLock<Geodesic> = LazyLock::new(Geodesic::wgs84);

/// A place on the ground, in units of 1e-7 degree (about 1 cm), WGS 84.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
pub struct Point {
    /// Longitude, 1e-7 degree.
    pub lon_e7: i32,
    /// Latitude, 1e-7 degree.
    pub lat_e7: i32,
}

impl Point {
    /// From degrees; `None` unless both are finite, |lat| ≤ 90 and |lon| ≤ 180.
    pub fn from_degrees(lat: f64, lon: f64) -> Option<Self> {
        (lat.abs() <= 90.0 && lon.abs() <= 180.0).then(|| Point {
            lon_e7: (lon * 1e7).round() as i32,
            lat_e7: (lat * 1e7).round() as i32,
        })
    }
    /// Latitude in degrees.
    pub fn lat(self) -> f64 {
        f64::from(self.lat_e7) / 1e7
    }
    /// Longitude in degrees.
    pub fn lon(self) -> f64 {
        f64::from(self.lon_e7) / 1e7
    }
}

/// Geodesic distance in metres on WGS 84 (Karney 2013, J. Geodesy 87:43-55).
pub fn distance_m(a: Point, b: Point) -> f64 {
    WGS84.inverse(a.lat(), a.lon(), b.lat(), b.lon())
}

/// A flat frame around one point: good to about 1 part in 10,000 over some kilometres.
#[derive(Clone, Copy, Debug)]
pub struct LocalFrame {
    origin: Point,
    m_per_e7_lon: f64,
    m_per_e7_lat: f64,
}

impl LocalFrame {
    /// Metres per degree from the ellipsoid's radii of curvature at the origin's latitude.
    pub fn at(origin: Point) -> Self {
        const A: f64 = 6_378_137.0;
        const E2: f64 = 0.006_694_379_990_141_316;
        let lat = origin.lat().to_radians();
        let w2 = 1.0 - E2 * lat.sin().powi(2);
        let per_e7 = std::f64::consts::PI / 180.0 / 1e7;
        LocalFrame {
            origin,
            m_per_e7_lon: A / w2.sqrt() * lat.cos() * per_e7,
            m_per_e7_lat: A * (1.0 - E2) / w2.powf(1.5) * per_e7,
        }
    }
    /// East and north of the origin, metres. Crosses the antimeridian the short way.
    pub fn to_m(self, p: Point) -> [f64; 2] {
        let mut dlon = i64::from(p.lon_e7) - i64::from(self.origin.lon_e7);
        if dlon > 1_800_000_000 {
            dlon -= 3_600_000_000;
        } else if dlon < -1_800_000_000 {
            dlon += 3_600_000_000;
        }
        let dlat = i64::from(p.lat_e7) - i64::from(self.origin.lat_e7);
        [
            dlon as f64 * self.m_per_e7_lon,
            dlat as f64 * self.m_per_e7_lat,
        ]
    }
    /// The inverse of [`LocalFrame::to_m`].
    pub fn to_point(self, [east_m, north_m]: [f64; 2]) -> Point {
        let mut lon = f64::from(self.origin.lon_e7) + east_m / self.m_per_e7_lon;
        if lon > 1.8e9 {
            lon -= 3.6e9;
        } else if lon < -1.8e9 {
            lon += 3.6e9;
        }
        Point {
            lon_e7: lon.round() as i32,
            lat_e7: (f64::from(self.origin.lat_e7) + north_m / self.m_per_e7_lat)
                .round()
                .clamp(-9e8, 9e8) as i32,
        }
    }
}
