//! GeoJSON (RFC 7946), read as a stream: what is not used is never held in memory.
//!
//! Times go the way that has become usual: `properties.coordinateProperties.times`, a list as
//! long as the coordinates, nested likewise.

use std::cell::RefCell;
use std::fmt;

use serde::de::{DeserializeSeed, Deserializer, Error, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::{Value, json};

use super::gpx::one_line;
use super::xml::clean;
use super::{Budget, Fix, Oddities, ReadError, Ride, Route, Track, Waypoint};
use super::{format_time, parse_time, position};

/// Deepest nesting of coordinates that any geometry has (multipolygon).
const COORDINATE_DEPTH: usize = 4;

/// Most geometries in one collection; more would cost memory out of proportion to the file.
const GEOMETRIES_MAX: usize = 100_000;

/// Reads a feature collection, a feature or a bare geometry.
pub fn read(name: &str, text: &str) -> Result<Ride, ReadError> {
    let state = State::default();
    let mut json = serde_json::Deserializer::from_str(text.trim_start_matches('\u{feff}'));
    let outcome = Object { state: &state }.deserialize(&mut json);
    let outcome = outcome.and_then(|object| json.end().map(|()| object));
    let broken = |line: usize, what: &str| ReadError::Broken {
        name: name.into(),
        line: line.max(1),
        what: what.into(),
    };
    let object = outcome.map_err(|e| broken(e.line(), &complaint(&e)))?;

    let mut sink = state.sink.into_inner();
    match object.kind.as_str() {
        "FeatureCollection" => {
            if !object.properties.name.is_empty() {
                sink.ride.name = object.properties.name;
            }
            sink.ride.text = object.properties.text;
            sink.ride.credit = object.properties.credit;
        }
        _ => object.finish(&mut sink).map_err(|what| broken(1, &what))?,
    }
    for (name, points) in sink.open_routes {
        sink.ride.routes.push(Route { name, points });
    }
    if sink.areas > 0 {
        sink.ride
            .warnings
            .push(format!("{} areas were left out", sink.areas));
    }
    sink.odd.into_warnings(&mut sink.ride.warnings);
    Ok(sink.ride)
}

/// A parser's complaint in a rider's words, its place left to the caller.
fn complaint(error: &serde_json::Error) -> String {
    if error.is_eof() {
        return "the file breaks off: save or fetch it again".into();
    }
    let text = error.to_string();
    let what = text.split(" at line ").next().unwrap_or_default();
    if error.is_data() {
        what.into()
    } else {
        format!("not well-formed JSON: {what}")
    }
}

#[derive(Default)]
struct State {
    sink: RefCell<Sink>,
    budget: RefCell<Budget>,
}

impl State {
    fn take(&self) -> Result<(), String> {
        self.budget.borrow_mut().take()
    }
}

/// What has been read so far.
#[derive(Default)]
struct Sink {
    ride: Ride,
    /// Routes whose points arrive one by one, in order of their first point.
    open_routes: Vec<(String, Vec<Waypoint>)>,
    areas: usize,
    odd: Oddities,
}

/// Any GeoJSON object: a collection, a feature or a geometry, told apart when it is over, for the
/// members may come in any order.
#[derive(Default)]
struct Thing {
    kind: String,
    coordinates: Option<Coordinates>,
    geometry: Vec<Thing>,
    properties: Properties,
}

impl Thing {
    /// Turns a feature or a geometry into tracks and places.
    fn finish(self, sink: &mut Sink) -> Result<(), String> {
        match self.kind.as_str() {
            "Feature" => {
                for geometry in self.geometry {
                    geometry.place(&self.properties, sink)?;
                }
                Ok(())
            }
            "FeatureCollection" => Err("a collection within a feature".into()),
            _ => {
                let properties = Properties {
                    credit: None,
                    ..self.properties
                };
                Thing {
                    properties: Properties::default(),
                    ..self
                }
                .place(&properties, sink)
            }
        }
    }

    fn place(self, properties: &Properties, sink: &mut Sink) -> Result<(), String> {
        let kind = self.kind;
        if kind == "GeometryCollection" {
            for geometry in self.geometry {
                geometry.place(properties, sink)?;
            }
            return Ok(());
        }
        let depth = match kind.as_str() {
            "Point" => 1,
            "MultiPoint" | "LineString" => 2,
            "MultiLineString" | "Polygon" => 3,
            "MultiPolygon" => 4,
            "" => return Err("a member \"type\" is missing".into()),
            other => {
                return Err(format!(
                    "\"{}\" is no GeoJSON type",
                    super::names::shown(other)
                ));
            }
        };
        if depth >= 3 && kind.ends_with("Polygon") {
            sink.areas += 1;
            return Ok(());
        }
        let Some(mut coordinates) = self.coordinates else {
            return Err(format!("a {kind} has no coordinates"));
        };
        if !coordinates.fixes.is_empty() && coordinates.depth != depth {
            return Err(format!("the coordinates of a {kind} are nested wrongly"));
        }
        sink.odd.heights += coordinates.odd_heights;
        for (fix, time) in coordinates.fixes.iter_mut().zip(&properties.times) {
            fix.time_s = *time;
        }
        let fixes = coordinates.fixes;
        if depth == 1 || kind == "MultiPoint" {
            for at in fixes {
                let point = Waypoint {
                    at,
                    name: properties.name.clone(),
                    text: properties.text.clone(),
                    kind: properties.kind.clone(),
                };
                sink.add_point(properties, point);
            }
            return Ok(());
        }
        let mut segments = Vec::with_capacity(coordinates.ends.len());
        let mut rest = fixes.as_slice();
        let mut from = 0;
        for end in coordinates.ends {
            let (segment, after) = rest.split_at((end - from).min(rest.len()));
            if !segment.is_empty() {
                segments.push(segment.to_vec());
            }
            (rest, from) = (after, end);
        }
        sink.ride.tracks.push(Track {
            name: properties.name.clone(),
            segments,
        });
        Ok(())
    }
}

impl Sink {
    fn add_point(&mut self, properties: &Properties, point: Waypoint) {
        let Some((number, name)) = &properties.route else {
            self.ride.waypoints.push(point);
            return;
        };
        // Numbers of routes count up; a file cannot make us hold more routes than it has points.
        let known = self.open_routes.len();
        if *number < known {
            self.open_routes[*number].1.push(point);
        } else {
            self.open_routes.push((name.clone(), vec![point]));
        }
    }
}

/// Positions of a geometry, flat, and where each list of positions ends.
#[derive(Default)]
struct Coordinates {
    fixes: Vec<Fix>,
    ends: Vec<usize>,
    /// Levels of lists: 1 for a single position.
    depth: usize,
    odd_heights: usize,
}

/// The properties that are understood.
#[derive(Default)]
struct Properties {
    name: String,
    text: String,
    kind: String,
    credit: Option<String>,
    /// Number from 0 and name of the route that a point belongs to.
    route: Option<(usize, String)>,
    times: Vec<Option<f64>>,
}

/// Reads any GeoJSON object; features of a collection go to the sink at once.
#[derive(Clone, Copy)]
struct Object<'s> {
    state: &'s State,
}

