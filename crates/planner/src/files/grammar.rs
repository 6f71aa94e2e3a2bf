//! The grammar of GPX 1.1 and 1.0 as tables, after the schemas their authors published
//! (gpx.xsd of 2004 and 2002), and the lexical rules of XML Schema part 2 that they use.

use super::parse_time;

/// What may stand in an element that holds elements.
pub struct Complex {
    /// Attributes: name, type, whether it must be there.
    pub attributes: &'static [(&'static str, Simple, bool)],
    /// Child elements in the order they must come in.
    pub children: &'static [Child],
    /// What elements of other vocabularies may be here.
    pub foreign: Foreign,
}

/// A child element.
pub struct Child {
    pub name: &'static str,
    pub content: Content,
    /// Whether it may be repeated.
    pub many: bool,
}

/// What is within an element.
pub enum Content {
    Text(Simple),
    Elements(&'static Complex),
}

/// Where elements of other vocabularies may stand.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Foreign {
    /// Nowhere.
    Refused,
    /// Anywhere in here, and nothing is asked of them.
    Free,
    /// Before the child of this number; a strict reader wants a schema for them, too.
    Declared(usize),
}

/// Types of text.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Simple {
    Text,
    Decimal,
    Latitude,
    /// Up to and including 180.
    Longitude10,
    /// Up to but not including 180.
    Longitude11,
    Degrees10,
    Degrees11,
    DateTime,
    Year,
    Count,
    FixKind,
    Station,
    Email,
    Uri,
    Version10,
    Version11,
}

impl Simple {
    /// What is wrong with a text of this type, if anything.
    pub fn objection(self, text: &str) -> Option<String> {
        let shown = super::names::shown(text);
        let text = match self {
            Simple::Text | Simple::FixKind | Simple::Version10 | Simple::Version11 => text,
            // All others collapse blanks.
            _ => text.trim_matches([' ', '\t', '\r', '\n']),
        };
        let within = |low: f64, high: f64, open: bool| -> Option<String> {
            if let Some(objection) = decimal_objection(text) {
                return Some(objection);
            }
            let value: f64 = text.parse().ok()?;
            let sound = value >= low && (value < high || !open && value == high);
            (!sound).then(|| format!("{shown} is outside {low}..{high}"))
        };
        let unless =
            |sound: bool, what: &str| (!sound).then(|| format!("\"{shown}\" is no {what}"));
        match self {
            Simple::Text | Simple::Uri => None,
            Simple::Decimal => decimal_objection(text),
            Simple::Latitude => within(-90.0, 90.0, false),
            Simple::Longitude10 => within(-180.0, 180.0, false),
            Simple::Longitude11 => within(-180.0, 180.0, true),
            Simple::Degrees10 => within(0.0, 360.0, false),
            Simple::Degrees11 => within(0.0, 360.0, true),
            Simple::DateTime => unless(is_date_time(text), "date and time of XML Schema"),
            Simple::Year => unless(is_year(text), "year"),
            Simple::Count => unless(integer(text).is_some_and(|n| n >= 0), "count"),
            Simple::Station => unless(
                integer(text).is_some_and(|n| (0..=1023).contains(&n)),
                "station number",
            ),
            Simple::FixKind => {
                let kinds = ["none", "2d", "3d", "dgps", "pps"];
                unless(
                    kinds.contains(&text),
                    "kind of fix (none, 2d, 3d, dgps, pps)",
                )
            }
            Simple::Email => unless(is_email(text), "e-mail address as GPX 1.0 has them"),
            Simple::Version10 => unless(text == "1.0", "version 1.0"),
            Simple::Version11 => unless(text == "1.1", "version 1.1"),
        }
    }
}

/// Validators need not take more digits than 18 (XML Schema part 2, 3.2.3), common ones take 24.
const DIGITS_MAX: usize = 24;

fn decimal_objection(text: &str) -> Option<String> {
    let shown = super::names::shown(text);
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    let (whole, fraction) = unsigned.split_once('.').unwrap_or((unsigned, ""));
    let digits = |t: &str| t.bytes().all(|b| b.is_ascii_digit());
    if !digits(whole) || !digits(fraction) || whole.is_empty() && fraction.is_empty() {
        return Some(format!("\"{shown}\" is no decimal number"));
    }
    let significant = whole.trim_start_matches('0').len() + fraction.trim_end_matches('0').len();
    (significant > DIGITS_MAX).then(|| format!("{shown} has more digits than validators take"))
}

fn integer(text: &str) -> Option<i64> {
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    let plain = !unsigned.is_empty() && unsigned.bytes().all(|b| b.is_ascii_digit());
    if plain { text.parse().ok() } else { None }
}

