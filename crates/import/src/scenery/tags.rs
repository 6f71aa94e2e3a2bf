//! What OSM tags say about scenery: areas, lines, borders, and places for the finder.

use std::collections::BTreeMap;

use region::{FeatureKind, PlaceKind};

/// Pairs of key and value.
pub(super) trait Pairs<'a>: Iterator<Item = (&'a str, &'a str)> + Clone {}
impl<'a, T: Iterator<Item = (&'a str, &'a str)> + Clone> Pairs<'a> for T {}

fn value<'a>(tags: impl Pairs<'a>, key: &str) -> Option<&'a str> {
    tags.into_iter().find(|(k, _)| *k == key).map(|(_, v)| v)
}

/// Kind of an area; the first in this order where tags name several.
pub(super) fn area<'a>(tags: impl Pairs<'a>) -> Option<FeatureKind> {
    const ORDER: [FeatureKind; 8] = [
        FeatureKind::Water,
        FeatureKind::Glacier,
        FeatureKind::Wetland,
        FeatureKind::Sand,
        FeatureKind::Wood,
        FeatureKind::Bare,
        FeatureKind::Field,
        FeatureKind::BuiltUp,
    ];
    let kinds = tags.clone().filter_map(|(key, value)| {
        Some(match (key, value) {
            ("natural", "water") | ("waterway", "riverbank" | "dock") => FeatureKind::Water,
            ("landuse", "reservoir" | "basin") => FeatureKind::Water,
            ("natural", "glacier") => FeatureKind::Glacier,
            ("natural", "wetland") => FeatureKind::Wetland,
            ("natural", "sand" | "beach") => FeatureKind::Sand,
            ("natural", "wood") | ("landuse", "forest") => FeatureKind::Wood,
            ("natural", "bare_rock" | "scree" | "heath" | "scrub" | "fell" | "shingle") => {
                FeatureKind::Bare
            }
            ("natural", "grassland") => FeatureKind::Field,
            ("landuse", "meadow" | "grass" | "farmland" | "orchard" | "vineyard" | "farmyard") => {
                FeatureKind::Field
            }
            ("landuse", "residential" | "commercial" | "industrial" | "retail") => {
                FeatureKind::BuiltUp
            }
            _ => return None,
        })
    });
    let kind = kinds.min_by_key(|kind| ORDER.iter().position(|o| o == kind))?;
    let hidden = kind == FeatureKind::Water && is_underground(tags.clone());
    (!hidden && value(tags, "area") != Some("no")).then_some(kind)
}

/// A line and the lowest zoom at which it is drawn.
pub(super) fn line<'a>(tags: impl Pairs<'a>) -> Option<(FeatureKind, u8)> {
    if value(tags.clone(), "natural") == Some("coastline") {
        return Some((FeatureKind::Coast, 0));
    }
    if let Some(waterway) = value(tags.clone(), "waterway") {
        let line = match waterway {
            "river" if value(tags.clone(), "name").is_some() => (FeatureKind::River, 7),
            "river" => (FeatureKind::River, 9),
            "canal" => (FeatureKind::River, 10),
            "stream" => (FeatureKind::Stream, 12),
            _ => return None,
        };
        return (!is_underground(tags)).then_some(line);
    }
    if value(tags.clone(), "railway") == Some("rail") {
        let hidden = is_underground(tags.clone());
        let zoom = match (value(tags.clone(), "service"), value(tags, "usage")) {
            (Some(_), _) => 13,
            (None, Some("main")) => 7,
            (None, _) => 9,
        };
        return (!hidden).then_some((FeatureKind::Rail, zoom));
    }
    match value(tags, "railway") {
        Some("narrow_gauge" | "funicular" | "light_rail") => Some((FeatureKind::Rail, 10)),
        _ => None,
    }
}

fn is_underground<'a>(tags: impl Pairs<'a>) -> bool {
    tags.into_iter().any(|tag| {
        matches!(
            tag,
            ("tunnel", "yes" | "culvert" | "flooded") | ("location", "underground")
        )
    })
}

/// Level 2 (country) or 4 (state) of an administrative border on land.
pub(super) fn border_level<'a>(tags: impl Pairs<'a>) -> Option<u8> {
    let is = |key, wanted: &str| value(tags.clone(), key) == Some(wanted);
    if !is("boundary", "administrative") || is_sea_border(tags.clone()) {
        return None;
    }
    match value(tags.clone(), "admin_level") {
        Some("2") => Some(2),
        Some("4") => Some(4),
        _ => None,
    }
}

