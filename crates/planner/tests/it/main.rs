//! All integration tests of the crate in one binary.

mod day;
mod day_law;
mod day_plans;
mod files_check;
mod files_coordinate;
mod files_gpx;
mod files_other;
mod files_write;
mod find_places;
mod handover_lines;
mod handover_points;
mod legs;
mod map;
mod matching;
mod plans;
mod propose;
mod ratings;
mod roadbooks;
mod snapping;
mod speeds;
mod spurs;
mod tastes;
