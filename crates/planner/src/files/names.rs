//! Names that old units and all file systems take.

use std::collections::{HashMap, HashSet};

use deunicode::deunicode_with_tofu;

/// Which letters a unit can show.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Letters {
    /// Printable ASCII only.
    Ascii,
    /// Western European letters (ISO 8859-1) too.
    Latin,
    /// Any.
    All,
}

/// A name of at most `max` characters in the given letters: other scripts transliterated, blanks
/// closed up, punctuation that units trip over left out. May be empty.
pub fn plain_name(text: &str, max: usize, letters: Letters) -> String {
    let mut out = String::new();
    for c in text.chars() {
        let fits = match letters {
            Letters::Ascii => c.is_ascii(),
            Letters::Latin => (c as u32) < 0x100,
            Letters::All => true,
        };
        if fits {
            out.push(c);
        } else if c.is_alphanumeric() || c < '\u{2200}' {
            out.push_str(&deunicode_with_tofu(c.encode_utf8(&mut [0; 4]), ""));
        } else {
            // Pictures would become English words.
            out.push(' ');
        }
    }
    let kept = |c: char| c.is_alphanumeric() || "-_.,'()+&/#".contains(c);
    let spaced: String = match letters {
        Letters::All => out.chars().filter(|c| !c.is_control()).collect(),
        _ => out.chars().map(|c| if kept(c) { c } else { ' ' }).collect(),
    };
    let joined = spaced.split_whitespace().collect::<Vec<_>>().join(" ");
    let cut: String = joined.chars().take(max).collect();
    cut.trim_end_matches([' ', '-', ',', '(', '/', '&', '+'])
        .to_string()
}

/// Makes names different from each other, whatever the case of their letters, by numbers at their
/// ends, within `max` characters. Empty ones stay empty.
pub fn unique_names(names: &mut [String], max: usize) {
    let mut taken = HashSet::new();
    let mut next: HashMap<String, usize> = HashMap::new();
    for name in names.iter_mut().filter(|n| !n.is_empty()) {
        let base = name.to_lowercase();
        let mut number = next.get(&base).copied().unwrap_or(2);
        while !taken.insert(name.to_lowercase()) {
            let ending = format!(" {number}");
            let room = max.saturating_sub(ending.chars().count());
            let stem: String = base_of(name, number).chars().take(room).collect();
            *name = format!("{}{ending}", stem.trim_end());
            number += 1;
        }
        next.insert(base, number);
    }
}

/// The name without the number that the round before gave it.
fn base_of(name: &str, number: usize) -> &str {
    if number == 2 {
        name
    } else {
        name.strip_suffix(&format!(" {}", number - 1))
            .unwrap_or(name)
    }
}

/// Longest file name, ending included.
const FILE_NAME_MAX: usize = 32;

/// File names for rides: ASCII letters, digits, `-` and `_` before the `ending` (with its dot), at
/// most 32 characters, none reserved by an operating system, no two alike on any file system.
pub fn file_names(wanted: &[String], ending: &str) -> Vec<String> {
    let room = FILE_NAME_MAX.saturating_sub(ending.len()).max(1);
    let mut taken = HashSet::new();
    let mut name_one = |wanted: &String| {
        let plain = plain_name(wanted, usize::MAX, Letters::Ascii);
        let kept = |c: char| {
            if c.is_ascii_alphanumeric() || c == '_' {
                c
            } else {
                ' '
            }
        };
        let spaced: String = plain.chars().map(kept).collect();
        let mut stem = spaced.split_whitespace().collect::<Vec<_>>().join("-");
        if stem.is_empty() {
            stem = "tour".into();
        }
        if is_reserved(&stem) {
            stem.insert_str(0, "tour-");
        }
        let mut number = 1;
        loop {
            let suffix = if number == 1 {
                String::new()
            } else {
                format!("-{number}")
            };
            let cut: String = stem
                .chars()
                .take(room.saturating_sub(suffix.len()))
                .collect();
            let name = format!("{}{suffix}", cut.trim_end_matches('-'));
            if taken.insert(name.to_ascii_lowercase()) {
                return name + ending;
            }
            number += 1;
        }
    };
    wanted.iter().map(&mut name_one).collect()
}

/// Device names that Windows keeps for itself, with any ending.
fn is_reserved(stem: &str) -> bool {
    let upper = stem.to_ascii_uppercase();
    let numbered = |device: &str| {
        upper
            .strip_prefix(device)
            .is_some_and(|n| n.len() == 1 && n.bytes().all(|b| b.is_ascii_digit()))
    };
    matches!(upper.as_str(), "CON" | "PRN" | "AUX" | "NUL") || numbered("COM") || numbered("LPT")
}

/// Foreign text fit for a message: one short line.
pub(super) fn shown(text: &str) -> String {
    let mut chars = text.chars();
    let mut out: String = chars
        .by_ref()
        .take(80)
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    if chars.next().is_some() {
        out.push('…');
    }
    out
}
