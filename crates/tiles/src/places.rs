//! The `places` layer: names and pictograms, thinned so that a small scale shows the important.

use std::collections::HashMap;
use std::sync::LazyLock;

use fast_mvt::{MvtCoord, MvtGeomType, MvtResult, MvtTileBuilder, MvtValueRef};
use region::{Bounds, LocalFrame, NO_HEIGHT, PlaceKind, Point, Region};

use crate::frame::Frame;
use crate::{layer, names};

static KIND: LazyLock<Vec<String>> = LazyLock::new(|| names(PlaceKind::ALL));

/// A pass no road leads over is a walker's, and shows later than a rider's.
const PATH_PASS_FROM_ZOOM: u8 = 12;
/// How far beside a road a pass may be marked.
const BESIDE_M: f64 = 60.0;

/// Side of the cells in which places of one group compete, tile units: 64 pixels of 512.
const CELL: i32 = 512;

/// Lowest zoom at which a kind is drawn, the zoom from which all of it is, and the group whose
/// places compete for room. `None`: never drawn as a place.
fn schedule(kind: PlaceKind) -> Option<(u8, u8, u8)> {
    Some(match kind {
        PlaceKind::City => (4, 11, 0),
        PlaceKind::Town => (7, 12, 0),
        PlaceKind::Village => (9, 13, 0),
        PlaceKind::Suburb => (12, 14, 0),
        PlaceKind::Hamlet => (12, 14, 0),
        PlaceKind::Island => (8, 12, 1),
        PlaceKind::Water => (10, 14, 1),
        PlaceKind::Pass => (8, 13, 2),
        PlaceKind::Peak => (11, 14, 3),
        PlaceKind::FerryTerminal => (9, 12, 4),
        PlaceKind::Fuel => (11, 14, 5),
        PlaceKind::Viewpoint => (11, 14, 6),
        PlaceKind::Camping => (12, 15, 7),
        PlaceKind::Lodging => (12, 15, 8),
        PlaceKind::Food => (13, 16, 9),
        PlaceKind::Road => return None,
    })
}

struct Place {
    row: usize,
    at: [i32; 2],
    from_zoom: u8,
    /// `None` once there is room for all.
    group: Option<u8>,
}

/// Writes the layer, most important place first.
pub(crate) fn write(
    region: &Region,
    frame: &Frame,
    tile: MvtTileBuilder,
) -> MvtResult<MvtTileBuilder> {
    let mut places: Vec<Place> = frame
        .find(|b| region.places_in(b))
        .into_iter()
        .filter_map(|row| {
            let row = row as usize;
            let kind = PlaceKind::from_code(region.place_kind()[row])?;
            let (mut from_zoom, all_zoom, group) = schedule(kind)?;
            if from_zoom > frame.z {
                return None;
            }
            let point = Point {
                lon_e7: region.place_lon_e7()[row],
                lat_e7: region.place_lat_e7()[row],
            };
            let at = frame.place(point)?;
            if kind == PlaceKind::Pass && !road_passes(region, point) {
                from_zoom = PATH_PASS_FROM_ZOOM;
                if from_zoom > frame.z {
                    return None;
                }
            }
            Some(Place {
                row,
                at,
                from_zoom,
                group: (frame.z < all_zoom).then_some(group),
            })
        })
        .collect();
    // A kind that showed at a smaller scale goes first, so that nothing vanishes on zooming in.
    places.sort_by_key(|p| {
        (
            p.from_zoom,
            std::cmp::Reverse(region.place_rank()[p.row]),
            p.row,
        )
    });
    let mut taken: HashMap<(u8, i32, i32), u8> = HashMap::new();
    places.retain(|p| {
        let Some(group) = p.group else { return true };
        let count = taken
            .entry((group, p.at[0] / CELL, p.at[1] / CELL))
            .or_default();
        *count += 1;
        *count <= 1
    });

    layer(tile, "places", !places.is_empty(), |mut layer| {
        for place in &places {
            let row = place.row;
            let mut feature = layer.feature_of(MvtGeomType::Point);
            feature.points([MvtCoord {
                x: place.at[0],
                y: place.at[1],
            }])?;
            feature.id(Some(row as u64));
            let code = usize::from(region.place_kind()[row]);
            feature.tag_ref(
                "kind",
                MvtValueRef::String(KIND.get(code).map_or("", String::as_str)),
            )?;
            if region.place_name()[row] != 0 {
                feature.tag_ref(
                    "name",
                    MvtValueRef::String(region.string(region.place_name()[row])),
                )?;
            }
            feature.tag_ref(
                "rank",
                MvtValueRef::UInt(u64::from(region.place_rank()[row])),
            )?;
            let height_cm = region.place_height_cm()[row];
            if height_cm != NO_HEIGHT {
                let height_m = (f64::from(height_cm) / 100.0).round() as i64;
                feature.tag_ref("height_m", MvtValueRef::SInt(height_m))?;
            }
            layer = feature.end();
        }
        Ok(layer)
    })
}

/// Whether a road or track leads by within [`BESIDE_M`].
fn road_passes(region: &Region, point: Point) -> bool {
    let local = LocalFrame::at(point);
    let near = |piece: &u32| {
        let points: Vec<[f64; 2]> = region
            .piece_points(*piece)
            .map(|i| local.to_m(region.point(i)))
            .collect();
        points.windows(2).any(|w| {
            let [[ax, ay], [bx, by]] = [w[0], w[1]];
            let (dx, dy) = (bx - ax, by - ay);
            let length2 = dx * dx + dy * dy;
            let t = if length2 > 0.0 {
                (-(ax * dx + ay * dy) / length2).clamp(0.0, 1.0)
            } else {
                0.0
            };
            (ax + t * dx).hypot(ay + t * dy) <= BESIDE_M
        })
    };
    region
        .pieces_in(Bounds::around(point, BESIDE_M))
        .iter()
        .any(near)
}
