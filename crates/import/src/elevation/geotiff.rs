//! GeoTIFF rasters in EPSG:4326 (OGC 19-008, GeoTIFF 1.1): one band of heights, north up, in
//! strips or tiles. Anything else is refused by name rather than misread.

use std::fs::File;
use std::io::BufReader;
use std::path::Path;

use region::HeightGrid;
use tiff::decoder::{ChunkType, Decoder, DecodingResult, Limits};
use tiff::tags::Tag;
use tiff::{ColorType, TiffError};

use super::ElevationError;
use super::raster::{Format, Raster, TiffFile};

/// GeoKeys and their values (OGC 19-008, annex B and clause 7).
mod key {
    pub const MODEL_TYPE: u16 = 1024;
    pub const RASTER_TYPE: u16 = 1025;
    pub const CITATION: u16 = 1026;
    pub const GEODETIC_CRS: u16 = 2048;
    pub const GEODETIC_CITATION: u16 = 2049;
    pub const PROJECTED_CRS: u16 = 3072;
    pub const PROJECTED_CITATION: u16 = 3073;
    pub const VERTICAL_UNITS: u16 = 4099;
    pub const MODEL_GEOGRAPHIC: u16 = 2;
    pub const PIXEL_IS_POINT: u16 = 2;
    pub const USER_DEFINED: u16 = 32767;
    pub const METRE: u16 = 9001;
}

/// Opens the first image of a file for reading blocks.
pub(super) fn open_file(path: &Path) -> Result<TiffFile, ElevationError> {
    let file = File::open(path).map_err(|source| ElevationError::Read {
        path: path.into(),
        source,
    })?;
    let mut limits = Limits::default();
    // Tables of blocks of very large files.
    limits.ifd_value_size = 32 << 20;
    Decoder::new(BufReader::new(file))
        .map(|decoder| decoder.with_limits(limits))
        .map_err(|source| ElevationError::Decode {
            path: path.into(),
            source,
        })
}

/// Reads a file's geometry and refuses what cannot be read as heights by longitude and latitude.
pub(super) fn open(path: &Path) -> Result<Raster, ElevationError> {
    let mut file = open_file(path)?;
    let decode = |source: TiffError| ElevationError::Decode {
        path: path.into(),
        source,
    };
    let unusable = |what: String| ElevationError::Unusable {
        path: path.into(),
        what,
    };

    let keys = geo_keys(&mut file).ok_or_else(|| ElevationError::NoCrs { path: path.into() })?;
    if let Some(crs) = keys.other_crs() {
        return Err(ElevationError::OtherCrs {
            path: path.into(),
            crs,
        });
    }
    if let Some(unit) = keys.short(key::VERTICAL_UNITS).filter(|&u| u != key::METRE) {
        return Err(unusable(format!(
            "its heights are in unit EPSG:{unit}, not in metres"
        )));
    }
    if has_scale(&mut file) {
        return Err(unusable("its heights are scaled values, not metres".into()));
    }
    match file.colortype().map_err(decode)? {
        ColorType::Gray(16 | 32 | 64) => {}
        other => {
            return Err(unusable(format!(
                "it holds {other:?} pictures, not one band of heights"
            )));
        }
    }

    let (columns, rows) = file.dimensions().map_err(decode)?;
    let (block_columns, block_rows) = file.chunk_dimensions();
    if columns == 0 || rows == 0 || block_columns == 0 || block_rows == 0 {
        return Err(unusable("it has no cells".into()));
    }
    let mut grid = geometry(&mut file).map_err(unusable)?;
    if keys.short(key::RASTER_TYPE) != Some(key::PIXEL_IS_POINT) {
        // The tie point is a cell's corner: heights stand at centres.
        grid.west_deg += grid.step_lon_deg / 2.0;
        grid.north_deg -= grid.step_lat_deg / 2.0;
    }
    (grid.columns, grid.rows) = (columns, rows);
    let ends = [
        grid.west_deg
            .abs()
            .max((grid.west_deg + grid.step_lon_deg * f64::from(columns)).abs()),
        grid.north_deg
            .abs()
            .max((grid.north_deg - grid.step_lat_deg * f64::from(rows)).abs()),
    ];
    if !(ends[0] <= 541.0 && ends[1] <= 91.0) {
        return Err(unusable(
            "its corners are no longitudes and latitudes".into(),
        ));
    }

    let counts = match file.get_chunk_type() {
        ChunkType::Strip => Tag::StripByteCounts,
        ChunkType::Tile => Tag::TileByteCounts,
    };
    let sparse = file
        .get_tag_u64_vec(counts)
        .map_err(decode)?
        .iter()
        .map(|&n| n == 0)
        .collect();
    let nodata = file
        .get_tag_ascii_string(Tag::GdalNodata)
        .ok()
        .and_then(|text| text.trim_matches(['\0', ' ']).parse().ok());
    let format = Format::Tiff { nodata, sparse };
    Ok(Raster {
        path: path.into(),
        grid,
        block_columns,
        block_rows,
        format,
    })
}

