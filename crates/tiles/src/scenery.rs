//! The `land` and `lines` layers: what the roads run through.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use fast_mvt::{MvtCoord, MvtGeomType, MvtResult, MvtTileBuilder, MvtValueRef};
use region::{FeatureKind, Region};

use crate::clip::double_area;
use crate::frame::{Frame, Spot, push_unwrapped};
use crate::{layer, names};

/// Areas smaller than this many square units (a quarter of a pixel) are not drawn.
const LEAST_AREA: i64 = 16;
/// From this zoom on lines carry their name.
const NAMES_FROM_ZOOM: u8 = 11;

static KIND: LazyLock<Vec<String>> = LazyLock::new(|| names(FeatureKind::ALL));

type Line = Vec<[i32; 2]>;
/// An outer ring followed by its holes.
type Area = Vec<Line>;

/// Writes both layers, those that are not empty.
pub(crate) fn write(
    region: &Region,
    frame: &Frame,
    tile: MvtTileBuilder,
) -> MvtResult<MvtTileBuilder> {
    let mut areas: BTreeMap<u8, Vec<Area>> = BTreeMap::new();
    let mut lines: BTreeMap<(u8, u32), Vec<Line>> = BTreeMap::new();
    for feature in frame.find(|b| region.features_in(b)) {
        let i = feature as usize;
        if region.feature_min_zoom()[i] > frame.z {
            continue;
        }
        let kind = region.feature_kind()[i];
        let name = if frame.z >= NAMES_FROM_ZOOM {
            region.feature_name()[i]
        } else {
            0
        };
        let rings =
            region.feature_first_ring()[i] as usize..region.feature_first_ring()[i + 1] as usize;
        let mut outer_drawn = false;
        for ring in rings {
            let path = path(region, frame.z, ring);
            let role = region.ring_role()[ring];
            if role == OPEN {
                let lines = lines.entry((kind, name)).or_default();
                frame.near(&path, |units| {
                    frame
                        .window()
                        .cut_line(units, |part| lines.push(part.to_vec()));
                });
                continue;
            }
            if role == INNER && !outer_drawn {
                continue;
            }
            let areas = areas.entry(kind).or_default();
            if role == OUTER {
                outer_drawn = false;
            }
            frame.near(&path, |units| {
                let cut = frame.window().cut_ring(units);
                if double_area(&cut).abs() < 2 * LEAST_AREA {
                    return;
                }
                match areas.last_mut() {
                    Some(area) if role == INNER => area.push(cut),
                    _ => areas.push(vec![cut]),
                }
                outer_drawn = true;
            });
        }
    }
    areas.retain(|_, areas| !areas.is_empty());
    lines.retain(|_, lines| !lines.is_empty());

    let tile = layer(tile, "land", !areas.is_empty(), |mut layer| {
        for (kind, areas) in &areas {
            let mut feature = layer.feature_of(MvtGeomType::Polygon);
            for ring in areas.iter().flat_map(|area| area.iter().enumerate()) {
                feature.ring(ring.1.iter().map(|&[x, y]| MvtCoord { x, y }), ring.0 == 0)?;
            }
            feature.tag_ref("kind", MvtValueRef::String(&KIND[usize::from(*kind)]))?;
            layer = feature.end();
        }
        Ok(layer)
    })?;
    layer(tile, "lines", !lines.is_empty(), |mut layer| {
        for ((kind, name), lines) in &lines {
            let mut feature = layer.feature_of(MvtGeomType::LineString);
            for line in lines {
                feature.line(line.iter().map(|&[x, y]| MvtCoord { x, y }))?;
            }
            feature.tag_ref("kind", MvtValueRef::String(&KIND[usize::from(*kind)]))?;
            if *name != 0 {
                feature.tag_ref("name", MvtValueRef::String(region.string(*name)))?;
            }
            layer = feature.end();
        }
        Ok(layer)
    })
}

const OUTER: u8 = 0;
const INNER: u8 = 1;
const OPEN: u8 = 2;

/// The vertices of a ring or line that a zoom needs; the ends always.
fn path(region: &Region, z: u8, ring: usize) -> Vec<Spot> {
    let first = region.ring_first_point();
    let points = first[ring] as usize..first[ring + 1] as usize;
    let (zooms, lon, lat) = (
        region.feature_point_first_zoom(),
        region.feature_lon_e7(),
        region.feature_lat_e7(),
    );
    let ends = (points.start, points.end.saturating_sub(1));
    let mut path = Vec::with_capacity(points.len());
    for i in points {
        if zooms[i] <= z || i == ends.0 || i == ends.1 {
            push_unwrapped(
                &mut path,
                region::Point {
                    lon_e7: lon[i],
                    lat_e7: lat[i],
                },
            );
        }
    }
    path
}
