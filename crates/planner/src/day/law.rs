//! What conditional tags say for a moment: the grammar of `KEY:conditional` and `opening_hours`.
//!
//! `value @ condition; value @ (condition AND condition)`: of the values whose condition holds the
//! last one counts (<https://wiki.openstreetmap.org/wiki/Conditional_restrictions>). Conditions of
//! time follow the grammar of opening hours (crate `opening-hours`); of anything else - snow, a wet
//! road, weight - nobody knows beforehand, and that is what is answered.

use std::str::FromStr;

use chrono::{NaiveDateTime, TimeDelta};
use chrono_tz::Tz;
use opening_hours::localization::{Coordinates, TzLocation};
use opening_hours::{Context, OpeningHours, RuleKind};

/// Yes, no, or nobody knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Truth {
    /// It holds.
    Yes,
    /// It does not.
    No,
    /// It cannot be told beforehand.
    Unknown,
}

/// Opening hours that could be read.
#[derive(Clone, Debug)]
pub struct Hours(OpeningHours);

impl Hours {
    /// Reads an expression; `None` if it is not in the grammar.
    pub fn read(text: &str) -> Option<Self> {
        OpeningHours::from_str(text.trim()).ok().map(Hours)
    }

    /// Whether it is open when local clocks show `at`.
    pub fn open_at(&self, at: NaiveDateTime) -> Truth {
        match self.0.state(at).0 {
            RuleKind::Open => Truth::Yes,
            RuleKind::Closed => Truth::No,
            RuleKind::Unknown => Truth::Unknown,
        }
    }

    /// The same where sunrise and sunset count, at a place in degrees.
    pub fn open_at_place(&self, at: NaiveDateTime, lat: f64, lon: f64, zone: Tz) -> Truth {
        let Some(place) = Coordinates::new(lat, lon) else {
            return self.open_at(at);
        };
        let context = Context::default().with_locale(TzLocation::new(zone).with_coords(place));
        let hours = self.0.clone().with_context(context);
        let moment = super::zone::moment(zone, at).with_timezone(&zone);
        match hours.state(moment).0 {
            RuleKind::Open => Truth::Yes,
            RuleKind::Closed => Truth::No,
            RuleKind::Unknown => Truth::Unknown,
        }
    }

    /// The next moment after `at`, within some four years, at which the answer changes to `to`.
    pub fn next(&self, at: NaiveDateTime, to: Truth) -> Option<NaiveDateTime> {
        let until = at + TimeDelta::days(4 * 366);
        self.0
            .iter_range(at, until)
            .skip(1)
            .find(|span| {
                let truth = match span.kind {
                    RuleKind::Open => Truth::Yes,
                    RuleKind::Closed => Truth::No,
                    RuleKind::Unknown => Truth::Unknown,
                };
                truth == to
            })
            .map(|span| span.range.start)
    }
}

/// One condition: several that must all hold.
#[derive(Clone, Debug)]
pub struct Condition {
    times: Vec<Hours>,
    /// What cannot be told beforehand, as it is written.
    other: Vec<String>,
}

impl Condition {
    fn read(text: &str) -> Self {
        let text = text.trim();
        let bare = text
            .strip_prefix('(')
            .and_then(|t| t.strip_suffix(')'))
            .unwrap_or(text);
        let (mut times, mut other) = (Vec::new(), Vec::new());
        for part in split_words(bare, "AND") {
            match Hours::read(&part) {
                Some(hours) => times.push(hours),
                None => other.push(part),
            }
        }
        Condition { times, other }
    }

    /// Whether it holds when local clocks show `at`, at a place in degrees.
    pub fn holds(&self, at: NaiveDateTime, place: Option<(f64, f64, Tz)>) -> Truth {
        let mut truth = if self.other.is_empty() {
            Truth::Yes
        } else {
            Truth::Unknown
        };
        for hours in &self.times {
            let open = match place {
                Some((lat, lon, zone)) => hours.open_at_place(at, lat, lon, zone),
                None => hours.open_at(at),
            };
            truth = match (truth, open) {
                (Truth::No, _) | (_, Truth::No) => Truth::No,
                (Truth::Yes, Truth::Yes) => Truth::Yes,
                _ => Truth::Unknown,
            };
        }
        truth
    }

