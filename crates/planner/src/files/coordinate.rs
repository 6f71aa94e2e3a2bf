//! Coordinates as people write them: decimal degrees, degrees and minutes, degrees, minutes and
//! seconds, with letters, words, signs or symbols, and `geo:` URIs (RFC 5870).

use region::Point;

/// Longest text that is looked at, bytes.
const TEXT_MAX: usize = 200;

/// A coordinate in any usual notation, latitude first unless letters or words say otherwise.
/// `None` for anything else, and for places that do not exist (minutes of 60 and more, latitudes
/// beyond 90°). Commas may be decimal: `42,5 1,5` and `42,5; 1,5` are read as `42.5, 1.5`.
pub fn parse_coordinate(text: &str) -> Option<Point> {
    let text = text.trim();
    if text.len() > TEXT_MAX {
        return None;
    }
    if text
        .get(..4)
        .is_some_and(|scheme| scheme.eq_ignore_ascii_case("geo:"))
    {
        return parse_uri(&text[4..]);
    }
    let plain = plain(text);
    // A comma between digits is decimal when something else parts the two numbers, or when four
    // numbers are in a row; else it parts them itself.
    let tight = tight_commas(&plain);
    let parts_otherwise =
        plain.contains([' ', ';', '/', '|']) || plain.contains(char::is_alphabetic);
    let bare_four = plain.split(',').count() == 4 && tight == 3;
    if bare_four {
        let [a, b, c, d] = plain.split(',').collect::<Vec<_>>().try_into().ok()?;
        return pair(&format!("{a}.{b};{c}.{d}"));
    }
    if tight > 0 && !plain.contains('.') && parts_otherwise {
        return pair(&with_decimal_points(&plain)).or_else(|| pair(&plain));
    }
    pair(&plain)
}

/// `lat,lon[,height][;crs=wgs84][;u=metres][;...]`, without the scheme.
fn parse_uri(body: &str) -> Option<Point> {
    // Some programs append a query, which RFC 5870 does not know.
    let body = body.split(['?', '#']).next()?;
    let mut parts = body.split(';');
    let numbers = parts.next()?;
    for parameter in parts {
        let (key, value) = parameter.split_once('=').unwrap_or((parameter, ""));
        if key.eq_ignore_ascii_case("crs") && !value.eq_ignore_ascii_case("wgs84") {
            return None;
        }
    }
    let mut numbers = numbers.split(',');
    let (lat, lon) = (uri_number(numbers.next()?)?, uri_number(numbers.next()?)?);
    if let Some(height) = numbers.next() {
        uri_number(height)?;
    }
    if numbers.next().is_some() {
        return None;
    }
    Point::from_degrees(lat, lon)
}

fn uri_number(text: &str) -> Option<f64> {
    let unsigned = text.strip_prefix('-').unwrap_or(text);
    let sound = unsigned.starts_with(|c: char| c.is_ascii_digit())
        && unsigned.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    if sound { text.parse().ok() } else { None }
}

/// One way of writing each symbol; lower case; no brackets.
fn plain(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars().flat_map(char::to_lowercase) {
        match c {
            '\u{2212}' | '\u{2010}'..='\u{2014}' | '\u{fe63}' | '\u{ff0d}' => out.push('-'),
            '′' | '’' | '‘' | 'ʹ' | 'ʼ' | '´' | '`' | '‵' => out.push('\''),
            '″' | '“' | '”' | '„' | 'ʺ' | '‶' | '¨' => out.push('"'),
            'º' | '˚' | '∘' | '⁰' => out.push('°'),
            '，' => out.push(','),
            '(' | ')' | '[' | ']' | '{' | '}' => out.push(' '),
            c if c.is_whitespace() => out.push(' '),
            c => out.push(c),
        }
    }
    out.replace("''", "\"").trim().to_string()
}

fn is_tight(bytes: &[u8], at: usize) -> bool {
    let digit = |i: Option<usize>| i.and_then(|i| bytes.get(i)).is_some_and(u8::is_ascii_digit);
    bytes[at] == b',' && digit(at.checked_sub(1)) && digit(Some(at + 1))
}

fn tight_commas(text: &str) -> usize {
    (0..text.len())
        .filter(|&i| is_tight(text.as_bytes(), i))
        .count()
}