/// Whether a way is a border at sea, or the coast itself.
pub(super) fn is_sea_border<'a>(tags: impl Pairs<'a>) -> bool {
    tags.into_iter().any(|(key, value)| {
        matches!(
            (key, value),
            ("maritime", "yes" | "true" | "1")
                | ("boundary_type" | "border_type", "maritime")
                | ("boundary", "maritime")
                | ("natural", "coastline")
        )
    })
}

/// ISO 3166-1 code of two letters of a country's boundary relation.
pub(super) fn country<'a>(tags: impl Pairs<'a>) -> Option<String> {
    if value(tags.clone(), "admin_level") != Some("2") {
        return None;
    }
    let code = value(tags.clone(), "ISO3166-1:alpha2").or_else(|| value(tags, "ISO3166-1"))?;
    is_country_code(code).then(|| code.to_ascii_uppercase())
}

/// Whether a text can be a country's code.
pub(super) fn is_country_code(code: &str) -> bool {
    code.len() == 2 && code.bytes().all(|b| b.is_ascii_alphabetic())
}

/// A place for the finder, without its point.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Entry {
    pub kind: PlaceKind,
    pub name: String,
    /// Other names, to be found by.
    pub words: String,
    /// Tags a rider uses.
    pub detail: BTreeMap<String, String>,
    pub rank: u8,
    /// From `ele`.
    pub height_cm: Option<i32>,
    /// A saddle without the tag `mountain_pass`: a pass only if a road leads over it.
    pub only_on_road: bool,
}

/// The place that an element is, if it is one.
pub(super) fn place<'a>(tags: impl Pairs<'a>) -> Option<Entry> {
    let kind = place_kind(tags.clone())?;
    let flows = matches!(
        value(tags.clone(), "water"),
        Some("river" | "canal" | "stream" | "ditch")
    );
    if kind == PlaceKind::Water && flows {
        return None;
    }
    let name = value(tags.clone(), "name").or_else(|| value(tags.clone(), "int_name"));
    let name = match kind {
        PlaceKind::Fuel => name
            .or_else(|| value(tags.clone(), "brand"))
            .or_else(|| value(tags.clone(), "operator")),
        _ => name,
    };
    let name = name.unwrap_or("").trim();
    let useful_unnamed = matches!(
        kind,
        PlaceKind::Fuel
            | PlaceKind::Lodging
            | PlaceKind::Camping
            | PlaceKind::Viewpoint
            | PlaceKind::FerryTerminal
            | PlaceKind::Pass
    );
    if name.is_empty() && !useful_unnamed {
        return None;
    }
    let height_cm = value(tags.clone(), "ele").and_then(height_cm);
    let mut words = String::new();
    let mut detail = BTreeMap::new();
    for (key, text) in tags.clone() {
        let other_name = matches!(
            key,
            "int_name" | "alt_name" | "old_name" | "loc_name" | "short_name" | "official_name"
        ) || key.starts_with("name:");
        if other_name {
            words.push(' ');
            words.push_str(text);
        } else if tells_rider(kind, key, text) {
            detail.insert(key.to_owned(), text.to_owned());
        }
    }
    let only_on_road =
        kind == PlaceKind::Pass && value(tags.clone(), "mountain_pass") != Some("yes");
    let rank = rank(kind, tags, name.is_empty(), height_cm);
    Some(Entry {
        kind,
        name: name.into(),
        words,
        detail,
        rank,
        height_cm,
        only_on_road,
    })
}

