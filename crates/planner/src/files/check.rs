//! What a strict reader and a unit would object to in a GPX file.

use std::collections::{HashMap, HashSet};

use super::grammar::{Complex, Content, Foreign, GPX_10, GPX_11, Simple};
use super::xml::{Piece, Space, Tag, Xml};
use super::{Fix, MAX_BYTES, ReadError, Ride, decode, length_m};

/// How bad it is, worst first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// A strict reader refuses the file.
    Error,
    /// A unit may leave something out or change it.
    Warning,
    /// Worth knowing.
    Note,
}

/// One thing to object to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Objection {
    /// How bad it is.
    pub severity: Severity,
    /// Line, from 1, where there is one to name; of the first case, if there are several.
    pub line: Option<usize>,
    /// Plain words, on one line.
    pub text: String,
}

/// Most different objections that are listed.
const OBJECTIONS_MAX: usize = 100;
/// Points that the track memory of old units holds (common practice, as all limits here).
const OLD_TRACK_POINTS: usize = 500;
/// Points that the track memory of most units holds.
const TRACK_POINTS: usize = 10_000;
/// Points that a route of old units holds.
const OLD_ROUTE_POINTS: usize = 50;
/// Points that a route of most units holds.
const ROUTE_POINTS: usize = 200;
/// Waypoints that old units hold.
const OLD_WAYPOINTS: usize = 500;
/// Longest name that old units show, characters.
const NAME_MAX: usize = 14;
/// Longest step between neighbouring points that a ride can have, metres.
const JUMP_M: f64 = 50_000.0;

/// Everything to object to, worst first, then by line. Empty for a file that any strict reader
/// and any unit takes.
pub fn check(bytes: &[u8]) -> Vec<Objection> {
    let mut found = Found::default();
    if let Err(error) = examine(bytes, &mut found) {
        found.refused(error);
    }
    // What the tolerant reader makes of it; its refusals matter where the strict walk saw none.
    match super::read("the file", bytes) {
        Ok(ride) => as_a_unit(&ride, &mut found),
        Err(error) if !found.has_errors() => found.refused(error),
        Err(_) => {}
    }
    found.into_list()
}

/// Objections in the making: equal ones are counted instead of repeated.
#[derive(Default)]
struct Found {
    list: Vec<(Objection, usize)>,
    index: HashMap<(Severity, String), usize>,
}

impl Found {
    fn add(&mut self, severity: Severity, line: Option<usize>, text: String) {
        let key = (severity, text);
        if let Some(&i) = self.index.get(&key) {
            self.list[i].1 += 1;
        } else if self.list.len() < OBJECTIONS_MAX {
            self.index.insert(key.clone(), self.list.len());
            self.list.push((
                Objection {
                    severity,
                    line,
                    text: key.1,
                },
                1,
            ));
        }
    }

    fn error(&mut self, line: usize, text: impl Into<String>) {
        self.add(Severity::Error, Some(line), text.into());
    }

    fn refused(&mut self, error: ReadError) {
        match error {
            ReadError::Broken { line, what, .. } => self.error(line, what),
            other => self.add(Severity::Error, None, other.to_string()),
        }
    }

    fn has_errors(&self) -> bool {
        self.list.iter().any(|(o, _)| o.severity == Severity::Error)
    }

    fn into_list(self) -> Vec<Objection> {
        let told = |(mut objection, count): (Objection, usize)| {
            if count > 1 {
                objection.text.push_str(&format!(" ({count} times)"));
            }
            objection
        };
        let mut list: Vec<Objection> = self.list.into_iter().map(told).collect();
        list.sort_by_key(|o| (o.severity, o.line));
        list
    }
}

