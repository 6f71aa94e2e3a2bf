//! What stands at a junction.

use region::{Bounds, PlaceKind, Point, Region, distance_m};

/// A house this near to a junction marks it, metres.
const AT_M: f64 = 80.0;
/// A settlement's middle is this near at most, metres.
const IN_M: f64 = 700.0;

/// What to look for around a junction: a named house, the settlement.
pub(super) fn near(region: &Region, at: Point) -> Vec<String> {
    let mut house: Option<(f64, String)> = None;
    let mut settlement: Option<(f64, String)> = None;
    for place in region.places_in(Bounds::around(at, IN_M)) {
        let i = place as usize;
        let Some(kind) = PlaceKind::from_code(region.place_kind()[i]) else {
            continue;
        };
        let here = Point {
            lon_e7: region.place_lon_e7()[i],
            lat_e7: region.place_lat_e7()[i],
        };
        let away_m = distance_m(at, here);
        let name = region.string(region.place_name()[i]);
        let nearer = |best: &Option<(f64, String)>, most_m: f64| {
            away_m <= most_m && best.as_ref().is_none_or(|b| away_m < b.0)
        };
        if let Some(what) = house_word(kind) {
            if nearer(&house, AT_M) {
                let words = match name {
                    "" => what.to_owned(),
                    name => format!("{what} {name}"),
                };
                house = Some((away_m, words));
            }
        } else if is_settlement(kind) && !name.is_empty() && nearer(&settlement, IN_M) {
            settlement = Some((away_m, format!("in {name}")));
        }
    }
    settlement.into_iter().chain(house).map(|s| s.1).collect()
}

fn house_word(kind: PlaceKind) -> Option<&'static str> {
    Some(match kind {
        PlaceKind::Fuel => "fuel station",
        PlaceKind::Lodging => "lodging",
        PlaceKind::Food => "food",
        PlaceKind::Camping => "camp site",
        PlaceKind::Viewpoint => "viewpoint",
        PlaceKind::FerryTerminal => "ferry",
        PlaceKind::Pass => "pass",
        _ => return None,
    })
}

fn is_settlement(kind: PlaceKind) -> bool {
    matches!(
        kind,
        PlaceKind::City
            | PlaceKind::Town
            | PlaceKind::Village
            | PlaceKind::Hamlet
            | PlaceKind::Suburb
    )
}
