//! GPX, KML and GeoJSON of strangers: no panic; one line of refusal; what was read can be written
//! and read again; the checker copes with all of it.
#![no_main]

use libfuzzer_sys::fuzz_target;
use planner::files::{check, read, tour_of_ride, write_geojson, write_gpx, write_kml};

fuzz_target!(|bytes: &[u8]| {
    check(bytes);
    match read("file", bytes) {
        Err(error) => assert!(!error.to_string().contains('\n')),
        Ok(ride) => {
            tour_of_ride(&ride, "region");
            let gpx = read("gpx", &write_gpx(&ride)).expect("own GPX");
            assert_eq!(gpx.counts(), ride.counts());
            // What was written once is written the same again.
            assert_eq!(write_gpx(&read("gpx", &write_gpx(&gpx)).expect("own GPX")), write_gpx(&gpx));
            read("geojson", &write_geojson(&ride)).expect("own GeoJSON");
            read("kml", &write_kml(&ride)).expect("own KML");
        }
    }
});