/// The strict walk: well-formed XML, then the grammar.
fn examine(bytes: &[u8], found: &mut Found) -> Result<(), ReadError> {
    const NAME: &str = "the file";
    if bytes.len() > MAX_BYTES {
        return Err(ReadError::too_large(NAME));
    }
    let foreign = |what: &str| ReadError::Foreign {
        name: NAME.into(),
        what: what.into(),
    };
    let decoded = decode::decode(bytes).map_err(|what| foreign(&what))?;
    let text = decoded.text.trim_start_matches('\u{feff}');
    match text.trim_start().bytes().next() {
        None => return Err(ReadError::Empty { name: NAME.into() }),
        Some(b'<') => {}
        Some(_) => {
            found.add(
                Severity::Error,
                None,
                "the file is not XML, so it is no GPX".into(),
            );
            return Ok(());
        }
    }
    if let Some(warning) = decoded.warning {
        found.error(1, warning);
    }
    if text.trim_start().starts_with("<?xml") && !text.starts_with('<') {
        found.error(1, "blanks stand before the XML declaration");
    }
    let (mut xml, root) = Xml::open(NAME, text)?;
    xml.be_strict();
    if root.local().eq_ignore_ascii_case("html") {
        return Err(ReadError::WebPage { name: NAME.into() });
    }
    if root.local() != "gpx" {
        let name = super::names::shown(root.local());
        found.error(
            xml.line(),
            format!("the outermost element is <{name}> instead of <gpx>"),
        );
        return Ok(());
    }
    let grammar = match xml.namespace() {
        Some("http://www.topografix.com/GPX/1/1") => &GPX_11,
        Some("http://www.topografix.com/GPX/1/0") => &GPX_10,
        other => {
            let text = match other {
                None => "the file names no GPX namespace".to_string(),
                Some(ns) => format!("\"{}\" is no GPX namespace", super::names::shown(ns)),
            };
            found.error(xml.line(), text);
            if root.attribute("version").is_some_and(|v| v == "1.0") {
                &GPX_10
            } else {
                &GPX_11
            }
        }
    };
    if std::ptr::eq(grammar, &GPX_10) {
        let text = "the file is GPX 1.0; newer programs write 1.1";
        found.add(Severity::Note, None, text.into());
    }
    let mut walk = Walk { xml, found };
    walk.attributes(&root, Some(grammar));
    walk.children("gpx", grammar)?;
    loop {
        match walk.xml.next()? {
            Piece::End => return Ok(()),
            Piece::Text(t) if t.trim().is_empty() => {}
            _ => return Err(walk.xml.broken("something follows after </gpx>")),
        }
    }
}

struct Walk<'a, 'f> {
    xml: Xml<'a>,
    found: &'f mut Found,
}

impl Walk<'_, '_> {
    fn error(&mut self, text: impl Into<String>) {
        let line = self.xml.line();
        self.found.error(line, text);
    }

    /// Attributes of an element; without a grammar they only have to be well-formed.
    fn attributes(&mut self, tag: &Tag, grammar: Option<&Complex>) {
        let name = super::names::shown(tag.written());
        if tag.space == Space::Undeclared {
            self.error(format!("the prefix of <{name}> is not declared"));
        }
        let all = match tag.attributes() {
            Ok(all) => all,
            Err(what) => return self.error(format!("not well-formed XML: {what}")),
        };
        let Some(grammar) = grammar else { return };
        let known = |key: &str| grammar.attributes.iter().find(|(name, _, _)| *name == key);
        for (key, value) in &all {
            let declares = key == "xmlns" || key.starts_with("xmlns:") || key.starts_with("xsi:");
            match known(key) {
                Some((_, simple, _)) => {
                    if let Some(objection) = simple.objection(value) {
                        self.error(format!("{key} of <{name}>: {objection}"));
                    }
                }
                None if declares => {}
                None => {
                    let key = super::names::shown(key);
                    self.error(format!("<{name}> may not have an attribute {key}"));
                }
            }
        }
        for (key, _, required) in grammar.attributes {
            if *required && !all.iter().any(|(k, _)| k == key) {
                self.error(format!("<{name}> has no {key}"));
            }
        }
    }

    /// The children of an element whose tag was just read, to its end.
    fn children(&mut self, parent: &str, grammar: &'static Complex) -> Result<(), ReadError> {
        // Number of the child element that may come next, and whether it was there already.
        let (mut at, mut seen) = (0, false);
        loop {
            let tag = match self.xml.next()? {
                Piece::Close | Piece::End => return Ok(()),
                Piece::Text(text) => {
                    self.characters(&text);
                    if !text.trim().is_empty() {
                        self.error(format!("text stands directly in <{parent}>"));
                    }
                    continue;
                }
                Piece::Open(tag) => tag,
            };
            if !tag.home {
                self.attributes(&tag, None);
                self.foreign(parent, &tag, grammar, &mut at, &mut seen);
                self.pass()?;
                continue;
            }
            let name = super::names::shown(tag.local());
            let Some(number) = grammar.children.iter().position(|c| c.name == tag.local()) else {
                self.attributes(&tag, None);
                self.error(format!("<{parent}> may not hold an element <{name}>"));
                self.pass()?;
                continue;
            };
            let child = &grammar.children[number];
            if number < at {
                let before = grammar
                    .children
                    .get(at)
                    .map_or("the extensions", |c| c.name);
                self.error(format!(
                    "<{name}> must stand before <{before}> in <{parent}>"
                ));
            } else if number == at && seen && !child.many {
                self.error(format!("<{parent}> may hold only one <{name}>"));
            }
            if number >= at {
                (at, seen) = (number, true);
            }
            match child.content {
                Content::Elements(inner) => {
                    self.attributes(&tag, Some(inner));
                    self.children(child.name, inner)?;
                }
                Content::Text(simple) => {
                    self.attributes(&tag, Some(&PLAIN));
                    self.simple(child.name, simple)?;
                }
            }
        }
    }