impl<'de> DeserializeSeed<'de> for Object<'_> {
    type Value = Thing;
    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<Thing, D::Error> {
        d.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Object<'_> {
    type Value = Thing;
    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("a GeoJSON object")
    }
    fn visit_unit<E: Error>(self) -> Result<Thing, E> {
        Ok(Thing {
            kind: "GeometryCollection".into(),
            ..Thing::default()
        })
    }
    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Thing, A::Error> {
        self.state.take().map_err(A::Error::custom)?;
        let mut thing = Thing::default();
        while let Some(key) = map.next_key::<Word>()? {
            match key.0.as_str() {
                "type" => thing.kind = map.next_value::<Word>()?.0,
                "coordinates" => {
                    let seed = Nested {
                        state: self.state,
                        depth: 0,
                    };
                    thing.coordinates = Some(map.next_value_seed(seed)?);
                }
                "geometry" => thing.geometry = vec![map.next_value_seed(self)?],
                "geometries" => {
                    thing.geometry = map.next_value_seed(List {
                        one: self,
                        keep: true,
                    })?
                }
                "features" => {
                    map.next_value_seed(List {
                        one: self,
                        keep: false,
                    })?;
                }
                "properties" => {
                    let inner = map.next_value_seed(Named { state: self.state })?;
                    let name = std::mem::take(&mut thing.properties.name);
                    thing.properties = inner;
                    if thing.properties.name.is_empty() {
                        thing.properties.name = name;
                    }
                }
                // Many writers name a collection beside its type.
                "name" => thing.properties.name = one_line(&map.next_value::<Word>()?.0),
                _ => {
                    map.next_value::<IgnoredAny>()?;
                }
            }
        }
        Ok(thing)
    }
}

/// A list of objects: kept, or each a feature that goes to the sink.
struct List<'s> {
    one: Object<'s>,
    keep: bool,
}