fn is_date_time(text: &str) -> bool {
    // -?YYYY-MM-DDThh:mm:ss(.s+)?(Z|±hh:mm)?
    let bytes = text.as_bytes();
    let shape = |i: usize, c: u8| bytes.get(i) == Some(&c);
    let sound = shape(4, b'-') && shape(7, b'-') && shape(10, b'T');
    let zone = text
        .get(11..)
        .unwrap_or("")
        .trim_start_matches(|c: char| !matches!(c, 'Z' | '+' | '-'));
    let zone = zone.is_empty() || zone == "Z" || zone.len() == 6 && zone.as_bytes()[3] == b':';
    let leap = text.get(17..19) == Some("60");
    sound && zone && !leap && !text.contains(['t', 'z']) && parse_time(text).is_some()
}

fn is_year(text: &str) -> bool {
    let digits = text.strip_prefix('-').unwrap_or(text);
    let year = digits.get(..4).unwrap_or("");
    let zone = digits.get(4..).unwrap_or("");
    let zone = zone.is_empty() || zone == "Z" || zone.len() == 6 && zone.starts_with(['+', '-']);
    zone && year.len() == 4 && year.bytes().all(|b| b.is_ascii_digit()) && year != "0000"
}

/// `[\p{L}_]+(\.[\p{L}_]+)*@[\p{L}_]+(\.[\p{L}_]+)+`
fn is_email(text: &str) -> bool {
    let word = |w: &str| !w.is_empty() && w.chars().all(|c| c.is_alphabetic() || c == '_');
    let Some((who, at)) = text.split_once('@') else {
        return false;
    };
    who.split('.').all(word) && at.contains('.') && at.split('.').all(word)
}

/// One child element with text in it.
const fn text(name: &'static str, simple: Simple) -> Child {
    Child {
        name,
        content: Content::Text(simple),
        many: false,
    }
}

/// One child element with elements in it.
const fn one(name: &'static str, complex: &'static Complex) -> Child {
    Child {
        name,
        content: Content::Elements(complex),
        many: false,
    }
}

/// Any number of child elements with elements in them.
const fn many(name: &'static str, complex: &'static Complex) -> Child {
    Child {
        name,
        content: Content::Elements(complex),
        many: true,
    }
}

use Simple::{Count, DateTime, Decimal, FixKind, Station, Text, Uri};

/// The outermost element of GPX 1.1.
pub static GPX_11: Complex = Complex {
    attributes: &[
        ("version", Simple::Version11, true),
        ("creator", Text, true),
    ],
    children: &[
        one("metadata", &METADATA),
        many("wpt", &POINT_11),
        many("rte", &ROUTE_11),
        many("trk", &TRACK_11),
        one("extensions", &EXTENSIONS),
    ],
    foreign: Foreign::Refused,
};

static METADATA: Complex = Complex {
    attributes: &[],
    children: &[
        text("name", Text),
        text("desc", Text),
        one("author", &PERSON),
        one("copyright", &COPYRIGHT),
        many("link", &LINK),
        text("time", DateTime),
        text("keywords", Text),
        one("bounds", &BOUNDS_11),
        one("extensions", &EXTENSIONS),
    ],
    foreign: Foreign::Refused,
};

static POINT_11: Complex = Complex {
    attributes: &[
        ("lat", Simple::Latitude, true),
        ("lon", Simple::Longitude11, true),
    ],
    children: &[
        text("ele", Decimal),
        text("time", DateTime),
        text("magvar", Simple::Degrees11),
        text("geoidheight", Decimal),
        text("name", Text),
        text("cmt", Text),
        text("desc", Text),
        text("src", Text),
        many("link", &LINK),
        text("sym", Text),
        text("type", Text),
        text("fix", FixKind),
        text("sat", Count),
        text("hdop", Decimal),
        text("vdop", Decimal),
        text("pdop", Decimal),
        text("ageofdgpsdata", Decimal),
        text("dgpsid", Station),
        one("extensions", &EXTENSIONS),
    ],
    foreign: Foreign::Refused,
};

static ROUTE_11: Complex = Complex {
    attributes: &[],
    children: &[
        text("name", Text),
        text("cmt", Text),
        text("desc", Text),
        text("src", Text),
        many("link", &LINK),
        text("number", Count),
        text("type", Text),
        one("extensions", &EXTENSIONS),
        many("rtept", &POINT_11),
    ],
    foreign: Foreign::Refused,
};

static TRACK_11: Complex = Complex {
    attributes: &[],
    children: &[
        text("name", Text),
        text("cmt", Text),
        text("desc", Text),
        text("src", Text),
        many("link", &LINK),
        text("number", Count),
        text("type", Text),
        one("extensions", &EXTENSIONS),
        many("trkseg", &SEGMENT_11),
    ],
    foreign: Foreign::Refused,
};

static SEGMENT_11: Complex = Complex {
    attributes: &[],
    children: &[many("trkpt", &POINT_11), one("extensions", &EXTENSIONS)],
    foreign: Foreign::Refused,
};