/// Reads a strip or tile; voids are NaN.
pub(super) fn read_block(
    raster: &Raster,
    file: &mut TiffFile,
    nodata: Option<f64>,
    block: u32,
) -> Result<Vec<f32>, ElevationError> {
    let samples = file
        .read_chunk(block)
        .map_err(|source| ElevationError::Decode {
            path: raster.path.clone(),
            source,
        })?;
    fn convert<T: Copy>(values: Vec<T>, nodata: Option<f64>, f: impl Fn(T) -> f64) -> Vec<f32> {
        let void = |v: f64| Some(v) == nodata || !(-12_000.0..=10_000.0).contains(&v);
        let height = |v: T| {
            Some(f(v))
                .filter(|&v| !void(v))
                .map_or(f32::NAN, |v| v as f32)
        };
        values.into_iter().map(height).collect()
    }
    Ok(match samples {
        DecodingResult::I16(v) => convert(v, nodata, f64::from),
        DecodingResult::U16(v) => convert(v, nodata, f64::from),
        DecodingResult::I32(v) => convert(v, nodata, f64::from),
        DecodingResult::U32(v) => convert(v, nodata, f64::from),
        // Nodata is written in decimal and read in the precision of the samples.
        DecodingResult::F32(v) => convert(v, nodata.map(|n| f64::from(n as f32)), f64::from),
        DecodingResult::F64(v) => convert(v, nodata, |v| v),
        _ => {
            return Err(ElevationError::Unusable {
                path: raster.path.clone(),
                what: "its samples are neither 16 or 32 bit numbers nor floats".into(),
            });
        }
    })
}

/// North-west corner (or centre) of the first cell and the steps.
fn geometry(file: &mut TiffFile) -> Result<HeightGrid, String> {
    let scale = file.get_tag_f64_vec(Tag::ModelPixelScaleTag).ok();
    let tie = file.get_tag_f64_vec(Tag::ModelTiepointTag).ok();
    let matrix = file.get_tag_f64_vec(Tag::ModelTransformationTag).ok();
    let (west_deg, north_deg, step_lon_deg, step_lat_deg) =
        match (scale.as_deref(), tie.as_deref(), matrix.as_deref()) {
            (Some(&[sx, sy, ..]), Some(&[i, j, _, x, y, _]), _) => (x - i * sx, y + j * sy, sx, sy),
            (Some(_), Some(_), _) => {
                return Err("it is placed by several tie points, not by one".into());
            }
            (_, _, Some(&[sx, rx, _, x, ry, sy, _, y, ..])) if rx == 0.0 && ry == 0.0 => {
                (x, y, sx, -sy)
            }
            (_, _, Some(_)) => return Err("it is turned, not north up".into()),
            _ => return Err("it does not say where it lies (no tie point or scale)".into()),
        };
    let fine = |step: f64| step > 1e-7 && step < 10.0;
    if !fine(step_lon_deg) || !fine(step_lat_deg) || !west_deg.is_finite() || !north_deg.is_finite()
    {
        return Err("its cells are not north up with a size in degrees".into());
    }
    Ok(HeightGrid {
        west_deg,
        north_deg,
        step_lon_deg,
        step_lat_deg,
        columns: 0,
        rows: 0,
    })
}

/// Whether the metadata carries a scale or offset other than none.
fn has_scale(file: &mut TiffFile) -> bool {
    let Ok(xml) = file.get_tag_ascii_string(Tag::Unknown(42112)) else {
        return false;
    };
    let value_of = |role: &str| {
        let from = xml.find(&format!("role=\"{role}\""))?;
        let rest = &xml[from..];
        let text = rest.get(rest.find('>')? + 1..rest.find('<')?)?;
        text.trim().parse::<f64>().ok()
    };
    value_of("scale").is_some_and(|v| v != 1.0) || value_of("offset").is_some_and(|v| v != 0.0)
}

struct GeoKeys {
    entries: Vec<[u16; 4]>,
    ascii: String,
}

fn geo_keys(file: &mut TiffFile) -> Option<GeoKeys> {
    let shorts = file.get_tag_u16_vec(Tag::GeoKeyDirectoryTag).ok()?;
    let (rows, _) = shorts.as_chunks::<4>();
    let entries = rows.get(1..)?.to_vec();
    let ascii = file
        .get_tag_ascii_string(Tag::GeoAsciiParamsTag)
        .unwrap_or_default();
    let keys = GeoKeys { entries, ascii };
    // A directory that only tells pixel from point names no system.
    let named = [key::MODEL_TYPE, key::GEODETIC_CRS, key::PROJECTED_CRS];
    named
        .iter()
        .any(|&k| keys.short(k).is_some())
        .then_some(keys)
}

impl GeoKeys {
    fn short(&self, key: u16) -> Option<u16> {
        self.entries
            .iter()
            .find(|e| e[0] == key && e[1] == 0)
            .map(|e| e[3])
    }

    fn text(&self, key: u16) -> Option<&str> {
        let [_, _, count, from] = *self.entries.iter().find(|e| e[0] == key && e[1] == 34737)?;
        let text = self
            .ascii
            .get(from as usize..from as usize + count as usize)?;
        let text = text.trim_matches(['|', '\0', ' ']);
        (!text.is_empty()).then_some(text)
    }

    /// The coordinate system by name, unless it is EPSG:4326.
    fn other_crs(&self) -> Option<String> {
        let projected = self.short(key::PROJECTED_CRS);
        let geodetic = self.short(key::GEODETIC_CRS);
        let model = self.short(key::MODEL_TYPE);
        let geographic = model.is_none_or(|m| m == key::MODEL_GEOGRAPHIC);
        if geographic && projected.is_none() && geodetic == Some(4326) {
            return None;
        }
        let code = projected.or(if geographic { geodetic } else { None });
        Some(match code.filter(|&c| c != 0 && c != key::USER_DEFINED) {
            Some(code) => format!("EPSG:{code}"),
            None => {
                let names = [
                    key::PROJECTED_CITATION,
                    key::CITATION,
                    key::GEODETIC_CITATION,
                ];
                match names.iter().find_map(|&k| self.text(k)) {
                    Some(name) => format!("the system \"{name}\""),
                    None if geographic => "an unnamed geographic system".into(),
                    None => "an unnamed projected system".into(),
                }
            }
        })
    }
}
