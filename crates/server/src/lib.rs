//! Serves the page, the regions and the shelf over HTTP on the rider's own machine.

pub mod api;