impl<'de> DeserializeSeed<'de> for List<'_> {
    type Value = Vec<Thing>;
    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<Vec<Thing>, D::Error> {
        d.deserialize_seq(self)
    }
}

impl<'de> Visitor<'de> for List<'_> {
    type Value = Vec<Thing>;
    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("a list of GeoJSON objects")
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Vec<Thing>, A::Error> {
        let mut kept = Vec::new();
        while let Some(thing) = seq.next_element_seed(self.one)? {
            if self.keep {
                if kept.len() == GEOMETRIES_MAX {
                    return Err(A::Error::custom("too many geometries in one collection"));
                }
                kept.push(thing);
            } else {
                thing
                    .finish(&mut self.one.state.sink.borrow_mut())
                    .map_err(A::Error::custom)?;
            }
        }
        Ok(kept)
    }
}

/// Coordinates at some depth of lists.
struct Nested<'s> {
    state: &'s State,
    depth: usize,
}

impl<'de> DeserializeSeed<'de> for Nested<'_> {
    type Value = Coordinates;
    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<Coordinates, D::Error> {
        let mut into = Coordinates::default();
        Level {
            state: self.state,
            into: &mut into,
            depth: self.depth,
        }
        .deserialize(d)?;
        Ok(into)
    }
}

/// One list within coordinates, appended to what was read before.
struct Level<'s, 'c> {
    state: &'s State,
    into: &'c mut Coordinates,
    depth: usize,
}

/// What an element of a coordinates list turned out to be.
enum Element {
    Number(f64),
    Nothing,
    List { of_numbers: bool },
}

impl<'de> DeserializeSeed<'de> for Level<'_, '_> {
    type Value = Element;
    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<Element, D::Error> {
        d.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Level<'_, '_> {
    type Value = Element;
    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("coordinates")
    }
    fn visit_f64<E: Error>(self, v: f64) -> Result<Element, E> {
        Ok(Element::Number(v))
    }
    fn visit_u64<E: Error>(self, v: u64) -> Result<Element, E> {
        Ok(Element::Number(v as f64))
    }
    fn visit_i64<E: Error>(self, v: i64) -> Result<Element, E> {
        Ok(Element::Number(v as f64))
    }
    fn visit_unit<E: Error>(self) -> Result<Element, E> {
        Ok(Element::Nothing)
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Element, A::Error> {
        let Level { state, into, depth } = self;
        let fail = A::Error::custom::<&str>;
        if depth >= COORDINATE_DEPTH {
            return Err(fail("coordinates are nested too deep"));
        }
        let mut numbers = [0.0; 3];
        let mut has_height = false;
        let (mut count, mut lists, mut positions) = (0, 0, 0);
        loop {
            let next = Level {
                state,
                into: &mut *into,
                depth: depth + 1,
            };
            match seq.next_element_seed(next)? {
                None => break,
                Some(Element::Number(v)) => {
                    if let Some(slot) = numbers.get_mut(count) {
                        *slot = v;
                        has_height = count == 2;
                    }
                    count = (count + 1).min(4);
                }
                // Some writers put null where a height is unknown.
                Some(Element::Nothing) if count >= 2 => count = 4,
                Some(Element::Nothing) => return Err(fail("a coordinate is null")),
                Some(Element::List { of_numbers }) => {
                    lists += 1;
                    positions += usize::from(of_numbers);
                }
            }
        }
        if count > 0 && lists > 0 {
            return Err(fail("coordinates mix numbers and lists"));
        }
        if count > 0 {
            if count < 2 {
                return Err(fail("a position has only one number"));
            }
            let place = || -> Result<Fix, String> {
                state.take()?;
                position(numbers[1], numbers[0]).map_err(|e| {
                    format!(
                        "{e} (position {}; GeoJSON needs degrees, longitude first)",
                        into.fixes.len() + 1
                    )
                })
            };
            let mut fix = place().map_err(A::Error::custom)?;
            if has_height {
                fix.height_m = Some(numbers[2] as f32).filter(|h| h.is_finite());
                into.odd_heights += usize::from(fix.height_m.is_none());
            }
            if into.depth != 0 && into.depth != depth + 1 {
                return Err(fail("coordinates are nested unevenly"));
            }
            into.depth = depth + 1;
            into.fixes.push(fix);
            return Ok(Element::List { of_numbers: true });
        }
        if positions > 0 || lists == 0 {
            state.take().map_err(A::Error::custom)?;
            into.ends.push(into.fixes.len());
        }
        Ok(Element::List { of_numbers: false })
    }
}

/// Reads properties, passing over everything unknown.
struct Named<'s> {
    state: &'s State,
}

impl<'de> DeserializeSeed<'de> for Named<'_> {
    type Value = Properties;
    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<Properties, D::Error> {
        d.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Named<'_> {
    type Value = Properties;
    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("an object of properties")
    }
    fn visit_unit<E: Error>(self) -> Result<Properties, E> {
        Ok(Properties::default())
    }
    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Properties, A::Error> {
        let mut p = Properties::default();
        let (mut number, mut route) = (None, String::new());
        let mut times = Times {
            state: self.state,
            all: Vec::new(),
        };
        while let Some(key) = map.next_key::<Word>()? {
            match key.0.as_str() {
                "name" | "title" => p.name = one_line(&map.next_value::<Word>()?.0),
                "desc" | "description" => p.text = clean(&map.next_value::<Word>()?.0),
                "kind" => p.kind = one_line(&map.next_value::<Word>()?.0),
                "credit" => p.credit = Some(one_line(&map.next_value::<Word>()?.0)),
                "route" => route = one_line(&map.next_value::<Word>()?.0),
                "route_number" => number = map.next_value::<Word>()?.0.parse::<usize>().ok(),
                "time" => times.all = vec![parse_time(&map.next_value::<Word>()?.0)],
                "times" | "coordTimes" => map.next_value_seed(&mut times)?,
                "coordinateProperties" => map.next_value_seed(Inner(&mut times))?,
                _ => {
                    map.next_value::<IgnoredAny>()?;
                }
            }
        }
        p.credit = p.credit.filter(|c| !c.is_empty());
        p.route = number.map(|n| (n, route));
        p.times = times.all;
        Ok(p)
    }
}

