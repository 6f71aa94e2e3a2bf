//! Speed limits: what `maxspeed` and its relatives say, and what the law says where they are
//! silent.

use region::{NO_LIMIT_KMH, RoadClass};

use super::law::Law;
use crate::osm::Tags;

/// What the tags of a way say about its limit in one direction.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Limit {
    /// Nothing.
    #[default]
    Unsaid,
    /// A number, km/h, or [`NO_LIMIT_KMH`].
    Signed(u8),
    /// A number that a zone implies, km/h.
    Implied(u8),
    /// A kind of road, with the country code where it is given (`DE:rural`).
    Zone(Zone, Option<String>),
}

/// Kinds of road the law knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Zone {
    /// Within a built-up area.
    Urban,
    /// Outside.
    Rural,
    /// Two carriageways outside built-up areas.
    Dual,
    /// Road for motor vehicles only.
    Motorroad,
    /// Motorway.
    Motorway,
    /// Living street.
    Living,
    /// Unpaved road outside built-up areas.
    Unpaved,
}

const KMH_PER_MPH: f64 = 1.609_344;
/// `walk`: walking pace is not a number in law; courts take 4 to 7 km/h.
const WALK_KMH: u8 = 7;

/// Reads a `maxspeed` value: a number in km/h, `mph`, `knots`, or a word.
pub fn parse(text: &str) -> Limit {
    // Of several (`50; 70`) the lowest holds: times must never assume more than the limit.
    text.split(';')
        .map(|t| parse_one(t.trim()))
        .min_by_key(order)
        .unwrap_or_default()
}

fn order(limit: &Limit) -> u8 {
    match limit {
        Limit::Signed(kmh) | Limit::Implied(kmh) => *kmh,
        Limit::Zone(..) => 254,
        Limit::Unsaid => 255,
    }
}

fn parse_one(text: &str) -> Limit {
    if let Some(kmh) = number_kmh(text) {
        return Limit::Signed(kmh);
    }
    match text {
        "none" | "unlimited" => return Limit::Signed(NO_LIMIT_KMH),
        "walk" | "foot" => return Limit::Signed(WALK_KMH),
        _ => {}
    }
    zone(text)
}

/// `50`, `50 km/h`, `30 mph`, `6 knots`, in whole km/h not above it.
fn number_kmh(text: &str) -> Option<u8> {
    let end = text
        .find(|c: char| !c.is_ascii_digit() && c != '.')
        .unwrap_or(text.len());
    let number: f64 = text[..end].parse().ok()?;
    let factor = match text[end..].trim() {
        "" | "km/h" | "kmh" | "kph" => 1.0,
        "mph" => KMH_PER_MPH,
        "knots" | "kn" => 1.852,
        _ => return None,
    };
    // Downward: 60 mph are 96.56 km/h, and 97 would be over the limit.
    let kmh = (number * factor).floor();
    (1.0..=250.0).contains(&kmh).then_some(kmh as u8)
}

/// `DE:rural`, `rural`, `FR:zone30`, `DE:zone:30`, `GB:nsl_single`, `AT:30`.
fn zone(text: &str) -> Limit {
    let lower = text.to_ascii_lowercase();
    let (country, kind) = match lower.split_once(':') {
        Some((code, kind)) if is_country(code) => (Some(code.to_ascii_uppercase()), kind),
        Some(("zone", _)) | None => (None, lower.as_str()),
        Some(_) => return Limit::Unsaid,
    };
    // Vehicle plates of Liechtenstein say FL, ISO 3166 says LI; likewise UK and GB.
    let country = country.map(|c| match c.as_str() {
        "FL" => "LI".to_owned(),
        "UK" => "GB".to_owned(),
        _ => c,
    });
    let kind = kind
        .rsplit(':')
        .next()
        .filter(|k| k.starts_with("zone"))
        .unwrap_or(kind);
    let zone = match kind {
        "urban" | "urban_primary" | "urban_secondary" | "nsl_restricted" | "town" | "city" => {
            Zone::Urban
        }
        "rural" | "nsl_single" => Zone::Rural,
        "nsl_dual" | "trunk" | "express" | "dual_carriageway" => Zone::Dual,
        "motorroad" | "expressway" => Zone::Motorroad,
        "motorway" => Zone::Motorway,
        "living_street" | "pedestrian_zone" => Zone::Living,
        "walk" => return Limit::Implied(WALK_KMH),
        other => {
            let digits = other
                .trim_start_matches("zone")
                .trim_start_matches([':', '_']);
            return number_kmh(digits).map_or(Limit::Unsaid, Limit::Implied);
        }
    };
    Limit::Zone(zone, country)
}

fn is_country(code: &str) -> bool {
    let (country, part) = code.split_once('-').unwrap_or((code, "aa"));
    country.len() == 2
        && country.bytes().all(|b| b.is_ascii_alphabetic())
        && (1..=3).contains(&part.len())
}

/// What the tags say for one direction: `suffix` is `:forward` or `:backward`.
pub fn of_way(tags: Tags, suffix: &str) -> Limit {
    let mut zone_said = Limit::Unsaid;
    for key in ["maxspeed:motorcycle", "maxspeed"] {
        let directed = tags
            .iter()
            .find(|(k, _)| k.strip_prefix(key) == Some(suffix));
        for text in directed.map(|(_, v)| v).into_iter().chain(tags.get(key)) {
            match parse(text) {
                Limit::Unsaid => {}
                limit @ Limit::Zone(..) => zone_said = limit,
                limit => return limit,
            }
        }
    }
    if zone_said != Limit::Unsaid {
        return zone_said;
    }
    let keys = [
        "maxspeed:type",
        "source:maxspeed",
        "zone:maxspeed",
        "zone:traffic",
    ];
    let zones = keys.iter().filter_map(|key| tags.get(key));
    let said = zones.map(|text| match parse(text) {
        // `zone:maxspeed=30` is a zone, not a sign on this road.
        Limit::Signed(kmh) => Limit::Implied(kmh),
        other => other,
    });
    said.filter(|l| *l != Limit::Unsaid)
        .min_by_key(order)
        .unwrap_or_default()
}

/// The kind of road the law sees, from what is known of a piece.
pub fn kind_in_law(
    class: RoadClass,
    built_up: bool,
    motorroad: bool,
    dual: bool,
    paved: Option<bool>,
) -> Zone {
    match class {
        RoadClass::Motorway => Zone::Motorway,
        RoadClass::LivingStreet => Zone::Living,
        _ if motorroad && !built_up => Zone::Motorroad,
        _ if built_up => Zone::Urban,
        _ if paved == Some(false) => Zone::Unpaved,
        _ if dual => Zone::Dual,
        _ => Zone::Rural,
    }
}

/// The limit of a kind of road, km/h.
pub fn by_law(law: &Law, zone: Zone) -> u8 {
    match zone {
        Zone::Urban => law.urban,
        Zone::Rural => law.rural,
        Zone::Dual => law.dual,
        Zone::Motorroad => law.motorroad,
        Zone::Motorway => law.motorway,
        Zone::Living => law.living,
        Zone::Unpaved => law.unpaved,
    }
}
