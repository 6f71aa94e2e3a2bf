//! Map tiles of a region, cut on demand: vector tiles of roads, land, lines and places, and
//! shaded-relief tiles of its height grid.
//!
//! Both are pure functions of the region and the tile's number. Layers and attributes are listed
//! in `docs/api.md`; the encoding follows the Mapbox Vector Tile Specification 2.1. No geometry is
//! simplified here: every vertex carries the zoom from which it is needed, so that neighbouring
//! tiles keep the same vertices and meet without gaps.

mod clip;
mod frame;
mod places;
mod relief;
mod roads;
mod scenery;
mod strokes;

use fast_mvt::{MvtError, MvtLayerBuilder, MvtResult, MvtTileBuilder};
use region::Region;

use frame::Frame;
pub use frame::{BUFFER, EXTENT, MAX_ZOOM};
pub use relief::RELIEF_SIZE;
pub use strokes::strokes_tile;

/// Why a tile was not cut.
#[derive(Debug, thiserror::Error)]
pub enum TileError {
    /// No such tile exists.
    #[error("there is no tile {z}/{x}/{y}: zoom goes from 0 to {MAX_ZOOM}, x and y below 2^zoom")]
    OutOfRange {
        /// Zoom asked for.
        z: u8,
        /// Column asked for.
        x: u32,
        /// Row asked for.
        y: u32,
    },
    /// The vector tile could not be written.
    #[error("could not encode a vector tile: {0}")]
    Encode(#[from] MvtError),
    /// The relief tile could not be written.
    #[error("could not encode a relief tile: {0}")]
    EncodeRelief(#[from] png::EncodingError),
}

/// Cuts one Mapbox vector tile, extent [`EXTENT`], uncompressed. Empty when nothing is there.
///
/// Tiles are numbered as usual on the web: x from the antimeridian eastwards, y from 85.05° N
/// southwards, web-mercator projection.
pub fn vector_tile(region: &Region, z: u8, x: u32, y: u32) -> Result<Vec<u8>, TileError> {
    all_layers(region, None, z, x, y)
}

/// Cuts a vector tile whose roads have the attribute `worth`, in steps 0..=8.
///
/// `worth` [P] is what each piece of the region is worth to the rider, 0..=255.
pub fn shaded_tile(
    region: &Region,
    worth: &[u8],
    z: u8,
    x: u32,
    y: u32,
) -> Result<Vec<u8>, TileError> {
    all_layers(region, Some(worth), z, x, y)
}

/// Cuts only the `roads` layer of a [`shaded_tile`]: all of it that a taste changes.
pub fn road_tile(
    region: &Region,
    worth: &[u8],
    z: u8,
    x: u32,
    y: u32,
) -> Result<Vec<u8>, TileError> {
    let frame = Frame::new(z, x, y)?;
    let tile = roads::write(region, Some(worth), &frame, MvtTileBuilder::new())?;
    Ok(tile.encode())
}

fn all_layers(
    region: &Region,
    worth: Option<&[u8]>,
    z: u8,
    x: u32,
    y: u32,
) -> Result<Vec<u8>, TileError> {
    let frame = Frame::new(z, x, y)?;
    let mut tile = MvtTileBuilder::new();
    tile = scenery::write(region, &frame, tile)?;
    tile = roads::write(region, worth, &frame, tile)?;
    tile = places::write(region, &frame, tile)?;
    Ok(tile.encode())
}

/// Cuts one relief tile: an RGB PNG of [`RELIEF_SIZE`] pixels a side in the terrarium encoding,
/// `height_m = red * 256 + green + blue / 256 - 32768`. `None` where the region has no height.
pub fn relief_tile(region: &Region, z: u8, x: u32, y: u32) -> Result<Option<Vec<u8>>, TileError> {
    let frame = Frame::new(z, x, y)?;
    relief::cut(region, &frame)
}

/// Adds a layer to a tile unless it would be empty.
fn layer(
    tile: MvtTileBuilder,
    name: &str,
    any: bool,
    fill: impl FnOnce(MvtLayerBuilder) -> MvtResult<MvtLayerBuilder>,
) -> MvtResult<MvtTileBuilder> {
    if any {
        Ok(fill(tile.layer(name)?)?.end())
    } else {
        Ok(tile)
    }
}

/// The names of a byte-coded enum's values by code, as they are written in JSON too.
fn names<T: serde::Serialize>(all: &[T]) -> Vec<String> {
    all.iter()
        .map(|v| match serde_json::to_value(v) {
            Ok(serde_json::Value::String(name)) => name,
            _ => String::new(),
        })
        .collect()
}
