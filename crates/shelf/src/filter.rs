//! The language of questions to the shelf: words to be found, and `key:value` for what is asked of
//! one column. The same in the page's field, the HTTP API and on the command line.
//!
//! | key | value |
//! |---|---|
//! | `kind:` | `tour`, `recording`, `mark` |
//! | `name:` `note:` `tag:` `place:` | the beginning of a word there; `"two words"` in quotes |
//! | `date:` | `2024`, `2024-05`, `2024-05-17`, or `FROM..TO` of these, one of them optional |
//! | `length:` | `100km` or more, `..200km`, `100..200km`; without a unit kilometres |
//! | `time:` | riding time: `3h`, `90min`, `2h..4h30`; without a unit hours |
//! | `climb:` `height:` | metres: sum of climbs, highest point |
//! | `pass:` | height of the highest pass, or the beginning of its name |
//! | `region:` | name of a region |
//! | `rating:` | `3` or more, `1..2` |
//! | `in:` | `WEST,SOUTH,EAST,NORTH` in degrees: passes through that box |

use thiserror::Error;

use crate::pyramid::View;

/// Longest question, bytes.
const MAX_LEN: usize = 2000;
/// Most words of one question.
const MAX_WORDS: usize = 40;

/// What may lie on the shelf.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A tour.
    Tour = 0,
    /// A recording.
    Recording = 1,
    /// A rider's mark.
    Mark = 2,
}

/// From and to, ends included; `None` is open.
type Range<T> = (Option<T>, Option<T>);

/// What is asked for; everything must hold.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Filter {
    /// Expression for the index of words; empty asks nothing.
    pub(crate) words: String,
    pub(crate) kind: Option<Kind>,
    pub(crate) date: Range<String>,
    /// Ranges by column of numbers.
    pub(crate) numbers: Vec<(&'static str, Range<f64>)>,
    pub(crate) regions: Vec<String>,
    /// Boxes that it passes through.
    pub views: Vec<View>,
    /// In the bin instead of on the shelf.
    pub in_bin: bool,
}

/// Why a question is not understood.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum FilterError {
    /// An unknown key.
    #[error(
        "'{key}:' is nothing to ask for; there are kind, name, note, tag, place, date, length, time, climb, height, pass, region, rating and in"
    )]
    Key {
        /// As written.
        key: String,
    },
    /// A value that does not fit its key.
    #[error("'{key}:{value}' is not understood; write it as in {example}")]
    Value {
        /// The key.
        key: String,
        /// As written.
        value: String,
        /// One that is.
        example: &'static str,
    },
    /// Too many words.
    #[error("the question is longer than anybody asks; ask for less")]
    Long,
}

impl Filter {
    /// Reads a question.
    pub fn parse(text: &str) -> Result<Self, FilterError> {
        if text.len() > MAX_LEN {
            return Err(FilterError::Long);
        }
        let mut filter = Filter::default();
        let mut words = Vec::new();
        for (key, value) in pieces(text) {
            let bad = |example| FilterError::Value {
                key: key.clone(),
                value: value.clone(),
                example,
            };
            let fold = value.to_lowercase();
            match key.as_str() {
                "" => words.extend(phrase("", &value)),
                "name" | "note" => words.extend(phrase(&key, &value)),
                "tag" => words.extend(phrase("tags", &value)),
                "place" => words.extend(phrase("places", &value)),
                "kind" => {
                    filter.kind = Some(match fold.trim_end_matches('s') {
                        "tour" => Kind::Tour,
                        "recording" => Kind::Recording,
                        "mark" => Kind::Mark,
                        _ => return Err(bad("kind:recording")),
                    });
                }
                "date" => filter.date = dates(&fold).ok_or_else(|| bad("date:2024-05..2024-08"))?,
                "length" => filter
                    .number("length_m", &fold, length_m)
                    .ok_or_else(|| bad("length:100..200km"))?,
                "time" => filter
                    .number("riding_s", &fold, time_s)
                    .ok_or_else(|| bad("time:2h..4h30"))?,
                "climb" => filter
                    .number("climb_m", &fold, height_m)
                    .ok_or_else(|| bad("climb:1000m.."))?,
                "height" => filter
                    .number("highest_m", &fold, height_m)
                    .ok_or_else(|| bad("height:2000m.."))?,
                "rating" => filter
                    .number("rating", &fold, |t| t.parse().ok())
                    .ok_or_else(|| bad("rating:3"))?,
                "pass" => {
                    if filter.number("pass_m", &fold, height_m).is_none() {
                        // Names of passes are among the places.
                        words.extend(phrase("places", &value));
                    }
                }
                "region" => filter.regions.push(value),
                "in" => filter
                    .views
                    .push(view(&value).ok_or_else(|| bad("in:7.0,45.5,7.5,46.0"))?),
                _ => return Err(FilterError::Key { key }),
            }
            if words.len() > MAX_WORDS {
                return Err(FilterError::Long);
            }
        }
        filter.words = words.join(" AND ");
        Ok(filter)
    }