fn place_kind<'a>(tags: impl Pairs<'a>) -> Option<PlaceKind> {
    let kinds = tags.into_iter().filter_map(|(key, value)| {
        Some(match (key, value) {
            ("place", "city") => PlaceKind::City,
            ("place", "town") => PlaceKind::Town,
            ("place", "village") => PlaceKind::Village,
            ("place", "hamlet" | "isolated_dwelling" | "locality") => PlaceKind::Hamlet,
            ("place", "suburb" | "quarter" | "neighbourhood") => PlaceKind::Suburb,
            ("place", "island" | "islet") => PlaceKind::Island,
            ("mountain_pass", "yes") | ("natural", "saddle") => PlaceKind::Pass,
            ("natural", "peak" | "volcano") => PlaceKind::Peak,
            ("amenity", "fuel") => PlaceKind::Fuel,
            (
                "tourism",
                "hotel" | "motel" | "guest_house" | "hostel" | "chalet" | "apartment"
                | "alpine_hut",
            ) => PlaceKind::Lodging,
            ("tourism", "camp_site" | "caravan_site") => PlaceKind::Camping,
            ("amenity", "restaurant" | "cafe" | "fast_food" | "pub" | "biergarten") => {
                PlaceKind::Food
            }
            ("tourism", "viewpoint") => PlaceKind::Viewpoint,
            ("amenity", "ferry_terminal") => PlaceKind::FerryTerminal,
            ("natural", "water" | "bay") | ("landuse", "reservoir") => PlaceKind::Water,
            _ => return None,
        })
    });
    // The lowest code where tags name several: a pass before a viewpoint, lodging before food.
    kinds.min()
}

/// Whether a tag is worth showing to a rider at a place.
fn tells_rider(kind: PlaceKind, key: &str, value: &str) -> bool {
    let short = value.len() <= 255;
    let of_kind = match kind {
        PlaceKind::Fuel => key.starts_with("fuel:") || matches!(key, "self_service" | "shop"),
        PlaceKind::Lodging | PlaceKind::Camping => {
            matches!(
                key,
                "tourism" | "stars" | "capacity" | "tents" | "motorcycle" | "rooms"
            )
        }
        PlaceKind::Food => matches!(key, "amenity" | "cuisine"),
        PlaceKind::City | PlaceKind::Town | PlaceKind::Village | PlaceKind::Hamlet => {
            matches!(key, "population" | "capital")
        }
        PlaceKind::FerryTerminal => matches!(key, "motorcycle" | "motor_vehicle"),
        PlaceKind::Pass | PlaceKind::Peak | PlaceKind::Viewpoint => matches!(key, "direction"),
        PlaceKind::Suburb | PlaceKind::Island | PlaceKind::Water | PlaceKind::Road => false,
    };
    let of_all = matches!(key, "opening_hours" | "seasonal" | "access" | "fee" | "ref");
    short && (of_kind || of_all)
}

/// Importance among places, 0..=255: the kind first, then people, height or stars.
fn rank<'a>(kind: PlaceKind, tags: impl Pairs<'a>, unnamed: bool, height_cm: Option<i32>) -> u8 {
    let number = |key| {
        let text: String = value(tags.clone(), key)?
            .chars()
            .filter(|c| !matches!(c, ' ' | ',' | '.'))
            .collect();
        text.parse::<f64>().ok().filter(|n| *n >= 1.0)
    };
    // 15 points for each power of ten over a small settlement of the kind.
    let people = |small: f64, most: f64| {
        number("population").map_or(0.0, |n| (15.0 * (n / small).log10()).clamp(0.0, most))
    };
    let metres = f64::from(height_cm.unwrap_or(0)) / 100.0;
    let is = |key, wanted: &str| value(tags.clone(), key) == Some(wanted);
    let points = match kind {
        PlaceKind::City if is("capital", "yes") => 195.0 + people(50_000.0, 60.0),
        PlaceKind::City => 180.0 + people(50_000.0, 60.0),
        PlaceKind::Town => 140.0 + people(2_000.0, 35.0),
        PlaceKind::Pass => 110.0 + (metres / 100.0).clamp(0.0, 40.0),
        PlaceKind::Village => 100.0 + people(100.0, 35.0),
        PlaceKind::Island if is("place", "islet") => 50.0,
        PlaceKind::Island => 95.0,
        PlaceKind::FerryTerminal => 85.0,
        PlaceKind::Suburb if is("place", "suburb") => 80.0 + people(1_000.0, 20.0),
        PlaceKind::Suburb => 65.0 + people(1_000.0, 20.0),
        PlaceKind::Hamlet if is("place", "hamlet") => 70.0 + people(10.0, 20.0),
        PlaceKind::Hamlet => 40.0,
        PlaceKind::Peak => 60.0 + (metres / 100.0).clamp(0.0, 50.0),
        PlaceKind::Viewpoint => 65.0,
        PlaceKind::Fuel => 60.0,
        PlaceKind::Camping => 55.0,
        PlaceKind::Water => 55.0,
        PlaceKind::Lodging => 48.0 + 2.0 * number("stars").unwrap_or(0.0).min(5.0),
        PlaceKind::Food => 40.0,
        PlaceKind::Road => 30.0,
    };
    (points - if unnamed { 15.0 } else { 0.0 }) as u8
}

