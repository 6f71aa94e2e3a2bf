//! The finder: places, roads and coordinates by words.
//!
//! All words of a query must be found at a place, the last one by its beginning, as it may still
//! be being typed. When nothing is found so, words of four letters and more may have one slip
//! each (a letter too many, too few, wrong, or two swapped).

use std::cmp::Reverse;
use std::collections::HashMap;
use std::ops::Range;

use region::{Bounds, NO_HEIGHT, PlaceKind, Point, Region, distance_m, fold};
use serde::{Deserialize, Serialize};

use crate::Planner;
use crate::files::parse_coordinate;

/// Something found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export, rename = "FoundPlace"))]
pub struct Found {
    /// `coordinate`, `stretch`, or the kind of place in snake case (`village`, `pass`, `fuel`,
    /// `road`, ...).
    pub kind: String,
    /// Name, or what it is if it has none.
    pub name: String,
    /// Words that tell it from others: what it is, its number, what it is near.
    pub detail: String,
    /// Degrees north.
    pub lat: f64,
    /// Degrees east.
    pub lon: f64,
    /// Metres above sea level.
    pub height_m: Option<f32>,
    /// Metres from where the asker looks, as the crow flies, if they said where.
    pub distance_m: Option<f64>,
    /// Its number, if it is a stretch of rewarding road.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stretch: Option<u32>,
}

/// Most words of a query that count.
const WORDS_MAX: usize = 8;
/// Most places weighed for one query; the region lists important places first.
const CANDIDATES_MAX: usize = 100_000;
/// Most candidates whose full names are compared with the query.
const COMPARED_MAX: usize = 500;
/// Most results.
const LIMIT_MAX: usize = 200;
/// Most letters of a last word that is always taken as begun.
const BEGUN_LETTERS: usize = 2;
/// Least letters of a word in which a slip is forgiven.
const SLIP_LETTERS: usize = 4;
/// How far away a settlement still says where something is, metres.
const NEAR_M: [f64; 2] = [3_000.0, 15_000.0];
/// Words that ask for stretches of rewarding road.
const STRETCH_WORDS: [&str; 4] = ["stretch", "stretches", "winding", "bends"];
/// Most stretches among the places of their name.
const STRETCHES_BESIDE: usize = 3;

impl Planner {
    /// Places, roads, coordinates and stretches for a query, best first; see [`find`]. Stretches
    /// follow the best place of that name; `stretch` or `winding` asks for the best of them.
    pub fn find(&self, query: &str, near: Option<Point>, limit: usize) -> Vec<Found> {
        let limit = limit.min(LIMIT_MAX);
        let mut results = find(self.region(), query, near, limit);
        let mut words = fold(query);
        words.truncate(WORDS_MAX);
        let asked = words.len();
        words.retain(|w| !STRETCH_WORDS.contains(&w.as_str()));
        let is_asked_for = words.len() < asked;
        let at_once = match is_asked_for {
            true => limit,
            false => STRETCHES_BESIDE.min(limit),
        };
        let place = usize::from(!is_asked_for && !results.is_empty());
        let found = self.find_stretches(&words, near, at_once);
        results.splice(place..place, found);
        results.truncate(limit);
        results
    }

    /// Stretches whose name or road has all the words, the best fit first, then the best stretch
    /// not too far away.
    fn find_stretches(&self, words: &[String], near: Option<Point>, limit: usize) -> Vec<Found> {
        let (region, ratings) = (self.region(), self.ratings());
        let mut hits = Vec::new();
        for id in 0..ratings.stretch_count() {
            let Some(stretch) = ratings.stretch_name(region, id) else {
                continue;
            };
            let name = fold(&stretch.name);
            let all: Vec<String> = name.iter().cloned().chain(fold(&stretch.detail)).collect();
            let Some(how) = carries(&all, words) else {
                continue;
            };
            let Some(at) = ratings.stretch_middle(region, id) else {
                continue;
            };
            let away_m = near.map(|n| distance_m(n, at));
            // A find half as good is as welcome at half the way.
            let weight = f64::from(stretch.total)
                * (stretch.length_m / (stretch.length_m + 2000.0))
                / (1.0 + away_m.unwrap_or(0.0) / 20_000.0);
            hits.push((fit(&name, words, how), weight, stretch, at, away_m));
        }
        hits.sort_by(|a, b| {
            (a.0.cmp(&b.0))
                .then(b.1.total_cmp(&a.1))
                .then(a.2.id.cmp(&b.2.id))
        });
        let found = hits
            .into_iter()
            .take(limit)
            .map(|(_, _, stretch, at, away_m)| {
                let what = format!("{:.0} km stretch", stretch.length_m / 1000.0);
                Found {
                    kind: "stretch".into(),
                    name: stretch.name,
                    detail: match stretch.detail.is_empty() {
                        true => what,
                        false => format!("{what}, {}", stretch.detail),
                    },
                    lat: at.lat(),
                    lon: at.lon(),
                    height_m: None,
                    distance_m: away_m,
                    stretch: Some(stretch.id),
                }
            });
        found.collect()
    }
}