    fn foreign(
        &mut self,
        parent: &str,
        tag: &Tag,
        grammar: &Complex,
        at: &mut usize,
        seen: &mut bool,
    ) {
        let name = super::names::shown(tag.written());
        match grammar.foreign {
            Foreign::Free if tag.space == Space::Absent => {
                self.error(format!("<{name}> in <{parent}> has no namespace"));
            }
            Foreign::Free => {
                let text = "the file has extensions: most units ignore them";
                let line = self.xml.line();
                self.found.add(Severity::Note, Some(line), text.into());
            }
            Foreign::Refused => {
                self.error(format!(
                    "<{parent}> may not hold a foreign element <{name}>"
                ));
            }
            Foreign::Declared(before) => {
                if *at >= before && *seen && before < grammar.children.len() {
                    self.error(format!("<{name}> stands too late in <{parent}>"));
                }
                // A strict validator wants a declaration, and nobody ships it with the file.
                self.error(format!("nothing declares the foreign element <{name}>"));
                if *at < before {
                    (*at, *seen) = (before, false);
                }
            }
        }
    }

    /// The text of an element just opened, to its end.
    fn simple(&mut self, name: &str, simple: Simple) -> Result<(), ReadError> {
        let mut text = String::new();
        loop {
            match self.xml.next()? {
                Piece::Close | Piece::End => break,
                Piece::Text(t) => {
                    self.characters(&t);
                    text.push_str(&t);
                }
                Piece::Open(tag) => {
                    self.attributes(&tag, None);
                    self.error(format!("<{name}> may hold text only"));
                    self.pass()?;
                }
            }
        }
        if let Some(objection) = simple.objection(&text) {
            self.error(format!("<{name}>: {objection}"));
        }
        Ok(())
    }

    /// Passes over an element, looking only at what every XML must keep to.
    fn pass(&mut self) -> Result<(), ReadError> {
        let mut depth = 1;
        while depth > 0 {
            match self.xml.next()? {
                Piece::Open(tag) => {
                    depth += 1;
                    self.attributes(&tag, None);
                }
                Piece::Close | Piece::End => depth -= 1,
                Piece::Text(text) => self.characters(&text),
            }
        }
        Ok(())
    }

    fn characters(&mut self, text: &str) {
        let forbidden = |c: char| {
            c < ' ' && !matches!(c, '\t' | '\n' | '\r') || matches!(c, '\u{fffe}' | '\u{ffff}')
        };
        if let Some(c) = text.chars().find(|&c| forbidden(c)) {
            self.error(format!(
                "the character U+{:04X} is not allowed in XML",
                c as u32
            ));
        }
    }
}

/// Elements with text have no attributes.
static PLAIN: Complex = Complex {
    attributes: &[],
    children: &[],
    foreign: Foreign::Refused,
};

/// What a unit makes of it.
fn as_a_unit(ride: &Ride, found: &mut Found) {
    let mut warn = |text: String| found.add(Severity::Warning, None, text);
    let counts = ride.counts();
    if counts.track_points + counts.route_points + counts.waypoints == 0 {
        warn("the file holds no point at all".into());
    } else if counts.track_points + counts.route_points == 0 {
        warn("the file has neither a track nor a route, only places".into());
    }
    if counts.waypoints > OLD_WAYPOINTS {
        let count = counts.waypoints;
        warn(format!("{count} waypoints: old units hold {OLD_WAYPOINTS}"));
    }
    for (i, track) in ride.tracks.iter().enumerate() {
        let which = which("track", i, &track.name);
        let count: usize = track.segments.iter().map(Vec::len).sum();
        too_many(&which, count, [OLD_TRACK_POINTS, TRACK_POINTS], &mut warn);
        for (s, segment) in track.segments.iter().enumerate() {
            let place = if track.segments.len() > 1 {
                format!("{which}, segment {}", s + 1)
            } else {
                which.clone()
            };
            segment_as_a_unit(&place, segment, &mut warn);
        }
    }
    for (i, route) in ride.routes.iter().enumerate() {
        let which = which("route", i, &route.name);
        too_many(
            &which,
            route.points.len(),
            [OLD_ROUTE_POINTS, ROUTE_POINTS],
            &mut warn,
        );
        if route.points.len() < 2 {
            let count = route.points.len();
            warn(format!(
                "{which} has {count} points: there is nothing to ride"
            ));
        }
    }
    names_as_a_unit(ride, found);
    heights_and_times(ride, found);
}

