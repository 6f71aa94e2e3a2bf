//! SRTM tiles: one degree square of big-endian 16-bit metres, placed by the file's name. Rows run
//! north to south; the outermost samples lie on the edges of the square (SRTM "quick start" and
//! user guide, NASA/USGS).

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

use region::HeightGrid;

use super::ElevationError;
use super::raster::{Format, Raster};

const VOID: i16 = -32768;
/// Rows read at once.
const BLOCK_ROWS: u32 = 64;

/// Checks length and name of a tile.
pub(super) fn open(path: &Path) -> Result<Raster, ElevationError> {
    let bytes = std::fs::metadata(path)
        .map_err(|source| ElevationError::Read {
            path: path.into(),
            source,
        })?
        .len();
    let side: u32 = match bytes {
        2_884_802 => 1201,
        25_934_402 => 3601,
        _ => {
            return Err(ElevationError::TileSize {
                path: path.into(),
                bytes,
            });
        }
    };
    let (south, west) = path
        .file_stem()
        .and_then(|stem| corner(stem.to_str()?))
        .ok_or_else(|| ElevationError::TileName { path: path.into() })?;
    let step = 1.0 / f64::from(side - 1);
    Ok(Raster {
        path: path.into(),
        grid: HeightGrid {
            west_deg: f64::from(west),
            north_deg: f64::from(south + 1),
            step_lon_deg: step,
            step_lat_deg: step,
            columns: side,
            rows: side,
        },
        block_columns: side,
        block_rows: BLOCK_ROWS,
        format: Format::Hgt,
    })
}

/// South-western corner, latitude and longitude in degrees, from a name like `N47E009`.
fn corner(stem: &str) -> Option<(i32, i32)> {
    let signed = |text: &str, plus: u8, minus: u8, limit: i32| {
        let (sign, digits) = (
            text.as_bytes().first()?.to_ascii_uppercase(),
            text.get(1..)?,
        );
        let sign = if sign == plus {
            1
        } else if sign == minus {
            -1
        } else {
            return None;
        };
        if !digits.bytes().all(|b| b.is_ascii_digit()) {
            return None;
        }
        let degrees = sign * digits.parse::<i32>().ok()?;
        (degrees.abs() <= limit).then_some(degrees)
    };
    Some((
        signed(stem.get(..3)?, b'N', b'S', 90)?,
        signed(stem.get(3..7)?, b'E', b'W', 180)?,
    ))
}

/// Reads rows of a tile; voids are NaN.
pub(super) fn read_block(raster: &Raster, block: u32) -> Result<Vec<f32>, ElevationError> {
    let columns = u64::from(raster.grid.columns);
    let first_row = u64::from(block) * u64::from(BLOCK_ROWS);
    let rows = u64::from(BLOCK_ROWS).min(u64::from(raster.grid.rows) - first_row);
    let mut bytes = vec![0; (rows * columns * 2) as usize];
    let read = || {
        let mut file = File::open(&raster.path)?;
        file.seek(SeekFrom::Start(first_row * columns * 2))?;
        file.read_exact(&mut bytes)
    };
    let result: std::io::Result<()> = { read }();
    result.map_err(|source| ElevationError::Read {
        path: raster.path.clone(),
        source,
    })?;
    let (pairs, _) = bytes.as_chunks::<2>();
    Ok(pairs
        .iter()
        .map(|&pair| match i16::from_be_bytes(pair) {
            VOID => f32::NAN,
            metres => f32::from(metres),
        })
        .collect())
}

#[cfg(test)]
mod tests {
    use super::corner;

    #[test]
    fn names_place_tiles() {
        assert_eq!(corner("N47E009"), Some((47, 9)));
        assert_eq!(corner("s20w170"), Some((-20, -170)));
        assert_eq!(corner("n00e000.SRTMGL1"), Some((0, 0)));
        for bad in [
            "", "N47", "E009N47", "N4XE009", "N91E000", "N47E200", "N+7E009", "Ñ47E009",
        ] {
            assert_eq!(corner(bad), None, "{bad}");
        }
    }
}
