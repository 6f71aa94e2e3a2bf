//! Coordinates in every usual notation.

use planner::files::{format_time, parse_coordinate, parse_time};
use proptest::prelude::*;

fn degrees(text: &str) -> Option<(f64, f64)> {
    parse_coordinate(text).map(|p| (p.lat(), p.lon()))
}

#[test]
fn reads_every_usual_notation() {
    // 42°30'18" = 42 + 30/60 + 18/3600 = 42.505; 1°31'12" = 1.52.
    for text in [
        "42.505, 1.52",
        "42.505,1.52",
        "42.505 1.52",
        "  42.505\t1.52 ",
        "42.505;1.52",
        "42.505 / 1.52",
        "42,505 1,52",
        "42,505; 1,52",
        "42,505;1,52",
        "42,505, 1,52",
        "42,505,1,52",
        "(42.505, 1.52)",
        "[42.505,1.52]",
        "+42.505 +1.52",
        "N42.505 E1.52",
        "N 42.505, E 1.52",
        "42.505N 1.52E",
        "42.505 N, 1.52 E",
        "42.505°N 1.52°E",
        "n42,505 e1,52",
        "42,505N 1,52E",
        "E1.52 N42.505",
        "1.52E 42.505N",
        "1.52 E, 42.505 N",
        "42.505° 1.52°",
        "42.505°, 1.52°",
        "42.505º 1.52º",
        "42.505 deg 1.52 deg",
        "42.505d 1.52d",
        "lat 42.505 lon 1.52",
        "Lat: 42.505, Lon: 1.52",
        "lat=42.505 lng=1.52",
        "lon 1.52 lat 42.505",
        "latitude 42.505 longitude 1.52",
        "Lat. 42.505 Lon. 1.52",
        "lat 42.505 N lon 1.52 E",
        "42.505 North 1.52 East",
        "42.505 north, 1.52 east",
        "42°30.3' 1°31.2'",
        "42° 30.3' N, 1° 31.2' E",
        "N42°30.3 E1°31.2",
        "N 42 30.3 E 1 31.2",
        "42 30.3 1 31.2",
        "42 30,3 1 31,2",
        "42°30,3'N 1°31,2'E",
        "42 30.3N 1 31.2E",
        "42d30.3m 1d31.2m",
        "42°30'18\"N 1°31'12\"E",
        "42°30′18″N, 1°31′12″E",
        "42° 30’ 18” N 1° 31’ 12” E",
        "42°30'18''N 1°31'12''E",
        "N42°30'18\" E1°31'12\"",
        "42 30 18 N 1 31 12 E",
        "42 30 18 1 31 12",
        "42:30:18 1:31:12",
        "42:30:18N, 1:31:12E",
        "42-30-18N 1-31-12E",
        "1°31'12\"E 42°30'18\"N",
        "42°30'18.0\" 1°31'12.00\"",
        "42° 30 min 18 sec N, 1° 31 min 12 sec E",
        "geo:42.505,1.52",
        "GEO:42.505,1.52,1200",
        "geo:42.505,1.52;u=35",
        "geo:42.505,1.52;crs=wgs84;u=0",
        "geo:42.505,1.52,3;crs=WGS84;x=y",
        "geo:42.505,1.52?z=12",
    ] {
        assert_eq!(degrees(text), Some((42.505, 1.52)), "{text}");
    }
    for (text, expected) in [
        ("-33.9, 18.4", (-33.9, 18.4)),
        ("33.9S 18.4E", (-33.9, 18.4)),
        ("33,9 S; 18,4 W", (-33.9, -18.4)),
        ("−33.9 −18.4", (-33.9, -18.4)),
        ("-33.9 -18.4", (-33.9, -18.4)),
        ("-33.9,-18.4", (-33.9, -18.4)),
        ("- 33.9, - 18.4", (-33.9, -18.4)),
        ("-0°30' 0°45'", (-0.5, 0.75)),
        ("S 0 30 W 0 45", (-0.5, -0.75)),
        ("42,5", (42.0, 5.0)),
        ("42 5", (42.0, 5.0)),
        ("42,5 1", (42.5, 1.0)),
        ("42, 1", (42.0, 1.0)),
        ("90 180", (90.0, 180.0)),
        ("-90,-180", (-90.0, -180.0)),
        ("0 0", (0.0, 0.0)),
        (".5 .5", (0.5, 0.5)),
        ("geo:-90,0", (-90.0, 0.0)),
        ("42.5N, 1.5", (42.5, 1.5)),
        ("1.5, 42.5 N", (42.5, 1.5)),
        ("w1.5, 42.5", (42.5, -1.5)),
        ("42°30'N 1°E", (42.5, 1.0)),
        ("42.5°, 1°30'", (42.5, 1.5)),
    ] {
        assert_eq!(degrees(text), Some(expected), "{text}");
    }
}

