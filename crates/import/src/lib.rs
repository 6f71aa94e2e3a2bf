//! Map extracts and elevation rasters in, one region file out; the same input gives the same bytes.
//!
//! ```text
//! files -> osm::Extracts -> pass 1 relations -> pass 2 ways -> pass 3 nodes
//!       -> roads::build, scenery, elevation -> region::Columns -> NAME.region
//! ```

pub mod count;
pub mod elevation;
pub mod osm;
