//! What the tags of one way say about riding on it.

use region::{Access, RoadClass, Smoothness, Surface, flag};

use super::access::{self, Direction, OneWay};
use super::limits::{self, Limit};
use crate::osm::Tags;

/// The facts of a way that become columns of its pieces.
#[derive(Clone, Debug)]
pub struct Facts {
    /// Kind of road.
    pub class: RoadClass,
    /// Bits of [`flag`] that tags decide.
    pub flags: u32,
    /// Surface.
    pub surface: Surface,
    /// Smoothness.
    pub smoothness: Smoothness,
    /// `tracktype`, 0 unknown.
    pub tracktype: u8,
    /// Access forward and backward, one-ways included.
    pub access: [Access; 2],
    /// What is said about the limit, forward and backward.
    pub limit: [Limit; 2],
    /// Name, may be empty.
    pub name: String,
    /// Number, may be empty.
    pub number: String,
    /// Conditional tags that concern a rider.
    pub conditions: Vec<(String, String)>,
    /// Crossing time of a ferry, seconds.
    pub crossing_s: Option<u32>,
    /// Tagged as one of two carriageways.
    pub dual: bool,
}

/// Reads the tags of a way; `None` if it is no road a motorcycle could have business on.
pub fn read(tags: Tags) -> Option<Facts> {
    if tags.is_empty() {
        return None;
    }
    let (class, is_link) = class(tags)?;
    if tags.is("area", "yes") {
        return None;
    }
    let both = [Direction::Forward, Direction::Backward];
    let mut access = both.map(|d| access::of_way(tags, class, d));
    // Ways for feet and hooves are kept only where a motorcycle is let in.
    if class == RoadClass::Path && access.iter().all(|&a| a == Access::Closed) {
        return None;
    }
    // Ships without motor vehicles are no roads.
    if class == RoadClass::Ferry && access.iter().all(|&a| a == Access::Closed) {
        return None;
    }

    let mut conditions = conditions(tags);
    let one_way = access::one_way(tags, class, is_link);
    let against = |a: Access| {
        if a == Access::Closed {
            a
        } else {
            Access::WrongWay
        }
    };
    match one_way {
        OneWay::No => {}
        OneWay::Forward => access[1] = against(access[1]),
        OneWay::Backward => access[0] = against(access[0]),
        OneWay::Reversible => {
            access = access.map(|a| {
                if a == Access::Open {
                    Access::Unverified
                } else {
                    a
                }
            });
            conditions.push(("oneway".into(), "reversible".into()));
        }
        OneWay::Alternating => conditions.push(("oneway".into(), "alternating".into())),
    }

    let yes = |key: &str| tags.get(key).is_some_and(|v| v != "no");
    let roundabout = matches!(tags.get("junction"), Some("roundabout" | "circular"));
    let mut flags = 0;
    for (on, bit) in [
        (is_link, flag::LINK),
        (yes("bridge"), flag::BRIDGE),
        (
            tags.get("tunnel")
                .is_some_and(|v| !matches!(v, "no" | "culvert")),
            flag::TUNNEL,
        ),
        (roundabout, flag::ROUNDABOUT),
        (toll(tags), flag::TOLL),
        (yes("ford"), flag::FORD),
        (
            yes("seasonal") || yes("winter_road") || yes("ice_road"),
            flag::SEASONAL,
        ),
        (!conditions.is_empty(), flag::CONDITIONAL),
        (tags.is("motorroad", "yes"), flag::MOTORROAD),
        (tags.is("scenic", "yes"), flag::SCENIC),
    ] {
        if on {
            flags |= bit;
        }
    }
    let tracktype = tags.get("tracktype").and_then(|t| t.strip_prefix("grade"));
    let crossing = tags.get("duration").filter(|_| class == RoadClass::Ferry);
    Some(Facts {
        class,
        flags,
        surface: surface(tags, class),
        smoothness: tags
            .get("smoothness")
            .map_or(Smoothness::Unknown, smoothness),
        tracktype: tracktype
            .and_then(|t| t.parse().ok())
            .filter(|t| *t <= 5)
            .unwrap_or(0),
        access,
        limit: [
            limits::of_way(tags, ":forward"),
            limits::of_way(tags, ":backward"),
        ],
        name: tags.get("name").unwrap_or("").into(),
        number: tags.get("ref").unwrap_or("").into(),
        conditions,
        crossing_s: crossing.and_then(duration_s),
        dual: tags.is("dual_carriageway", "yes"),
    })
}

fn class(tags: Tags) -> Option<(RoadClass, bool)> {
    let highway = match tags.get("highway") {
        Some(highway) => highway,
        None if tags.is("route", "ferry") => return Some((RoadClass::Ferry, false)),
        None => return None,
    };
    let (base, is_link) = match highway.strip_suffix("_link") {
        Some(base) => (base, true),
        None => (highway, false),
    };
    let class = match base {
        "motorway" => RoadClass::Motorway,
        "trunk" => RoadClass::Trunk,
        "primary" => RoadClass::Primary,
        "secondary" => RoadClass::Secondary,
        "tertiary" => RoadClass::Tertiary,
        _ if is_link => return None,
        "unclassified" | "road" => RoadClass::Unclassified,
        "residential" => RoadClass::Residential,
        "living_street" => RoadClass::LivingStreet,
        "service" => RoadClass::Service,
        "track" => RoadClass::Track,
        "path" | "bridleway" | "footway" | "cycleway" | "pedestrian" => RoadClass::Path,
        _ => return None,
    };
    Some((class, is_link))
}