#[test]
fn refuses_what_is_no_place() {
    for text in [
        "",
        " ",
        "42",
        "42.5",
        "N42.5",
        "91 0",
        "0 181",
        "120, 45",
        "-90.1,0",
        "42 60 1 0",
        "42°30'60\" 1°0'0\"",
        "42.5N 1.5N",
        "42.5E 1.5W",
        "-42.5S 1.5E",
        "42.5.5 1",
        "a 42 1",
        "42 30.5 20 1 0 0",
        "42.5 30 1 20",
        "1 2 3",
        "1 2 3 4 5",
        "1 2 3 4 5 6 7",
        "1,2,3",
        "42' 1'",
        "42\" 1\"",
        "42°30\" 1°30\"",
        "NaN NaN",
        "inf inf",
        "1e1 1e1",
        "42 N N 1 E",
        "lat 42 lat 1",
        "lat 42 E lon 1 N",
        "A-12",
        "N 20",
        "Col du Nord",
        "geo:42",
        "geo:42,1,2,3",
        "geo:42,1;crs=epsg:3857",
        "geo:91,0",
        "geo:,",
        "geo:1e1,2",
        "geo:+1,2",
        "geo",
        "geo:",
        "°",
        "''",
        ",",
        "- -",
        "N S",
        "42\u{0}1",
        "４２ １",
    ] {
        assert_eq!(parse_coordinate(text), None, "{text}");
    }
    assert_eq!(parse_coordinate(&"1 ".repeat(500)), None);
}

proptest! {
    #[test]
    fn never_panics(text in "\\PC{0,40}", odd in "[-+0-9.,;:°'\"NSEWnsewdm′″ /geo]{0,30}") {
        parse_coordinate(&text);
        parse_coordinate(&odd);
    }

    /// However a place is printed, it is read back.
    #[test]
    fn reads_what_is_printed(lat in -89_999_999i64..=89_999_999, lon in -179_999_999i64..=179_999_999) {
        let (north, east) = (lat as f64 / 1e6, lon as f64 / 1e6);
        let side = |v: i64, plus, minus| if v < 0 { minus } else { plus };
        let (ns, ew) = (side(lat, 'N', 'S'), side(lon, 'E', 'W'));
        let minutes = |v: f64| format!("{}°{:.5}'", v.abs().trunc(), v.abs().fract() * 60.0);
        let decimal = format!("{north:.6}, {east:.6}");
        for text in [
            decimal.clone(),
            decimal.replace(", ", " "),
            decimal.replace(", ", ";").replace('.', ","),
            format!("geo:{north:.6},{east:.6};u=5"),
            format!("{ns}{:.6} {ew}{:.6}", north.abs(), east.abs()),
            format!("{:.6}{ew}, {:.6}{ns}", east.abs(), north.abs()),
            format!("{}{ns} {}{ew}", minutes(north), minutes(east)),
        ] {
            // Minutes may round up to 60, which is rightly refused.
            if text.contains("60.00000'") { continue }
            let (a, b) = degrees(&text).ok_or_else(|| TestCaseError::fail(text.clone()))?;
            prop_assert!((a - north).abs() < 2e-7 && (b - east).abs() < 2e-7, "{} {} {}", text, a, b);
        }
    }

    #[test]
    fn times_read_back(millis in -62_135_596_800_000i64..253_402_300_800_000) {
        let seconds = millis as f64 / 1000.0;
        let text = format_time(seconds).unwrap();
        prop_assert_eq!(parse_time(&text), Some(seconds), "{}", text);
    }

    #[test]
    fn odd_times_never_panic(text in "[-+0-9TtZz:. ]{0,30}", any in "\\PC{0,30}") {
        parse_time(&text);
        parse_time(&any);
    }
}

#[test]
fn reads_times() {
    for (text, expected) in [
        // RFC 3339 section 5.8, the examples; seconds by `date -u +%s`.
        ("1985-04-12T23:20:50.52Z", Some(482_196_050.52)),
        ("1996-12-19T16:39:57-08:00", Some(851_042_397.0)),
        ("1990-12-31T23:59:60Z", Some(662_688_000.0)),
        ("1937-01-01T12:00:27.87+00:20", Some(-1_041_337_172.13)),
        ("1970-01-01T00:00:00", Some(0.0)),
        ("2000-02-29 00:00:00Z", Some(951_782_400.0)),
        ("2024-05-01T24:00:00Z", Some(1_714_608_000.0)),
        ("2024-05-01T10:00:00+0200", Some(1_714_550_400.0)),
        ("1900-02-29T00:00:00Z", None),
        ("2024-13-01T00:00:00Z", None),
        ("2024-05-01T25:00:00Z", None),
        ("2024-05-01T00:00:00+15:00", None),
        ("2024-05-01", None),
        ("24-05-01T00:00:00Z", None),
        ("2024-05-01T00:00:00.Z", None),
    ] {
        assert_eq!(parse_time(text), expected, "{text}");
    }
    assert_eq!(format_time(f64::NAN), None);
    assert_eq!(format_time(1e300), None);
    assert_eq!(
        format_time(-0.0004).as_deref(),
        Some("1970-01-01T00:00:00Z")
    );
}
