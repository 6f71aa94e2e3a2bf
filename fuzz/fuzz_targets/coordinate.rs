//! Coordinates, times and names as anybody may type them: no panic, and no place beyond the poles.
#![no_main]

use libfuzzer_sys::fuzz_target;
use planner::files::{Letters, file_names, parse_coordinate, parse_time, plain_name};

fuzz_target!(|text: &str| {
    if let Some(point) = parse_coordinate(text) {
        assert!(point.lat().abs() <= 90.0 && point.lon().abs() <= 180.0);
    }
    parse_time(text);
    assert!(plain_name(text, 14, Letters::Ascii).is_ascii());
    for name in file_names(&[text.into(), text.into()], ".gpx") {
        assert!(name.len() <= 32 && name.is_ascii());
    }
});
