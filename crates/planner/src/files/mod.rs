//! Rides in and out of open formats.