    /// The next moment after `at` from which it no longer holds, if only times count.
    pub fn ends(&self, at: NaiveDateTime) -> Option<NaiveDateTime> {
        if !self.other.is_empty() {
            return None;
        }
        self.times
            .iter()
            .filter_map(|h| h.next(at, Truth::No))
            .min()
    }

    /// The next moment after `at` from which it holds, if one time counts and nothing else.
    pub fn begins(&self, at: NaiveDateTime) -> Option<NaiveDateTime> {
        match (&self.times[..], &self.other[..]) {
            ([hours], []) => hours.next(at, Truth::Yes),
            _ => None,
        }
    }
}

/// A conditional value: each value with its condition, in the order of the tag.
#[derive(Clone, Debug)]
pub struct Conditional {
    /// Value and condition; a clause without a condition always holds.
    pub clauses: Vec<(String, Option<Condition>)>,
}

/// What a conditional tag says for a moment.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Said<'a> {
    /// The value that holds, if any clause does.
    pub value: Option<&'a str>,
    /// Clause that says so.
    pub clause: usize,
    /// A later clause might hold, and nobody knows.
    pub unsure: Option<&'a str>,
}

impl Conditional {
    /// Reads the value of a `:conditional` tag; never fails, what is no clause is left out.
    pub fn read(text: &str) -> Self {
        let clauses = split_outside(text, ';')
            .into_iter()
            .filter_map(|clause| {
                let (value, condition) = match clause.split_once('@') {
                    Some((value, condition)) => (value, Some(Condition::read(condition))),
                    None => (clause.as_str(), None),
                };
                let value = value.trim();
                (!value.is_empty()).then(|| (value.to_owned(), condition))
            })
            .collect();
        Conditional { clauses }
    }

    /// The condition alone, as in `restriction:conditional` after its `@`.
    pub fn condition(text: &str) -> Condition {
        Condition::read(text)
    }

    /// What it says when local clocks show `at`, at a place in degrees.
    pub fn at(&self, at: NaiveDateTime, place: Option<(f64, f64, Tz)>) -> Said<'_> {
        let mut said = Said {
            value: None,
            clause: 0,
            unsure: None,
        };
        for (i, (value, condition)) in self.clauses.iter().enumerate() {
            match condition
                .as_ref()
                .map_or(Truth::Yes, |c| c.holds(at, place))
            {
                Truth::Yes => {
                    said = Said {
                        value: Some(value),
                        clause: i,
                        unsure: None,
                    };
                }
                Truth::Unknown => said.unsure = Some(value),
                Truth::No => {}
            }
        }
        said
    }
}

/// Splits at a letter outside of brackets and quotes.
fn split_outside(text: &str, at: char) -> Vec<String> {
    let (mut parts, mut part) = (Vec::new(), String::new());
    let (mut depth, mut quoted) = (0i32, false);
    for c in text.chars() {
        match c {
            '"' => quoted = !quoted,
            '(' if !quoted => depth += 1,
            ')' if !quoted => depth -= 1,
            _ => {}
        }
        if c == at && depth <= 0 && !quoted {
            parts.push(std::mem::take(&mut part));
        } else {
            part.push(c);
        }
    }
    parts.push(part);
    parts
}

/// Splits at a word, written in any case.
fn split_words(text: &str, word: &str) -> Vec<String> {
    let (mut parts, mut part) = (Vec::new(), String::new());
    for piece in text.split_whitespace() {
        if piece.eq_ignore_ascii_case(word) {
            parts.push(std::mem::take(&mut part));
        } else {
            if !part.is_empty() {
                part.push(' ');
            }
            part.push_str(piece);
        }
    }
    parts.push(part);
    parts.retain(|p| !p.is_empty());
    parts
}