/// The `times` within `coordinateProperties`.
struct Inner<'t, 's>(&'t mut Times<'s>);

impl<'de> DeserializeSeed<'de> for Inner<'_, '_> {
    type Value = ();
    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<(), D::Error> {
        d.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Inner<'_, '_> {
    type Value = ();
    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("an object of coordinate properties")
    }
    fn visit_unit<E: Error>(self) -> Result<(), E> {
        Ok(())
    }
    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        while let Some(key) = map.next_key::<Word>()? {
            match key.0.as_str() {
                "times" => map.next_value_seed(&mut *self.0)?,
                _ => {
                    map.next_value::<IgnoredAny>()?;
                }
            }
        }
        Ok(())
    }
}

/// Times in lists of any depth, flat as the coordinates are.
struct Times<'s> {
    state: &'s State,
    all: Vec<Option<f64>>,
}

impl<'de> DeserializeSeed<'de> for &mut Times<'_> {
    type Value = ();
    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<(), D::Error> {
        d.deserialize_any(self)
    }
}

impl Times<'_> {
    fn push<E: Error>(&mut self, time: Option<f64>) -> Result<(), E> {
        self.state.take().map_err(E::custom)?;
        self.all.push(time);
        Ok(())
    }
}

impl<'de> Visitor<'de> for &mut Times<'_> {
    type Value = ();
    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("a list of times")
    }
    fn visit_str<E: Error>(self, text: &str) -> Result<(), E> {
        let time = parse_time(text);
        self.state.sink.borrow_mut().odd.times += usize::from(time.is_none());
        self.push(time)
    }
    fn visit_unit<E: Error>(self) -> Result<(), E> {
        self.push(None)
    }
    fn visit_f64<E: Error>(self, millis: f64) -> Result<(), E> {
        self.push(Some(millis / 1000.0).filter(|t| t.is_finite()))
    }
    fn visit_u64<E: Error>(self, millis: u64) -> Result<(), E> {
        self.push(Some(millis as f64 / 1000.0))
    }
    fn visit_i64<E: Error>(self, millis: i64) -> Result<(), E> {
        self.push(Some(millis as f64 / 1000.0))
    }
    fn visit_bool<E: Error>(self, _: bool) -> Result<(), E> {
        self.push(None)
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<(), A::Error> {
        while seq.next_element_seed(&mut *self)?.is_some() {}
        Ok(())
    }
    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        while map.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
        Ok(())
    }
}

/// A string, a number as its digits, or nothing for any other value.
#[derive(Default)]
struct Word(String);