/// `toll:motorcycle` overrides `toll:motor_vehicle` overrides `toll`.
fn toll(tags: Tags) -> bool {
    let said = ["toll:motorcycle", "toll:motor_vehicle", "toll"]
        .iter()
        .find_map(|k| tags.get(k));
    said.is_some_and(|v| v != "no")
}

/// Only motorways may be taken for asphalt without a tag.
fn surface(tags: Tags, class: RoadClass) -> Surface {
    let Some(text) = tags.get("surface") else {
        return if class == RoadClass::Motorway {
            Surface::Asphalt
        } else {
            Surface::Unknown
        };
    };
    // Of several surfaces the worst counts; the codes ascend roughly by grip and comfort.
    let each = text.split([';', ',']).map(|one| match one.trim() {
        "asphalt" | "chipseal" | "tarmac" | "bitumen" => Surface::Asphalt,
        "concrete" | "concrete:plates" | "concrete:lanes" => Surface::Concrete,
        "paved" => Surface::Paved,
        "paving_stones"
        | "paving_stones:lanes"
        | "bricks"
        | "brick"
        | "grass_paver"
        | "paving_stones:30"
        | "interlock" => Surface::PavingStones,
        "sett" | "cobblestone" | "unhewn_cobblestone" | "cobblestone:flattened" => Surface::Cobbles,
        "metal" | "wood" | "metal_grid" => Surface::Deck,
        "compacted" => Surface::Compacted,
        "fine_gravel" => Surface::FineGravel,
        "gravel" | "pebblestone" | "shells" => Surface::Gravel,
        "unpaved" => Surface::Unpaved,
        "ground" | "dirt" | "earth" | "grass" | "woodchips" | "soil" | "clay" | "laterite" => {
            Surface::Earth
        }
        "sand" | "dirt/sand" => Surface::Sand,
        "mud" => Surface::Mud,
        "rock" | "stone" | "rocks" | "bare_rock" => Surface::Rock,
        "snow" | "ice" | "salt" => Surface::Ice,
        _ => Surface::Unknown,
    });
    each.max_by_key(|s| *s as u8).unwrap_or(Surface::Unknown)
}

fn smoothness(text: &str) -> Smoothness {
    match text {
        "excellent" => Smoothness::Excellent,
        "good" => Smoothness::Good,
        "intermediate" => Smoothness::Intermediate,
        "bad" => Smoothness::Bad,
        "very_bad" => Smoothness::VeryBad,
        "horrible" => Smoothness::Horrible,
        "very_horrible" => Smoothness::VeryHorrible,
        "impassable" => Smoothness::Impassable,
        _ => Smoothness::Unknown,
    }
}

/// Conditional tags whose mode holds for motorcycles, and seasons, for evaluation by date.
fn conditions(tags: Tags) -> Vec<(String, String)> {
    const ABOUT: [&str; 6] = [
        "motorcycle",
        "motor_vehicle",
        "vehicle",
        "access",
        "oneway",
        "maxspeed",
    ];
    let mut found = Vec::new();
    for (key, value) in tags.iter() {
        if matches!(key, "seasonal" | "winter_road" | "ice_road") && value != "no" {
            found.push((key.to_owned(), value.to_owned()));
        }
        let Some(base) = key.strip_suffix(":conditional") else {
            continue;
        };
        // `access:motor_vehicle:conditional` is a common way to say `motor_vehicle:conditional`.
        let base = base.strip_prefix("access:").unwrap_or(base);
        let mut parts = base.split(':');
        let about = parts.next().is_some_and(|first| ABOUT.contains(&first));
        let holds =
            |part: &str| ABOUT[..3].contains(&part) || matches!(part, "forward" | "backward");
        if about && parts.all(holds) {
            found.push((format!("{base}:conditional"), value.to_owned()));
        }
    }
    found
}

/// `1:30`, `00:25`, `90` (minutes), `1:30:00`, `PT1H30M`.
fn duration_s(text: &str) -> Option<u32> {
    let text = text.trim();
    if let Some(iso) = text.strip_prefix("PT") {
        let (mut total, mut digits) = (0u32, String::new());
        for c in iso.chars() {
            let unit = match c {
                '0'..='9' => {
                    digits.push(c);
                    continue;
                }
                'H' => 3600,
                'M' => 60,
                'S' => 1,
                _ => return None,
            };
            total = total.checked_add(digits.parse::<u32>().ok()?.checked_mul(unit)?)?;
            digits.clear();
        }
        return Some(total).filter(|&t| t > 0);
    }
    let parts: Option<Vec<u32>> = text.split(':').map(|p| p.trim().parse().ok()).collect();
    let seconds = match parts?[..] {
        [minutes] => minutes.checked_mul(60)?,
        [hours, minutes] => hours
            .checked_mul(3600)?
            .checked_add(minutes.checked_mul(60)?)?,
        [hours, minutes, s] => hours
            .checked_mul(3600)?
            .checked_add(minutes.checked_mul(60)?)?
            .checked_add(s)?,
        _ => return None,
    };
    (1..=30 * 24 * 3600).contains(&seconds).then_some(seconds)
}