/// The worst way in which `text` carries all words, the last one perhaps only begun.
fn carries(text: &[String], words: &[String]) -> Option<Match> {
    let mut worst = Match::Whole;
    for (i, word) in words.iter().enumerate() {
        if text.contains(word) {
            continue;
        }
        if i + 1 < words.len() || !text.iter().any(|t| t.starts_with(word.as_str())) {
            return None;
        }
        worst = Match::Beginning;
    }
    Some(worst)
}

/// What a query means on a region, best first, nearer to `near` among equals: a coordinate; the
/// nearest of a kind for words like `fuel`, with or without a place (`fuel ordino`); places and
/// roads by name.
pub fn find(region: &Region, query: &str, near: Option<Point>, limit: usize) -> Vec<Found> {
    let limit = limit.min(LIMIT_MAX);
    let mut results = Vec::new();
    if let Some(point) = parse_coordinate(query) {
        results.push(coordinate(region, point, near));
    }
    let mut words = fold(query);
    words.truncate(WORDS_MAX);

    let kind = |word: &String| kinds_of(word);
    let mut hits: Vec<u32> = Vec::new();
    if let [word] = words.as_slice()
        && let Some(kinds) = kind(word)
    {
        hits = nearest_of(region, kinds, near, limit);
    }
    extend_new(&mut hits, by_name(region, &words, near, limit));
    // `fuel ordino`, `ordino fuel`: the nearest of a kind to the best match of the rest.
    let ends = [
        (words.first(), words.get(1..)),
        (words.last(), words.split_last().map(|(_, r)| r)),
    ];
    for (word, rest) in ends {
        if hits.len() < limit
            && let (Some(kinds), Some(rest)) = (word.and_then(kind), rest)
            && !rest.is_empty()
            && let Some(&place) = by_name(region, rest, near, 1).first()
        {
            extend_new(
                &mut hits,
                nearest_of(region, kinds, Some(place_at(region, place)), limit),
            );
            break;
        }
    }
    results.extend(hits.into_iter().map(|place| describe(region, place, near)));
    results.truncate(limit);
    results
}

fn extend_new(hits: &mut Vec<u32>, more: Vec<u32>) {
    let known: std::collections::HashSet<u32> = hits.iter().copied().collect();
    hits.extend(more.into_iter().filter(|p| !known.contains(p)));
}

/// Kinds of place that a folded word of the query asks for.
fn kinds_of(word: &str) -> Option<&'static [PlaceKind]> {
    use PlaceKind::*;
    Some(match word {
        "fuel" | "petrol" | "gas" | "gasoline" => &[Fuel],
        "bed" | "beds" | "lodging" | "hotel" | "hotels" | "hostel" | "guesthouse" | "sleep" => {
            &[Lodging]
        }
        "camping" | "camp" | "campsite" | "campsites" => &[Camping],
        "food" | "eat" | "lunch" | "restaurant" | "restaurants" | "cafe" | "coffee" => &[Food],
        "viewpoint" | "viewpoints" | "view" => &[Viewpoint],
        "pass" | "passes" => &[Pass],
        "peak" | "peaks" | "summit" | "summits" => &[Peak],
        "ferry" | "ferries" => &[FerryTerminal],
        "lake" | "lakes" => &[Water],
        "town" | "towns" => &[City, Town],
        "village" | "villages" => &[Village],
        _ => return None,
    })
}

