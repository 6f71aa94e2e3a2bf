//! Taste files as anybody may send them: no panic, and what is read survives being written.
#![no_main]

use libfuzzer_sys::fuzz_target;
use planner::taste::Taste;

fuzz_target!(|bytes: &[u8]| {
    if let Ok(taste) = Taste::read(bytes) {
        assert_eq!(Taste::read(taste.write().as_bytes()), Ok(taste));
    }
});