fn which(what: &str, index: usize, name: &str) -> String {
    if name.is_empty() {
        format!("{what} {}", index + 1)
    } else {
        format!("{what} \"{}\"", super::names::shown(name))
    }
}

fn too_many(which: &str, count: usize, [old, most]: [usize; 2], warn: &mut impl FnMut(String)) {
    if count > most {
        warn(format!(
            "{which} has {count} points: most units hold {most} and cut off the rest"
        ));
    } else if count > old {
        warn(format!(
            "{which} has {count} points: old units hold {old} and cut off the rest"
        ));
    }
}

fn segment_as_a_unit(place: &str, segment: &[Fix], warn: &mut impl FnMut(String)) {
    if segment.len() < 2 {
        return warn(format!(
            "{place} has {} points: there is no line to draw",
            segment.len()
        ));
    }
    if segment.iter().all(|f| f.point() == segment[0].point()) {
        return warn(format!(
            "{place} has no length: all its points are the same"
        ));
    }
    let pairs = || segment.windows(2).enumerate();
    // The quick look spares the geodesic for ordinary steps.
    let far = |w: &[Fix]| {
        let near = (w[0].lat - w[1].lat).abs() < 0.2 && (w[0].lon - w[1].lon).abs() < 0.2;
        !near && length_m(w.iter()) > JUMP_M
    };
    if let Some((i, pair)) = pairs().find(|(_, w)| far(w)) {
        let km = length_m(pair.iter()) / 1000.0;
        warn(format!("{place} jumps {km:.0} km after point {}", i + 1));
    }
    let backwards = |w: &[Fix]| matches!((w[0].time_s, w[1].time_s), (Some(a), Some(b)) if b < a);
    if let Some((i, _)) = pairs().find(|(_, w)| backwards(w)) {
        warn(format!(
            "time runs backwards in {place} after point {}",
            i + 1
        ));
    }
    if let Some(i) = segment.iter().position(|f| f.lat == 0.0 && f.lon == 0.0) {
        warn(format!(
            "point {} of {place} is at 0, 0: a place without a fix",
            i + 1
        ));
    }
}

fn names_as_a_unit(ride: &Ride, found: &mut Found) {
    let points = ride
        .routes
        .iter()
        .map(|r| r.points.iter().map(|p| &p.name).collect());
    let mut groups: Vec<(&str, Vec<&String>)> = vec![
        ("track", ride.tracks.iter().map(|t| &t.name).collect()),
        ("route", ride.routes.iter().map(|r| &r.name).collect()),
        ("waypoint", ride.waypoints.iter().map(|w| &w.name).collect()),
    ];
    groups.extend(points.map(|names| ("route point", names)));
    for (what, names) in groups {
        let mut seen = HashSet::new();
        let (mut twice, mut long, mut strange, mut nameless) = (vec![], vec![], vec![], 0);
        for name in names {
            if name.is_empty() {
                nameless += 1;
                continue;
            }
            if !seen.insert(name.to_lowercase()) {
                twice.push(name);
            }
            if name.chars().count() > NAME_MAX {
                long.push(name);
            }
            if !name.is_ascii() {
                strange.push(name);
            }
        }
        let mut say = |severity, names: Vec<&String>, text: &str| {
            if let Some(first) = names.first() {
                let first = super::names::shown(first);
                let more = match names.len() {
                    1 => String::new(),
                    n => format!(" and {} more", n - 1),
                };
                found.add(severity, None, format!("{what} \"{first}\"{more}: {text}"));
            }
        };
        say(
            Severity::Warning,
            twice,
            "the name is there already; units may keep only one",
        );
        let text = format!("longer than the {NAME_MAX} characters that old units show");
        say(Severity::Note, long, &text);
        say(
            Severity::Note,
            strange,
            "letters that old units cannot show",
        );
        if nameless > 0 {
            let text = format!("{nameless} {what}s without a name");
            found.add(Severity::Note, None, text);
        }
    }
}

fn heights_and_times(ride: &Ride, found: &mut Found) {
    let fixes = || ride.tracks.iter().flat_map(|t| &t.segments).flatten();
    let all = fixes().count();
    let heights = fixes().filter(|f| f.height_m.is_some()).count();
    let times = fixes().filter(|f| f.time_s.is_some()).count();
    let mut note = |text: String| found.add(Severity::Note, None, text);
    match all - heights {
        0 => {}
        missing if missing == all => note("no point of a track has a height".into()),
        missing => note(format!("{missing} of {all} track points have no height")),
    }
    if times > 0 && times < all {
        note(format!(
            "{} of {all} track points have no time",
            all - times
        ));
    }
}