/// A kind in a rider's words.
fn kind_words(kind: PlaceKind) -> &'static str {
    match kind {
        PlaceKind::City => "city",
        PlaceKind::Town => "town",
        PlaceKind::Village => "village",
        PlaceKind::Hamlet => "hamlet",
        PlaceKind::Suburb => "part of town",
        PlaceKind::Pass => "pass",
        PlaceKind::Peak => "peak",
        PlaceKind::Fuel => "fuel",
        PlaceKind::Lodging => "lodging",
        PlaceKind::Camping => "camping",
        PlaceKind::Food => "food",
        PlaceKind::Viewpoint => "viewpoint",
        PlaceKind::FerryTerminal => "ferry terminal",
        PlaceKind::Road => "road",
        PlaceKind::Island => "island",
        PlaceKind::Water => "water",
    }
}

/// The code of a kind in answers: snake case, as in region files.
fn kind_code(kind: PlaceKind) -> String {
    match serde_json::to_value(kind) {
        Ok(serde_json::Value::String(code)) => code,
        _ => kind_words(kind).into(),
    }
}

pub(crate) fn kind_at(region: &Region, place: u32) -> PlaceKind {
    // Codes were checked when the region was opened.
    PlaceKind::from_code(region.place_kind()[place as usize]).unwrap_or(PlaceKind::Hamlet)
}

pub(crate) fn place_at(region: &Region, place: u32) -> Point {
    let i = place as usize;
    Point {
        lon_e7: region.place_lon_e7()[i],
        lat_e7: region.place_lat_e7()[i],
    }
}

/// A measure of nearness that only orders: squared degrees, longitude shrunk; 0 without a centre.
struct Nearness {
    centre: Option<Point>,
    shrink: f64,
}

impl Nearness {
    fn to(centre: Option<Point>) -> Self {
        let shrink = centre.map_or(1.0, |c| c.lat().to_radians().cos());
        Nearness { centre, shrink }
    }

    fn of(&self, p: Point) -> u64 {
        let Some(c) = self.centre else { return 0 };
        let mut east = (i64::from(p.lon_e7) - i64::from(c.lon_e7)).abs();
        if east > 1_800_000_000 {
            east = 3_600_000_000 - east;
        }
        let east = east as f64 * self.shrink;
        let north = (i64::from(p.lat_e7) - i64::from(c.lat_e7)) as f64;
        (east * east + north * north).sqrt() as u64
    }
}

/// Places of some kinds, nearest first; without a centre the important first.
fn nearest_of(region: &Region, kinds: &[PlaceKind], near: Option<Point>, limit: usize) -> Vec<u32> {
    let nearness = Nearness::to(near);
    let codes: Vec<u8> = kinds.iter().map(|k| *k as u8).collect();
    let of_kind = region
        .place_kind()
        .iter()
        .enumerate()
        .filter(|(_, k)| codes.contains(k));
    let mut all: Vec<(u64, Reverse<u8>, u32)> = of_kind
        .map(|(i, _)| {
            let rank = region.place_rank()[i];
            (
                nearness.of(place_at(region, i as u32)),
                Reverse(rank),
                i as u32,
            )
        })
        .collect();
    keep_least(&mut all, limit);
    all.into_iter().map(|(_, _, place)| place).collect()
}

/// The `count` least, in order.
fn keep_least<T: Ord>(all: &mut Vec<T>, count: usize) {
    if count == 0 {
        return all.clear();
    }
    if all.len() > count {
        all.select_nth_unstable(count - 1);
        all.truncate(count);
    }
    all.sort_unstable();
}

/// How a word of the query was found at a place, best first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Match {
    Whole,
    Beginning,
    Slip,
}

/// How the whole name fits the query, best first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Fit {
    /// The name is the query.
    Equal,
    /// The name begins with the query's whole words.
    Begins,
    /// All words are there, whole.
    Whole,
    /// The name begins with the query, whose last word goes on.
    BeginsPart,
    /// All words are there, the last one only begun.
    Part,
    /// With slips.
    Slip,
}