    fn number(
        &mut self,
        column: &'static str,
        text: &str,
        read: fn(&str) -> Option<f64>,
    ) -> Option<()> {
        self.numbers.push((column, range(text, read)?));
        Some(())
    }
}

/// `(key, value)` of each piece between blanks; quotes hold blanks together.
fn pieces(text: &str) -> Vec<(String, String)> {
    let mut out = Vec::new();
    let (mut key, mut value, mut quoted, mut any) = (String::new(), String::new(), false, false);
    for c in text.chars().chain([' ']) {
        match c {
            '"' => (quoted, any) = (!quoted, true),
            ':' if !quoted
                && key.is_empty()
                && !value.is_empty()
                && value.chars().all(|c| c.is_ascii_alphabetic()) =>
            {
                key = std::mem::take(&mut value).to_ascii_lowercase();
            }
            c if c.is_whitespace() && !quoted => {
                if any || !value.is_empty() || !key.is_empty() {
                    out.push((std::mem::take(&mut key), std::mem::take(&mut value)));
                }
                any = false;
            }
            c => value.push(c),
        }
    }
    if !value.is_empty() || !key.is_empty() {
        out.push((key, value));
    }
    out
}

/// Words at whose beginnings a text matches, in a column or anywhere.
fn phrase(column: &str, text: &str) -> Option<String> {
    if !text.chars().any(char::is_alphanumeric) {
        return None;
    }
    let column = if column.is_empty() {
        String::new()
    } else {
        format!("{column} : ")
    };
    Some(format!("{column}\"{}\" *", text.replace('"', "\"\"")))
}

fn range<T: PartialOrd>(text: &str, read: impl Fn(&str) -> Option<T>) -> Option<Range<T>> {
    let at = |t: &str| match t.trim() {
        "" => Some(None),
        t => read(t).map(Some),
    };
    if let Some(from) = text.strip_prefix('>') {
        return Some((Some(read(from.trim_start_matches('=').trim())?), None));
    }
    if let Some(to) = text.strip_prefix('<') {
        return Some((None, Some(read(to.trim_start_matches('=').trim())?)));
    }
    let range = match text.split_once("..") {
        Some((from, to)) => {
            // The unit stands at the end: 100..200km.
            let unit = to.trim_start_matches(|c: char| c.is_ascii_digit() || c == '.');
            let bare = !from.is_empty() && from.chars().all(|c| c.is_ascii_digit() || c == '.');
            let whole = format!("{from}{unit}");
            (at(if bare { &whole } else { from })?, at(to)?)
        }
        None => (Some(read(text)?), None),
    };
    match &range {
        (None, None) => None,
        (Some(from), Some(to)) if from > to => None,
        _ => Some(range),
    }
}

fn measure(text: &str, units: &[(&str, f64)]) -> Option<f64> {
    let at = text
        .find(|c: char| !c.is_ascii_digit() && c != '.')
        .unwrap_or(text.len());
    let (number, unit) = text.split_at(at);
    let factor = units.iter().find(|(name, _)| *name == unit.trim())?.1;
    let value = number.parse::<f64>().ok()? * factor;
    value.is_finite().then_some(value)
}

fn length_m(text: &str) -> Option<f64> {
    measure(
        text,
        &[("", 1000.0), ("km", 1000.0), ("m", 1.0), ("mi", 1609.344)],
    )
}