impl<'de> serde::Deserialize<'de> for Word {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        struct Any;
        impl<'de> Visitor<'de> for Any {
            type Value = Word;
            fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
                f.write_str("any value")
            }
            fn visit_str<E: Error>(self, v: &str) -> Result<Word, E> {
                Ok(Word(v.into()))
            }
            fn visit_f64<E: Error>(self, v: f64) -> Result<Word, E> {
                Ok(Word(v.to_string()))
            }
            fn visit_u64<E: Error>(self, v: u64) -> Result<Word, E> {
                Ok(Word(v.to_string()))
            }
            fn visit_i64<E: Error>(self, v: i64) -> Result<Word, E> {
                Ok(Word(v.to_string()))
            }
            fn visit_bool<E: Error>(self, _: bool) -> Result<Word, E> {
                Ok(Word::default())
            }
            fn visit_unit<E: Error>(self) -> Result<Word, E> {
                Ok(Word::default())
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Word, A::Error> {
                while seq.next_element::<IgnoredAny>()?.is_some() {}
                Ok(Word::default())
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Word, A::Error> {
                while map.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
                Ok(Word::default())
            }
        }
        d.deserialize_any(Any)
    }
}

/// A feature collection: tracks as (multi) line strings, route points and waypoints as points,
/// told apart by `properties.kind` and `route`. Segments of fewer than two points, which a line
/// string cannot hold, are left out.
pub fn write_geojson(ride: &Ride) -> Vec<u8> {
    let mut features = Vec::new();
    for track in &ride.tracks {
        let segments: Vec<&Vec<Fix>> = track.segments.iter().filter(|s| s.len() >= 2).collect();
        let lines: Vec<Value> = segments
            .iter()
            .map(|s| s.iter().map(coordinates).collect())
            .collect();
        let geometry = match lines.as_slice() {
            [line] => json!({"type": "LineString", "coordinates": line}),
            _ => json!({"type": "MultiLineString", "coordinates": lines}),
        };
        let mut properties = json!({"name": clean(&track.name)});
        if segments
            .iter()
            .any(|s| s.iter().any(|f| f.time_s.is_some()))
        {
            let times = |s: &&Vec<Fix>| -> Value { s.iter().map(time).collect() };
            let times = match segments.as_slice() {
                [one] => times(one),
                many => many.iter().map(times).collect(),
            };
            properties["coordinateProperties"] = json!({"times": times});
        }
        features.push(json!({"type": "Feature", "properties": properties, "geometry": geometry}));
    }
    for (number, route) in ride
        .routes
        .iter()
        .filter(|r| !r.points.is_empty())
        .enumerate()
    {
        for point in &route.points {
            let mut feature = point_feature(point);
            feature["properties"]["route"] = clean(&route.name).into();
            feature["properties"]["route_number"] = number.into();
            features.push(feature);
        }
    }
    features.extend(ride.waypoints.iter().map(point_feature));

    let mut about = json!({});
    let credit = ride.credit.as_deref().unwrap_or_default();
    for (key, text) in [
        ("name", ride.name.as_str()),
        ("desc", &ride.text),
        ("credit", credit),
    ] {
        if !text.is_empty() {
            about[key] = clean(text).into();
        }
    }
    let mut all = json!({"type": "FeatureCollection", "features": features});
    if about.as_object().is_some_and(|o| !o.is_empty()) {
        // RFC 7946 section 6.1 lets a collection carry members of its own.
        all["properties"] = about;
    }
    let mut out = serde_json::to_vec(&all).unwrap_or_default();
    out.push(b'\n');
    out
}

fn point_feature(point: &Waypoint) -> Value {
    let mut properties = json!({"name": clean(&point.name)});
    for (key, text) in [("desc", &point.text), ("kind", &point.kind)] {
        if !text.is_empty() {
            properties[key] = clean(text).into();
        }
    }
    if let Some(time) = point.at.time_s.and_then(format_time) {
        properties["time"] = time.into();
    }
    let geometry = json!({"type": "Point", "coordinates": coordinates(&point.at)});
    json!({"type": "Feature", "properties": properties, "geometry": geometry})
}

fn coordinates(fix: &Fix) -> Value {
    let round = |v: f64, unit: f64| (v * unit).round() / unit + 0.0;
    let (lat, lon) = (round(fix.lat, 1e7), round(fix.lon, 1e7));
    match fix.height_m.filter(|h| h.is_finite()) {
        Some(h) => json!([lon, lat, round(f64::from(h), 10.0)]),
        None => json!([lon, lat]),
    }
}

fn time(fix: &Fix) -> Value {
    fix.time_s
        .and_then(format_time)
        .map_or(Value::Null, Value::String)
}