static EXTENSIONS: Complex = Complex {
    attributes: &[],
    children: &[],
    foreign: Foreign::Free,
};

static LINK: Complex = Complex {
    attributes: &[("href", Uri, true)],
    children: &[text("text", Text), text("type", Text)],
    foreign: Foreign::Refused,
};

static EMAIL: Complex = Complex {
    attributes: &[("id", Text, true), ("domain", Text, true)],
    children: &[],
    foreign: Foreign::Refused,
};

static PERSON: Complex = Complex {
    attributes: &[],
    children: &[text("name", Text), one("email", &EMAIL), one("link", &LINK)],
    foreign: Foreign::Refused,
};

static COPYRIGHT: Complex = Complex {
    attributes: &[("author", Text, true)],
    children: &[text("year", Simple::Year), text("license", Uri)],
    foreign: Foreign::Refused,
};

static BOUNDS_11: Complex = Complex {
    attributes: &[
        ("minlat", Simple::Latitude, true),
        ("minlon", Simple::Longitude11, true),
        ("maxlat", Simple::Latitude, true),
        ("maxlon", Simple::Longitude11, true),
    ],
    children: &[],
    foreign: Foreign::Refused,
};

/// The outermost element of GPX 1.0.
pub static GPX_10: Complex = Complex {
    attributes: &[
        ("version", Simple::Version10, true),
        ("creator", Text, true),
    ],
    children: &[
        text("name", Text),
        text("desc", Text),
        text("author", Text),
        text("email", Simple::Email),
        text("url", Uri),
        text("urlname", Text),
        text("time", DateTime),
        text("keywords", Text),
        one("bounds", &BOUNDS_10),
        many("wpt", &POINT_10),
        many("rte", &ROUTE_10),
        many("trk", &TRACK_10),
    ],
    foreign: Foreign::Declared(12),
};

static BOUNDS_10: Complex = Complex {
    attributes: &[
        ("minlat", Simple::Latitude, true),
        ("minlon", Simple::Longitude10, true),
        ("maxlat", Simple::Latitude, true),
        ("maxlon", Simple::Longitude10, true),
    ],
    children: &[],
    foreign: Foreign::Refused,
};

static POINT_10: Complex = Complex {
    attributes: &[
        ("lat", Simple::Latitude, true),
        ("lon", Simple::Longitude10, true),
    ],
    children: &[
        text("ele", Decimal),
        text("time", DateTime),
        text("magvar", Simple::Degrees10),
        text("geoidheight", Decimal),
        text("name", Text),
        text("cmt", Text),
        text("desc", Text),
        text("src", Text),
        text("url", Uri),
        text("urlname", Text),
        text("sym", Text),
        text("type", Text),
        text("fix", FixKind),
        text("sat", Count),
        text("hdop", Decimal),
        text("vdop", Decimal),
        text("pdop", Decimal),
        text("ageofdgpsdata", Decimal),
        text("dgpsid", Station),
    ],
    foreign: Foreign::Declared(19),
};

static TRACK_POINT_10: Complex = Complex {
    attributes: &[
        ("lat", Simple::Latitude, true),
        ("lon", Simple::Longitude10, true),
    ],
    children: &[
        text("ele", Decimal),
        text("time", DateTime),
        text("course", Simple::Degrees10),
        text("speed", Decimal),
        text("magvar", Simple::Degrees10),
        text("geoidheight", Decimal),
        text("name", Text),
        text("cmt", Text),
        text("desc", Text),
        text("src", Text),
        text("url", Uri),
        text("urlname", Text),
        text("sym", Text),
        text("type", Text),
        text("fix", FixKind),
        text("sat", Count),
        text("hdop", Decimal),
        text("vdop", Decimal),
        text("pdop", Decimal),
        text("ageofdgpsdata", Decimal),
        text("dgpsid", Station),
    ],
    foreign: Foreign::Declared(21),
};

static ROUTE_10: Complex = Complex {
    attributes: &[],
    children: &[
        text("name", Text),
        text("cmt", Text),
        text("desc", Text),
        text("src", Text),
        text("url", Uri),
        text("urlname", Text),
        text("number", Count),
        many("rtept", &POINT_10),
    ],
    foreign: Foreign::Declared(7),
};

static TRACK_10: Complex = Complex {
    attributes: &[],
    children: &[
        text("name", Text),
        text("cmt", Text),
        text("desc", Text),
        text("src", Text),
        text("url", Uri),
        text("urlname", Text),
        text("number", Count),
        many("trkseg", &SEGMENT_10),
    ],
    foreign: Foreign::Declared(7),
};

static SEGMENT_10: Complex = Complex {
    attributes: &[],
    children: &[many("trkpt", &TRACK_POINT_10)],
    foreign: Foreign::Refused,
};
