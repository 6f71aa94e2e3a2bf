//! Whether a motorcycle may ride: the OSM access hierarchy, one-ways and barriers.
//!
//! <https://wiki.openstreetmap.org/wiki/Key:access>: the specific overrides the general, so
//! `access` < `vehicle` < `motor_vehicle` < `motorcycle`, each also with `:forward` and
//! `:backward`.

use region::{Access, RoadClass};

use crate::osm::Tags;

/// Keys from the most specific to the most general.
const HIERARCHY: [&str; 4] = ["motorcycle", "motor_vehicle", "vehicle", "access"];

/// One direction of a way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Direction {
    /// As the way is drawn.
    Forward,
    /// Against it.
    Backward,
}

/// What one access value means for a rider; `None` for values that say nothing (empty).
/// Of a list (`agricultural;destination`) the most permissive holds, for a list names groups
/// that each may pass.
fn value(text: &str) -> Option<Access> {
    let one = |v: &str| match v.trim() {
        "" => None,
        "yes" | "permissive" | "designated" | "official" | "public" | "discouraged" | "toll" => {
            Some(Access::Open)
        }
        "destination" | "delivery" | "customers" | "visitors" | "guests" => {
            Some(Access::Destination)
        }
        "permit" | "permits" => Some(Access::Permit),
        "private" | "residents" | "residential" | "employees" | "staff" | "members" => {
            Some(Access::Private)
        }
        "no" | "agricultural" | "agriculture" | "forestry" | "emergency" | "military"
        | "service" | "maintenance" | "psv" | "bus" | "taxi" | "hgv" | "goods" | "foot"
        | "bicycle" | "dismount" | "use_sidepath" | "restricted" => Some(Access::Closed),
        // Said, but not understood (`unknown`, misspellings): never presented as open.
        _ => Some(Access::Unverified),
    };
    text.split([';', ','])
        .filter_map(one)
        .min_by_key(|a| *a as u8)
}

/// The deciding tag of an element: its rank in [`HIERARCHY`] and what it means.
fn decide(tags: Tags, direction: Direction) -> Option<(usize, Access)> {
    let suffix = match direction {
        Direction::Forward => ":forward",
        Direction::Backward => ":backward",
    };
    HIERARCHY.iter().enumerate().find_map(|(rank, key)| {
        let directed = tags
            .iter()
            .find(|(k, _)| k.strip_prefix(key).is_some_and(|rest| rest == suffix));
        let text = directed.map(|(_, v)| v).or_else(|| tags.get(key))?;
        Some((rank, value(text)?))
    })
}

/// Access of a way in one direction by its access tags and class, one-ways left aside.
pub fn of_way(tags: Tags, class: RoadClass, direction: Direction) -> Access {
    let decided = decide(tags, direction);
    let access = match (class, decided) {
        // `access=yes` on a footpath speaks of those on foot: a vehicle must be named.
        (RoadClass::Path, Some((3, Access::Open)) | None) => Access::Closed,
        (RoadClass::Ferry, None) if tags.is("motorcar", "no") => Access::Closed,
        (RoadClass::Ferry, None) if tags.is("motorcar", "yes") => Access::Open,
        // Many a ferry carries people only and does not say so.
        (RoadClass::Ferry | RoadClass::Track, None) => Access::Unverified,
        (_, Some((_, access))) => access,
        (_, None) if tags.is("service", "emergency_access") => Access::Closed,
        (_, None) => Access::Open,
    };
    if access == Access::Closed && opens_at_times(tags) {
        Access::Unverified
    } else {
        access
    }
}

/// Whether a conditional tag may open what the plain tag closes.
fn opens_at_times(tags: Tags) -> bool {
    tags.iter().any(|(key, text)| {
        let Some(mode) = key.strip_suffix(":conditional") else {
            return false;
        };
        let mode = mode.split(':').next_back().unwrap_or(mode);
        let opening = |clause: &str| {
            let what = clause.split('@').next().unwrap_or("");
            matches!(
                value(what),
                Some(Access::Open | Access::Destination | Access::Permit)
            )
        };
        HIERARCHY.contains(&mode) && text.split(';').any(|c| c.contains('@') && opening(c))
    })
}

/// One-way rule of a way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OneWay {
    /// Both directions.
    No,
    /// Only as drawn.
    Forward,
    /// Only against the drawing.
    Backward,
    /// Changes by time of day, and the map does not say when.
    Reversible,
    /// One direction at a time, in turns.
    Alternating,
}

/// The one-way rule that holds for motorcycles.
pub fn one_way(tags: Tags, class: RoadClass, is_link: bool) -> OneWay {
    let keys = [
        "oneway:motorcycle",
        "oneway:motor_vehicle",
        "oneway:vehicle",
        "oneway",
    ];
    let said = keys.iter().find_map(|key| match tags.get(key)? {
        "yes" | "true" | "1" => Some(OneWay::Forward),
        "-1" | "reverse" => Some(OneWay::Backward),
        "no" | "false" | "0" => Some(OneWay::No),
        "reversible" => Some(OneWay::Reversible),
        "alternating" => Some(OneWay::Alternating),
        _ => None,
    });
    said.unwrap_or_else(|| {
        let implied = matches!(tags.get("junction"), Some("roundabout" | "circular"))
            || class == RoadClass::Motorway && !is_link;
        if implied { OneWay::Forward } else { OneWay::No }
    })
}

/// A thing in the road.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Barrier {
    /// Does not stop a motorcycle.
    None,
    /// May be shut, but may be passed.
    Gate,
    /// Stops a motorcycle.
    Blocked,
}

/// What a node with `barrier=*` means for a rider.
pub fn barrier(tags: Tags) -> Barrier {
    let Some(kinds) = tags.get("barrier") else {
        return Barrier::None;
    };
    let decided = decide(tags, Direction::Forward);
    let any = |list: &[&str]| kinds.split([';', ',']).any(|k| list.contains(&k.trim()));
    let harmless = any(&[
        "no",
        "entrance",
        "cattle_grid",
        "toll_booth",
        "border_control",
        "kerb",
        "bump_gate",
        "height_restrictor",
        "checkpoint",
    ]);
    let gate = any(&[
        "gate",
        "lift_gate",
        "swing_gate",
        "sliding_gate",
        "hampshire_gate",
        "sally_port",
        "chain",
        "rope",
        "cable",
        "wire_gate",
        "barrier_board",
    ]);
    match decided {
        Some((_, Access::Closed | Access::Private)) => Barrier::Blocked,
        Some(_) if harmless => Barrier::None,
        Some(_) if gate => Barrier::Gate,
        // A bollard or block is passed only where a vehicle is named: `access=yes` is not enough.
        Some((rank, Access::Open | Access::Destination | Access::Permit)) if rank < 3 => {
            Barrier::None
        }
        Some(_) => Barrier::Blocked,
        None if harmless => Barrier::None,
        None if gate && !tags.is("locked", "yes") && !any(&["chain", "rope", "cable"]) => {
            Barrier::Gate
        }
        None => Barrier::Blocked,
    }
}