fn with_decimal_points(text: &str) -> String {
    let bytes = text.as_bytes();
    let point = |(i, c): (usize, char)| if is_tight(bytes, i) { '.' } else { c };
    text.char_indices().map(point).collect()
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Axis {
    Latitude,
    Longitude,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Token {
    /// Value, whether it has a minus sign, whether it has any sign, whether it has a fraction.
    Number {
        value: f64,
        minus: bool,
        signed: bool,
        fraction: bool,
    },
    Degrees,
    Minutes,
    Seconds,
    /// N, S, E or W: which axis, and whether it counts backwards.
    Side(Axis, bool),
    /// `lat` or `lon`.
    Named(Axis),
    /// Comma, semicolon and the like between the two numbers.
    Part,
}

/// Two angles in one text.
fn pair(text: &str) -> Option<Point> {
    let tokens = tokens(text)?;
    let (a, b) = split(&tokens)?;
    let ((a, axis_a), (b, axis_b)) = (angle(a)?, angle(b)?);
    use Axis::{Latitude, Longitude};
    let (lat, lon) = match (axis_a, axis_b) {
        (None | Some(Latitude), None | Some(Longitude)) => (a, b),
        (Some(Longitude), None | Some(Latitude)) | (None, Some(Latitude)) => (b, a),
        _ => return None,
    };
    Point::from_degrees(lat, lon)
}

fn tokens(text: &str) -> Option<Vec<Token>> {
    let mut tokens = Vec::new();
    let mut rest = text;
    let mut before = ' ';
    while let Some(c) = rest.chars().next() {
        let mut length = c.len_utf8();
        // A dash after a digit or symbol parts degrees, minutes and seconds; else it is a sign.
        let is_sign =
            matches!(c, '+' | '-') && !(before.is_ascii_digit() || "°'\"".contains(before));
        match c {
            ' ' | ':' | '=' => {}
            '-' if !is_sign => {}
            ',' | ';' | '/' | '|' => tokens.push(Token::Part),
            '°' => tokens.push(Token::Degrees),
            '\'' => tokens.push(Token::Minutes),
            '"' => tokens.push(Token::Seconds),
            _ if is_sign || c.is_ascii_digit() || c == '.' => {
                let digits = if is_sign {
                    rest[1..].trim_start()
                } else {
                    rest
                };
                let end = digits
                    .find(|c: char| !c.is_ascii_digit() && c != '.')
                    .unwrap_or(digits.len());
                let value: f64 = digits[..end].parse().ok()?;
                length = rest.len() - digits.len() + end;
                let fraction = digits[..end].contains('.');
                tokens.push(Token::Number {
                    value,
                    minus: c == '-',
                    signed: is_sign,
                    fraction,
                });
            }
            _ if c.is_alphabetic() => {
                length = rest
                    .find(|c: char| !c.is_alphabetic())
                    .unwrap_or(rest.len());
                tokens.push(word(&rest[..length])?);
                // "Lat." and the like.
                if rest[length..].starts_with(". ") {
                    length += 1;
                }
            }
            _ => return None,
        }
        before = rest[..length].chars().next_back().unwrap_or(' ');
        rest = &rest[length..];
    }
    Some(tokens)
}

fn word(word: &str) -> Option<Token> {
    use Axis::{Latitude, Longitude};
    Some(match word {
        "n" | "north" | "nord" | "norte" => Token::Side(Latitude, false),
        "s" | "south" | "süd" | "sud" | "sur" => Token::Side(Latitude, true),
        "e" | "east" | "est" | "ost" | "este" => Token::Side(Longitude, false),
        "w" | "west" | "ouest" | "oeste" | "ovest" => Token::Side(Longitude, true),
        "lat" | "latitude" => Token::Named(Latitude),
        "lon" | "lng" | "long" | "longitude" => Token::Named(Longitude),
        "d" | "deg" | "degree" | "degrees" => Token::Degrees,
        "m" | "min" | "minute" | "minutes" => Token::Minutes,
        "sec" | "second" | "seconds" => Token::Seconds,
        _ => return None,
    })
}

/// Where the first angle ends and the second begins.
fn split(tokens: &[Token]) -> Option<(&[Token], &[Token])> {
    let numbers: Vec<usize> = positions(tokens, |t| matches!(t, Token::Number { .. }));
    if numbers.len() < 2 || numbers.len() > 6 {
        return None;
    }
    // A part counts where it has numbers on both sides.
    let between = |&i: &usize| i > numbers[0] && i < numbers[numbers.len() - 1];
    let parts: Vec<usize> = positions(tokens, |t| *t == Token::Part)
        .into_iter()
        .filter(between)
        .collect();
    match parts.as_slice() {
        [at] => return Some((&tokens[..*at], &tokens[at + 1..])),
        [] => {}
        _ => return None,
    }
    let words = positions(tokens, |t| matches!(t, Token::Side(..) | Token::Named(_)));
    let at = match words.as_slice() {
        // Before the numbers: the second begins with its word. Behind them: the first ends with it.
        [first, second] if *first < numbers[0] => *second,
        [first, _] => first + 1,
        [] => {
            let degrees = positions(tokens, |t| *t == Token::Degrees);
            match degrees.as_slice() {
                [_, second] => *numbers.iter().rfind(|n| *n < second)?,
                _ if numbers.len().is_multiple_of(2) => numbers[numbers.len() / 2],
                _ => return None,
            }
        }
        // `lat 42 n lon 1 e`: the second name begins the second angle.
        _ => *positions(tokens, |t| matches!(t, Token::Named(_))).get(1)?,
    };
    Some(tokens.split_at(at))
}

fn positions(tokens: &[Token], is: impl Fn(&Token) -> bool) -> Vec<usize> {
    (0..tokens.len()).filter(|&i| is(&tokens[i])).collect()
}

/// Degrees of one angle, and its axis where a letter or word says so.
fn angle(tokens: &[Token]) -> Option<(f64, Option<Axis>)> {
    let mut numbers: Vec<f64> = Vec::new();
    let (mut minus, mut signed, mut fraction) = (false, false, false);
    let (mut side, mut named) = (None, None);
    let mut unit_of = 0;
    for token in tokens {
        match *token {
            Token::Part => {}
            Token::Number {
                value,
                minus: m,
                signed: s,
                fraction: f,
            } => {
                // Only the first number may have a sign, only the last a fraction.
                if numbers.len() == 3
                    || fraction
                    || (s && !numbers.is_empty())
                    || ended(side, &numbers)
                {
                    return None;
                }
                if numbers.is_empty() {
                    (minus, signed) = (m, s);
                }
                fraction = f;
                numbers.push(value);
            }
            Token::Degrees | Token::Minutes | Token::Seconds => {
                let unit = match token {
                    Token::Degrees => 1,
                    Token::Minutes => 2,
                    _ => 3,
                };
                // Each number has at most its own unit behind it.
                if numbers.len() != unit || unit_of >= unit {
                    return None;
                }
                unit_of = unit;
            }
            Token::Side(axis, backwards) => {
                if side.replace((axis, backwards, numbers.len())).is_some() {
                    return None;
                }
            }
            Token::Named(axis) => {
                if named.replace(axis).is_some() || !numbers.is_empty() {
                    return None;
                }
            }
        }
    }
    let degrees = *numbers.first()?;
    let smaller = numbers.get(1..)?;
    if smaller.iter().any(|n| *n >= 60.0) {
        return None;
    }
    let value =
        degrees + smaller.first().unwrap_or(&0.0) / 60.0 + smaller.get(1).unwrap_or(&0.0) / 3600.0;
    let axis = match (side, named) {
        (Some((axis, ..)), Some(other)) if axis != other => return None,
        (Some((axis, ..)), _) => Some(axis),
        (None, named) => named,
    };
    let backwards = match side {
        // A letter and a sign at once could mean either.
        Some(_) if signed => return None,
        Some((_, backwards, _)) => backwards,
        None => minus,
    };
    Some((if backwards { -value } else { value }, axis))
}

/// Whether a letter has already closed the angle: it stood behind its numbers.
fn ended(side: Option<(Axis, bool, usize)>, numbers: &[f64]) -> bool {
    side.is_some_and(|(_, _, at)| at > 0 && at == numbers.len())
}
