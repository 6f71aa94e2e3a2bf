//! Lines that are no part of a region, such as recordings, as a tile of their own.

use fast_mvt::{MvtCoord, MvtGeomType, MvtTileBuilder};

use crate::frame::Frame;
use crate::{TileError, layer};

/// A tile of named layers of lines, each line in tile units from the tile's north-west corner; cut
/// to the tile and its buffer. All lines of a layer are one feature without attributes; layers
/// without lines are left out.
pub fn strokes_tile(
    z: u8,
    x: u32,
    y: u32,
    layers: &[(&str, &[Vec<[i32; 2]>])],
) -> Result<Vec<u8>, TileError> {
    let window = Frame::new(z, x, y)?.window();
    let mut tile = MvtTileBuilder::new();
    for (name, lines) in layers {
        let mut parts: Vec<Vec<[i32; 2]>> = Vec::new();
        for line in *lines {
            window.cut_line(line, |part| parts.push(part.to_vec()));
        }
        tile = layer(tile, name, !parts.is_empty(), |layer| {
            let mut feature = layer.feature_of(MvtGeomType::LineString);
            for part in &parts {
                feature.line(part.iter().map(|&[x, y]| MvtCoord { x, y }))?;
            }
            Ok(feature.end())
        })?;
    }
    Ok(tile.encode())
}
