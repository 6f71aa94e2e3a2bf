//! Distances against published values.
#![allow(
    clippy::inconsistent_digit_grouping,
    clippy::excessive_precision,
    reason = "figures as published"
)]

use region::{LocalFrame, Point, distance_m};

fn p(lat: f64, lon: f64) -> Point {
    Point::from_degrees(lat, lon).unwrap()
}

/// Cases of the geodesic test set distributed with GeographicLib (Karney 2013, J. Geodesy
/// 87:43-55; `test_geodesic.py`), s12 in metres. Coordinates have five decimals there, so that
/// points of 1e-7 degree hold them exactly.
#[test]
fn published_geodesics() {
    let cases = [
        (
            35.60777,
            -139.44815,
            -11.17491,
            -69.95921,
            8_935_244.560_481_831,
        ),
        (
            55.52454,
            106.05087,
            77.03196,
            197.18234 - 360.0,
            4_105_086.171_392_440_6,
        ),
        (
            -19.79938,
            -174.47484,
            -11.99349,
            -154.35109,
            2_319_004.860_116_939,
        ),
        (
            -41.22777,
            122.32875,
            -7.57291,
            130.37946,
            3_812_686.035_106_021,
        ),
    ];
    for (lat1, lon1, lat2, lon2, s12_m) in cases {
        let d = distance_m(p(lat1, lon1), p(lat2, lon2));
        assert!((d - s12_m).abs() < 1e-6, "{d} is not {s12_m}");
    }
}

/// Computed with GeographicLib and PROJ, which agree.
#[test]
fn computed_geodesics() {
    let cases = [
        (0.0, 0.0, 1.0, 0.0, 110_574.3886),
        (0.0, 0.0, 0.0, 1.0, 111_319.4908),
        (45.0, 7.0, 46.0, 7.0, 111_141.5485),
        (60.0, 0.0, 60.0, 1.0, 55_799.4704),
        (47.0, 11.0, 47.0, 11.001_315, 100.0136),
        (71.1725, 25.7833, 69.9689, 23.2716, 163_478.6703),
    ];
    for (lat1, lon1, lat2, lon2, s12_m) in cases {
        let d = distance_m(p(lat1, lon1), p(lat2, lon2));
        assert!((d - s12_m).abs() < 1e-3, "{d} is not {s12_m}");
    }
}

/// A polyline of several vertices: 6591.500 m on the ellipsoid, 6580.839 m on the sphere.
#[test]
fn a_polyline_is_measured_on_the_ellipsoid() {
    let line = [
        p(46.0, 11.0),
        p(46.01, 11.0),
        p(46.01, 11.02),
        p(46.0, 11.03),
        p(45.99, 11.0),
    ];
    let sum: f64 = line.windows(2).map(|w| distance_m(w[0], w[1])).sum();
    assert!((sum - 6591.500).abs() < 0.001, "{sum}");
}

/// The flat frame agrees with the geodesic to 1 part in 5,000 over 5 km at all latitudes lived at.
#[test]
fn the_local_frame_agrees_with_the_geodesic() {
    for lat in [-55.0, -19.0, 0.0, 35.9, 47.1, 62.0, 70.0] {
        let origin = p(lat, 9.5);
        let frame = LocalFrame::at(origin);
        for (dlat, dlon) in [(0.045, 0.0), (0.0, 0.045), (-0.03, 0.03)] {
            let q = p(lat + dlat, 9.5 + dlon);
            let [x, y] = frame.to_m(q);
            let (flat, true_m) = (x.hypot(y), distance_m(origin, q));
            assert!(
                (flat / true_m - 1.0).abs() < 1e-3,
                "{lat}: {flat} against {true_m}"
            );
            assert_eq!(frame.to_point([x, y]), q);
        }
    }
}

#[test]
fn the_local_frame_crosses_the_antimeridian() {
    let frame = LocalFrame::at(p(-19.0, 179.9999));
    let [x, _] = frame.to_m(p(-19.0, -179.9999));
    assert!((20.0..22.0).contains(&x), "{x}");
}

#[test]
fn points_off_the_globe_are_none() {
    for (lat, lon) in [
        (91.5, 0.0),
        (0.0, 180.5),
        (f64::NAN, 0.0),
        (0.0, f64::INFINITY),
    ] {
        assert!(Point::from_degrees(lat, lon).is_none());
    }
}
