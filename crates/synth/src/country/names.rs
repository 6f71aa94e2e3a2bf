//! Names of an invented tongue, and their spelling in two more scripts.

use std::collections::HashSet;

use super::random::Dice;

const ONSETS: [&str; 30] = [
    "v", "br", "l", "m", "s", "t", "d", "k", "r", "n", "gr", "h", "p", "z", "tr", "f", "vr", "sk",
    "dr", "j", "kl", "st", "g", "b", "ll", "ş", "ž", "ñ", "vl", "ts",
];
const VOWELS: [&str; 18] = [
    "a", "e", "i", "o", "u", "é", "ö", "à", "ai", "ou", "ie", "ü", "ê", "â", "a", "e", "o", "i",
];
const CODAS: [&str; 12] = ["", "", "", "", "n", "l", "r", "s", "th", "m", "sk", "rn"];
const ENDINGS: [&str; 14] = [
    "ève", "oran", "aşt", "umë", "ilde", "avre", "öth", "ennik", "asque", "ûr", "olva", "ieth",
    "andre", "oume",
];

/// Gives every name once.
pub(crate) struct Names {
    dice: Dice,
    used: HashSet<String>,
}

impl Names {
    pub(crate) fn new(seed: u64) -> Self {
        Self {
            dice: Dice::new(seed, 77),
            used: HashSet::new(),
        }
    }

    /// A name of two or three syllables.
    pub(crate) fn place(&mut self) -> String {
        let mut extra = 0;
        loop {
            let mut name = String::new();
            let syllables = 1 + self.dice.below(2) + extra / 8;
            for at in 0..syllables {
                name.push_str(self.dice.pick::<&str>(&ONSETS));
                name.push_str(self.dice.pick::<&str>(&VOWELS));
                if at + 1 < syllables {
                    name.push_str(self.dice.pick::<&str>(&CODAS));
                }
            }
            name.push_str(self.dice.pick::<&str>(&ONSETS[..20]));
            name.push_str(self.dice.pick::<&str>(&ENDINGS));
            let name = capital(&name);
            extra += 1;
            if self.used.insert(name.clone()) {
                return name;
            }
        }
    }

    /// A name after a pattern such as "Sarn %".
    pub(crate) fn with(&mut self, pattern: &str) -> String {
        pattern.replace('%', &self.place())
    }

    pub(crate) fn street(&mut self) -> String {
        let patterns = ["Velt %", "% vel", "Toum %", "Rann %", "% aldi"];
        let pattern = *self.dice.pick(&patterns);
        self.with(pattern)
    }
}

fn capital(word: &str) -> String {
    let mut letters = word.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => String::new(),
    }
}

/// The name in Greek letters.
pub(crate) fn greek(name: &str) -> String {
    spell(
        name,
        &[
            ("th", "θ"),
            ("ou", "ου"),
            ("ts", "τσ"),
            ("ai", "αι"),
            ("qu", "κ"),
            ("a", "α"),
            ("b", "μπ"),
            ("d", "δ"),
            ("e", "ε"),
            ("f", "φ"),
            ("g", "γ"),
            ("h", "χ"),
            ("i", "ι"),
            ("j", "τζ"),
            ("k", "κ"),
            ("l", "λ"),
            ("m", "μ"),
            ("n", "ν"),
            ("o", "ο"),
            ("p", "π"),
            ("r", "ρ"),
            ("s", "σ"),
            ("t", "τ"),
            ("u", "υ"),
            ("v", "β"),
            ("z", "ζ"),
            ("é", "έ"),
            ("ö", "ω"),
            ("à", "ά"),
            ("ü", "ύ"),
            ("ê", "η"),
            ("â", "ά"),
            ("è", "έ"),
            ("ş", "σ"),
            ("ž", "ζ"),
            ("ñ", "νι"),
            ("ë", "ε"),
            ("û", "ού"),
        ],
    )
}

/// The name in Cyrillic letters.
pub(crate) fn cyrillic(name: &str) -> String {
    spell(
        name,
        &[
            ("th", "т"),
            ("ou", "у"),
            ("ts", "ц"),
            ("ai", "аj"),
            ("qu", "к"),
            ("a", "а"),
            ("b", "б"),
            ("d", "д"),
            ("e", "е"),
            ("f", "ф"),
            ("g", "г"),
            ("h", "х"),
            ("i", "и"),
            ("j", "ј"),
            ("k", "к"),
            ("l", "л"),
            ("m", "м"),
            ("n", "н"),
            ("o", "о"),
            ("p", "п"),
            ("r", "р"),
            ("s", "с"),
            ("t", "т"),
            ("u", "у"),
            ("v", "в"),
            ("z", "з"),
            ("é", "э"),
            ("ö", "ё"),
            ("à", "а"),
            ("ü", "ю"),
            ("ê", "є"),
            ("â", "я"),
            ("è", "э"),
            ("ş", "ш"),
            ("ž", "ж"),
            ("ñ", "њ"),
            ("ë", "ё"),
            ("û", "ы"),
        ],
    )
}

fn spell(name: &str, letters: &[(&str, &str)]) -> String {
    let lower = name.to_lowercase();
    let mut rest = lower.as_str();
    let mut out = String::new();
    while let Some(first) = rest.chars().next() {
        match letters.iter().find(|(latin, _)| rest.starts_with(latin)) {
            Some((latin, other)) => {
                out.push_str(other);
                rest = &rest[latin.len()..];
            }
            None => {
                out.push(first);
                rest = &rest[first.len_utf8()..];
            }
        }
    }
    // Greek writes another sigma at the end of a word.
    if let Some(stem) = out.strip_suffix('σ') {
        out = format!("{stem}ς");
    }
    capital(&out)
}