/// Places whose words match all of the query's, best first.
fn by_name(region: &Region, words: &[String], near: Option<Point>, limit: usize) -> Vec<u32> {
    if words.is_empty() || limit == 0 {
        return Vec::new();
    }
    let mut matched = matches(region, words, false);
    if matched.is_empty() {
        matched = matches(region, words, true);
    }
    let nearness = Nearness::to(near);
    // Ranks that differ little count as equal, so that nearness has a say.
    let rank = |place: u32| Reverse(region.place_rank()[place as usize] / 8);
    let mut rough: Vec<(Match, Reverse<u8>, u64, u32)> = matched
        .into_iter()
        .map(|(place, worst)| {
            (
                worst,
                rank(place),
                nearness.of(place_at(region, place)),
                place,
            )
        })
        .collect();
    keep_least(&mut rough, COMPARED_MAX.max(limit));

    let mut fine: Vec<(Fit, Reverse<u8>, u64, u32)> = rough
        .into_iter()
        .map(|(worst, rank, far, place)| {
            let name = fold(region.string(region.place_name()[place as usize]));
            (fit(&name, words, worst), rank, far, place)
        })
        .collect();
    keep_least(&mut fine, limit);
    fine.into_iter().map(|(_, _, _, place)| place).collect()
}

fn fit(name: &[String], words: &[String], worst: Match) -> Fit {
    let starts = name.starts_with(words);
    let starts_part = words.split_last().is_some_and(|(last, before)| {
        name.starts_with(before) && name.get(before.len()).is_some_and(|w| w.starts_with(last))
    });
    match worst {
        _ if name == words => Fit::Equal,
        Match::Whole if starts => Fit::Begins,
        Match::Whole => Fit::Whole,
        Match::Beginning if starts_part => Fit::BeginsPart,
        Match::Beginning => Fit::Part,
        Match::Slip => Fit::Slip,
    }
}

/// Places that carry all words, with the worst of the ways in which they do.
fn matches(region: &Region, words: &[String], with_slips: bool) -> Vec<(u32, Match)> {
    let last = words.len() - 1;
    let mut sources: Vec<Vec<(Range<usize>, Match)>> = Vec::with_capacity(words.len());
    for (i, word) in words.iter().enumerate() {
        let found = entries(region, word, i == last, with_slips);
        if found.is_empty() {
            return Vec::new();
        }
        sources.push(found);
    }
    // The rarest word first: it alone decides how much there is to look at.
    let size =
        |found: &Vec<(Range<usize>, Match)>| -> usize { found.iter().map(|(r, _)| r.len()).sum() };
    sources.sort_by_key(size);
    let postings = region.word_place();
    let mut kept: HashMap<u32, Match> = HashMap::new();
    for (i, found) in sources.into_iter().enumerate() {
        let mut here: HashMap<u32, Match> = HashMap::new();
        for (range, how) in found {
            for &place in &postings[range] {
                if i > 0 && !kept.contains_key(&place) {
                    continue;
                }
                if here.len() >= CANDIDATES_MAX && !here.contains_key(&place) {
                    continue;
                }
                let best = here.entry(place).or_insert(how);
                *best = (*best).min(how);
            }
        }
        if i > 0 {
            for (place, how) in &mut here {
                *how = (*how).max(kept[place]);
            }
        }
        kept = here;
        if kept.is_empty() {
            return Vec::new();
        }
    }
    kept.into_iter().collect()
}

/// Runs of the postings for one word of the query: the word itself first.
fn entries(
    region: &Region,
    word: &str,
    may_go_on: bool,
    with_slips: bool,
) -> Vec<(Range<usize>, Match)> {
    let texts = region.word_text();
    let first = region.word_first_place();
    let run = |i: usize| first[i] as usize..first[i + 1] as usize;
    // One or two letters are the beginning of something: `s` is not looking for `Ann's`.
    let is_begun = may_go_on && word.chars().count() <= BEGUN_LETTERS;
    let whole = if is_begun {
        Match::Beginning
    } else {
        Match::Whole
    };
    let mut found = Vec::new();
    let from = texts.partition_point(|&t| region.string(t) < word);
    let mut i = from;
    while let Some(text) = texts.get(i).map(|&t| region.string(t)) {
        if text == word {
            found.push((run(i), whole));
        } else if may_go_on && text.starts_with(word) {
            found.push((run(i), Match::Beginning));
        } else {
            break;
        }
        i += 1;
    }
    if with_slips && word.chars().count() >= SLIP_LETTERS {
        let letters: Vec<char> = word.chars().collect();
        let mut text = Vec::new();
        for (j, &t) in texts.iter().enumerate() {
            if (from..i).contains(&j) {
                continue;
            }
            text.clear();
            text.extend(region.string(t).chars().take(letters.len() + 2));
            if one_slip(&letters, &text, may_go_on) {
                found.push((run(j), Match::Slip));
            }
        }
    }
    found
}