fn height_m(text: &str) -> Option<f64> {
    measure(
        text,
        &[("", 1.0), ("m", 1.0), ("km", 1000.0), ("ft", 0.3048)],
    )
}

fn time_s(text: &str) -> Option<f64> {
    if let Some((hours, minutes)) = text.split_once(['h', ':']).filter(|(_, m)| !m.is_empty()) {
        let minutes = minutes.trim_end_matches("min").trim_end_matches('m');
        return Some(hours.parse::<f64>().ok()? * 3600.0 + minutes.parse::<f64>().ok()? * 60.0);
    }
    measure(
        text,
        &[("", 3600.0), ("h", 3600.0), ("min", 60.0), ("m", 60.0)],
    )
}

/// Days from and to as text that sorts; a year or a month means all of it.
fn dates(text: &str) -> Option<Range<String>> {
    let day = |text: &str| {
        let parts: Vec<&str> = text.split('-').collect();
        let lens: Vec<usize> = parts.iter().map(|p| p.len()).collect();
        let plain = parts.iter().all(|p| p.bytes().all(|b| b.is_ascii_digit()));
        (plain && [&[4][..], &[4, 2], &[4, 2, 2]].contains(&&lens[..])).then(|| text.to_owned())
    };
    let end = |text: &str| Some(format!("{}\u{7e}", day(text)?));
    let open = |t: &str, read: &dyn Fn(&str) -> Option<String>| match t {
        "" => Some(None),
        t => read(t).map(Some),
    };
    match text.split_once("..") {
        Some(("", "")) => None,
        Some((from, to)) => Some((open(from, &day)?, open(to, &end)?)),
        None => Some((Some(day(text)?), Some(end(text)?))),
    }
}

fn view(text: &str) -> Option<View> {
    let numbers: Vec<f64> = text
        .split(',')
        .map(|t| t.trim().parse().ok())
        .collect::<Option<_>>()?;
    let view: View = numbers.try_into().ok()?;
    crate::pyramid::Cover::of(view).map(|_| view)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn questions_are_read() {
        let f = Filter::parse("alps \"High Road\" tag:club date:2023-05..2024 length:100..200km time:2h..4h30 climb:>1000 kind:recording region:demo in:7,45,8,46 pass:2000m").unwrap();
        assert_eq!(
            f.words,
            "\"alps\" * AND \"High Road\" * AND tags : \"club\" *"
        );
        assert_eq!(f.kind, Some(Kind::Recording));
        assert_eq!(f.date, (Some("2023-05".into()), Some("2024~".into())));
        assert_eq!(
            f.numbers,
            [
                ("length_m", (Some(100_000.0), Some(200_000.0))),
                ("riding_s", (Some(7200.0), Some(16_200.0))),
                ("climb_m", (Some(1000.0), None)),
                ("pass_m", (Some(2000.0), None)),
            ]
        );
        assert_eq!(
            (f.regions, f.views),
            (vec!["demo".into()], vec![[7.0, 45.0, 8.0, 46.0]])
        );
        assert_eq!(
            Filter::parse("pass:Windegg").unwrap().words,
            "places : \"Windegg\" *"
        );
        assert_eq!(
            Filter::parse("length:..90").unwrap().numbers,
            [("length_m", (None, Some(90_000.0)))]
        );
        assert_eq!(Filter::parse("  ").unwrap(), Filter::default());
        // Half a word, and what no index holds, ask nothing.
        assert_eq!(Filter::parse("\" - \" :").unwrap().words, "");
        assert_eq!(Filter::parse("12:30").unwrap().words, "\"12:30\" *");
    }

    #[test]
    fn what_is_not_understood_is_said() {
        for bad in [
            "colour:red",
            "length:far",
            "date:may",
            "date:..",
            "in:1,2,3",
            "in:1,50,2,40",
            "length:9..3",
            "time:h",
            "kind:cat",
        ] {
            assert!(Filter::parse(bad).is_err(), "{bad}");
        }
        let words = "a ".repeat(500);
        assert_eq!(Filter::parse(&words), Err(FilterError::Long));
        let error = Filter::parse("colour:red").unwrap_err().to_string();
        assert!(
            error.contains("'colour:'") && error.contains("length"),
            "{error}"
        );
    }
}