/// A height as tagged (`2408`, `2408 m`, `1933,1`, `7900 ft`), in centimetres.
fn height_cm(text: &str) -> Option<i32> {
    let text = text.trim();
    let digits = text.find(|c: char| !c.is_ascii_digit() && !matches!(c, '.' | ',' | '-'));
    let (number, unit) = text.split_at(digits.unwrap_or(text.len()));
    let value: f64 = number.replace(',', ".").parse().ok()?;
    let metres = match unit.trim() {
        "" | "m" => value,
        "ft" | "'" => value * 0.3048,
        _ => return None,
    };
    (-500.0..=9000.0)
        .contains(&metres)
        .then(|| (metres * 100.0).round() as i32)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tags(text: &'static str) -> Vec<(&'static str, &'static str)> {
        text.split_whitespace()
            .filter_map(|tag| tag.split_once('='))
            .collect()
    }

    #[test]
    fn areas() {
        for (text, want) in [
            ("natural=water name=x", Some(FeatureKind::Water)),
            ("landuse=meadow natural=wood", Some(FeatureKind::Wood)),
            ("landuse=basin location=underground", None),
            ("landuse=forest area=no", None),
            ("landuse=retail", Some(FeatureKind::BuiltUp)),
            ("building=yes", None),
        ] {
            assert_eq!(area(tags(text).into_iter()), want, "{text}");
        }
    }

    #[test]
    fn lines_and_borders() {
        assert_eq!(
            line(tags("waterway=river name=x").into_iter()),
            Some((FeatureKind::River, 7))
        );
        assert_eq!(
            line(tags("waterway=stream tunnel=culvert").into_iter()),
            None
        );
        assert_eq!(line(tags("railway=rail tunnel=yes").into_iter()), None);
        assert_eq!(
            line(tags("natural=coastline").into_iter()),
            Some((FeatureKind::Coast, 0))
        );
        let level = |text| border_level(tags(text).into_iter());
        assert_eq!(level("boundary=administrative admin_level=2"), Some(2));
        assert_eq!(
            level("boundary=administrative admin_level=2 maritime=yes"),
            None
        );
        assert_eq!(level("boundary=administrative admin_level=8"), None);
        // Said of borders on land, too.
        let alpine = "boundary=administrative admin_level=2 border_type=territorial";
        assert_eq!(level(alpine), Some(2));
    }

    #[test]
    fn heights_as_people_write_them() {
        for (text, want) in [
            ("2408", Some(240_800)),
            ("2161.7", Some(216_170)),
            ("1933,1 m", Some(193_310)),
            ("1000 ft", Some(30_480)),
            ("-3", Some(-300)),
            ("high", None),
            ("24080", None),
            ("12-14", None),
        ] {
            assert_eq!(height_cm(text), want, "{text}");
        }
    }

    #[test]
    fn places_keep_what_a_rider_uses() {
        let fuel = place(
            tags("amenity=fuel brand=X fuel:diesel=yes opening_hours=24/7 phone=1").into_iter(),
        );
        let fuel = fuel.unwrap();
        assert_eq!((fuel.kind, fuel.name.as_str()), (PlaceKind::Fuel, "X"));
        assert_eq!(fuel.detail.len(), 2);
        assert!(place(tags("amenity=restaurant").into_iter()).is_none());
        assert!(place(tags("tourism=viewpoint").into_iter()).is_some());
        let saddle = place(tags("natural=saddle name=x ele=1200").into_iter()).unwrap();
        assert!(saddle.only_on_road && saddle.height_cm == Some(120_000));
        let pass = place(tags("mountain_pass=yes tourism=viewpoint").into_iter()).unwrap();
        assert!(pass.kind == PlaceKind::Pass && !pass.only_on_road);
        let big = place(tags("place=city name=x population=1000000").into_iter()).unwrap();
        let small = place(tags("place=village name=x population=90").into_iter()).unwrap();
        assert!(big.rank > small.rank);
    }
}