/// Whether one slip turns the word into the text, or into its beginning if it may go on.
/// Optimal string alignment distance of 1 (Damerau 1964, Comm. ACM 7:171-176).
fn one_slip(word: &[char], text: &[char], may_go_on: bool) -> bool {
    let same = word.iter().zip(text).take_while(|(a, b)| a == b).count();
    let (word, text) = (&word[same..], &text[same..]);
    let ends = |rest_of_word: &[char], rest_of_text: &[char]| {
        if may_go_on {
            rest_of_text.starts_with(rest_of_word)
        } else {
            rest_of_text == rest_of_word
        }
    };
    match (word, text) {
        ([], []) => true,
        ([], [_]) => true,
        ([], _) => may_go_on,
        ([_], []) => true,
        (_, []) => false,
        ([w, rest @ ..], [t, other @ ..]) => {
            ends(rest, text)
                || ends(word, other)
                || ends(rest, other)
                || match (rest, other) {
                    ([w2, rest @ ..], [t2, other @ ..]) => w == t2 && w2 == t && ends(rest, other),
                    _ => false,
                }
        }
    }
}

fn coordinate(region: &Region, point: Point, near: Option<Point>) -> Found {
    let [west, south, east, north] = region.meta().bounds_deg;
    let (lat, lon) = (point.lat(), point.lon());
    let is_on_map = (south..=north).contains(&lat) && (west..=east).contains(&lon);
    Found {
        kind: "coordinate".into(),
        name: format!("{lat:.5}, {lon:.5}"),
        detail: if is_on_map {
            place_words(region, "place", point)
        } else {
            "off the map".into()
        },
        lat,
        lon,
        height_m: None,
        distance_m: near.map(|n| distance_m(n, point)),
        stretch: None,
    }
}

fn describe(region: &Region, place: u32, near: Option<Point>) -> Found {
    let i = place as usize;
    let kind = kind_at(region, place);
    let point = place_at(region, place);
    let name = region.string(region.place_name()[i]);
    let mut what = kind_words(kind).to_string();
    if kind == PlaceKind::Road {
        // A numbered road tells its name, a named one its number.
        let tags = region.string(region.place_detail()[i]);
        let tags: HashMap<String, serde_json::Value> =
            serde_json::from_str(tags).unwrap_or_default();
        for key in ["ref", "name"] {
            if let Some(other) = tags
                .get(key)
                .and_then(|v| v.as_str())
                .filter(|v| *v != name)
            {
                what = format!("{what} {other}");
            }
        }
    }
    let is_settlement = matches!(kind, PlaceKind::City | PlaceKind::Town | PlaceKind::Village);
    let height_cm = region.place_height_cm()[i];
    Found {
        kind: kind_code(kind),
        name: if name.is_empty() {
            kind_words(kind).into()
        } else {
            name.into()
        },
        detail: if is_settlement {
            what
        } else {
            place_words(region, &what, point)
        },
        lat: point.lat(),
        lon: point.lon(),
        height_m: (height_cm != NO_HEIGHT).then_some(height_cm as f32 / 100.0),
        distance_m: near.map(|n| distance_m(n, point)),
        stretch: None,
    }
}

/// `what near SETTLEMENT`, if there is one.
fn place_words(region: &Region, what: &str, point: Point) -> String {
    let nearness = Nearness::to(Some(point));
    let settlement = NEAR_M.iter().find_map(|&radius_m| {
        let around = region.places_in(Bounds::around(point, radius_m));
        let settled = around.into_iter().filter(|&p| {
            let settled = [PlaceKind::City, PlaceKind::Town, PlaceKind::Village];
            settled.contains(&kind_at(region, p)) && region.place_name()[p as usize] != 0
        });
        settled.min_by_key(|&p| nearness.of(place_at(region, p)))
    });
    match settlement {
        Some(p) => format!(
            "{what} near {}",
            region.string(region.place_name()[p as usize])
        ),
        None => what.into(),
    }
}
