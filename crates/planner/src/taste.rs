//! Tastes: what a rider would ride longer for, and what not at all. A small document of its own,
//! in a tour or in a TOML file (`docs/taste-format.md`); `cost` turns it into weights.

use serde::de::{Error as _, MapAccess, Visitor, value::MapAccessDeserializer};
use serde::{Deserialize, Deserializer, Serialize};
use thiserror::Error;
use xxhash_rust::xxh3::xxh3_64;

/// Longest taste file that is read, bytes.
pub const MAX_BYTES: usize = 64_000;
/// Longest name, characters.
pub const MAX_NAME: usize = 60;
/// Longest text, characters.
pub const MAX_TEXT: usize = 500;
/// Highest price: minutes longer for ten minutes of the best road.
pub const MAX_LONGER_MIN: f32 = 30.0;

/// What a rider would ride longer for, and what not at all. Every dial left out stands as it does
/// in `fastest`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(deny_unknown_fields)]
pub struct Taste {
    /// What it is called.
    #[serde(deserialize_with = "name")]
    pub name: String,
    /// What it does, in plain words.
    #[serde(default, deserialize_with = "text")]
    pub text: String,
    /// What is to be least.
    #[serde(default)]
    pub counts: Counts,
    /// How much bends count, 0..=1, against the other four that make a road worth riding.
    #[serde(default, deserialize_with = "share")]
    pub bends: f32,
    /// How much hills and passes count, 0..=1.
    #[serde(default, deserialize_with = "share")]
    pub hills: f32,
    /// How much little traffic and few houses count, 0..=1.
    #[serde(default, deserialize_with = "share")]
    pub quiet: f32,
    /// How much woods, water and open land count, 0..=1.
    #[serde(default, deserialize_with = "share")]
    pub surroundings: f32,
    /// The price: for ten minutes of the best road, minutes one would ride longer, 0..=30.
    #[serde(default, deserialize_with = "price")]
    pub longer_min: f32,
    /// Ground one accepts and seeks.
    #[serde(default)]
    pub surface: SurfaceTaste,
    /// Motorways and roads signed like them.
    #[serde(default)]
    pub motorways: Leave,
    /// Toll roads.
    #[serde(default)]
    pub tolls: Leave,
    /// Ferries.
    #[serde(default)]
    pub ferries: Leave,
    /// Tracks that no tag opens to motor vehicles.
    #[serde(default)]
    pub unverified: Unverified,
}

/// What a taste makes least.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(rename_all = "snake_case")]
pub enum Counts {
    /// Riding time, dull time counted dearer by the price.
    #[default]
    Time,
    /// Length, whatever the road; no other dial matters.
    Length,
}

/// Whether a kind of road is ridden.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(rename_all = "snake_case")]
pub enum Leave {
    /// Like any other.
    #[default]
    Use,
    /// Only where it saves much.
    Avoid,
    /// Only where the tour begins or ends on it, or nothing else leads there.
    Never,
}

/// What a taste says of the ground.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(deny_unknown_fields)]
pub struct SurfaceTaste {
    /// The loosest ground one accepts; looser ground is ridden only where it saves very much.
    #[serde(default)]
    pub accept: Ground,
    /// How much unpaved ground counts as worth riding, 0..=1.
    #[serde(default, deserialize_with = "share")]
    pub seek_unpaved: f32,
}

/// Ground from firm to loose.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize,
)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(rename_all = "snake_case")]
pub enum Ground {
    /// Asphalt, concrete, stones; also roads of unknown surface that are no tracks.
    Paved,
    /// Rolled and fine gravel; firm tracks (grade 1 and 2).
    Compacted,
    /// Gravel and what is only said to be unpaved; tracks of grade 3.
    Gravel,
    /// Earth, rock, sand, mud; soft tracks, and tracks of which nothing is known.
    #[default]
    Anything,
}

/// How tracks that no tag opens to motor vehicles are treated. They are never shown as open.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(rename_all = "snake_case")]
pub enum Unverified {
    /// Only where the tour begins or ends on one, or nothing else leads there.
    #[default]
    Ends,
    /// Like other tracks: the rider finds out whether they are open. The plan warns of each.
    Ride,
}

/// Why a taste cannot be read, in plain words.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum TasteError {
    /// Longer than any taste.
    #[error("the taste is {bytes} bytes long, a taste has at most {MAX_BYTES}")]
    TooLarge {
        /// Length of what was given.
        bytes: usize,
    },
    /// No text.
    #[error("line {line} of the taste is not UTF-8 text")]
    NotUtf8 {
        /// Line, from 1.
        line: usize,
    },
    /// Not TOML, an unknown key, or a value that makes no sense.
    #[error("line {line} of the taste: {what}")]
    Unreadable {
        /// Line, from 1.
        line: usize,
        /// What is wrong there.
        what: String,
    },
}

impl Taste {
    /// Reads a TOML file; see `docs/taste-format.md`.
    pub fn read(toml: &[u8]) -> Result<Self, TasteError> {
        if toml.len() > MAX_BYTES {
            return Err(TasteError::TooLarge { bytes: toml.len() });
        }
        let line_of = |at: usize| 1 + toml.iter().take(at).filter(|&&b| b == b'\n').count();
        let text = std::str::from_utf8(toml).map_err(|e| TasteError::NotUtf8 {
            line: line_of(e.valid_up_to()),
        })?;
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let skipped = toml.len() - text.len();
        toml::from_str(text).map_err(|e| TasteError::Unreadable {
            line: line_of(e.span().map_or(0, |s| s.start + skipped)),
            what: e.message().replace('`', "'").replace('\n', ", "),
        })
    }

    /// The TOML file of this taste, with a word on each dial.
    pub fn write(&self) -> String {
        let Taste {
            counts,
            motorways,
            tolls,
            ferries,
            unverified,
            ..
        } = self;
        let accept = self.surface.accept;
        format!(
            "name = {}\ntext = {}\n\n\
             counts = {:14}  # what is to be least: time, or length whatever the road\n\
             longer_min = {:10?}  # for ten minutes of the best road, minutes longer: 0 to 30\n\n\
             # What makes a road worth riding: how much each counts, 0 to 1\n\
             bends = {:?}\nhills = {:?}\nquiet = {:?}\nsurroundings = {:?}\n\n\
             motorways = {:11}  # use, avoid or never\n\
             tolls = {:15}  # use, avoid or never\n\
             ferries = {:13}  # use, avoid or never\n\
             unverified = {:10}  # tracks no tag opens to motors: ends (of a leg only) or ride\n\n\
             [surface]\n\
             accept = {:14}  # the loosest: paved, compacted, gravel or anything\n\
             seek_unpaved = {:8?}  # how much unpaved ground counts, 0 to 1\n",
            word(&self.name),
            word(&self.text),
            word(counts),
            self.longer_min,
            self.bends,
            self.hills,
            self.quiet,
            self.surroundings,
            word(motorways),
            word(tolls),
            word(ferries),
            word(unverified),
            word(&accept),
            self.surface.seek_unpaved,
        )
    }

    /// Equal for tastes that weigh every road alike, whatever they are called.
    pub fn key(&self) -> u64 {
        match (self.counts, self.price() > 0.0 && self.seeks_any()) {
            (Counts::Length, _) => 1,
            (Counts::Time, true) => {
                self.hash(&[self.longer_min, self.bends, self.hills, self.quiet])
            }
            // Nothing to ride longer for: only what is left alone tells tastes apart.
            (Counts::Time, false) => Taste {
                surroundings: 0.0,
                surface: SurfaceTaste {
                    seek_unpaved: 0.0,
                    ..self.surface
                },
                ..self.clone()
            }
            .hash(&[0.0; 4]),
        }
    }

    /// Equal for tastes that find every road equally worth riding, whatever the price.
    pub fn worth_key(&self) -> u64 {
        self.hash(&[self.bends, self.hills, self.quiet])
    }

    fn hash(&self, dials: &[f32]) -> u64 {
        let own = [self.surroundings, self.surface.seek_unpaved];
        let mut bytes: Vec<u8> = [dials, &own]
            .concat()
            .iter()
            // Adding zero makes the two zeros one.
            .flat_map(|d| (d + 0.0).to_bits().to_le_bytes())
            .collect();
        bytes.extend([
            self.surface.accept as u8,
            self.motorways as u8,
            self.tolls as u8,
            self.ferries as u8,
            self.unverified as u8,
        ]);
        xxh3_64(&bytes)
    }

    /// What a minute of dull road costs beyond itself, in minutes.
    pub(crate) fn price(&self) -> f32 {
        // A value that never went through a reader may be anything.
        match self.longer_min.clamp(0.0, MAX_LONGER_MIN) {
            minutes if minutes.is_finite() => minutes / 10.0,
            _ => 0.0,
        }
    }

    /// Whether anything makes one road worth more than another.
    pub(crate) fn seeks_any(&self) -> bool {
        let dials = [self.bends, self.hills, self.quiet, self.surroundings];
        dials
            .iter()
            .chain([&self.surface.seek_unpaved])
            .any(|&d| d > 0.0)
    }

    /// The one every other is compared with: least riding time, never above the limits.
    pub fn fastest() -> Self {
        plain("fastest", "The least riding time, never above the limits.")
    }
}

fn plain(name: &str, text: &str) -> Taste {
    Taste {
        name: name.into(),
        text: text.into(),
        counts: Counts::Time,
        bends: 0.0,
        hills: 0.0,
        quiet: 0.0,
        surroundings: 0.0,
        longer_min: 0.0,
        surface: SurfaceTaste::default(),
        motorways: Leave::Use,
        tolls: Leave::Use,
        ferries: Leave::Use,
        unverified: Unverified::Ends,
    }
}

/// The tastes every installation has, in the order they are offered.
pub fn tastes() -> Vec<Taste> {
    let seeking = |seek_unpaved, accept| SurfaceTaste {
        accept,
        seek_unpaved,
    };
    vec![
        Taste::fastest(),
        Taste {
            counts: Counts::Length,
            ..plain("shortest", "The least distance, whatever the road.")
        },
        Taste {
            bends: 1.0,
            hills: 0.3,
            quiet: 0.2,
            surroundings: 0.1,
            longer_min: 15.0,
            surface: seeking(0.0, Ground::Paved),
            motorways: Leave::Avoid,
            ..plain(
                "winding",
                "Paved roads with bends and hills, for which it rides a good deal longer.",
            )
        },
        Taste {
            bends: 0.2,
            hills: 0.2,
            quiet: 1.0,
            surroundings: 0.7,
            longer_min: 10.0,
            surface: seeking(0.0, Ground::Paved),
            motorways: Leave::Avoid,
            ..plain(
                "quiet",
                "Paved roads with little traffic through open country, away from towns.",
            )
        },
        Taste {
            quiet: 0.1,
            surroundings: 0.1,
            longer_min: 20.0,
            surface: seeking(1.0, Ground::Anything),
            motorways: Leave::Avoid,
            ..plain(
                "dirt",
                "Unpaved roads and tracks that are open to motorcycles; the rest quietly.",
            )
        },
    ]
}

/// A taste in a tour: the name of a built-in one, or a whole one.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(untagged)]
pub enum TasteChoice {
    /// By name.
    Named(String),
    /// With all its dials.
    Whole(Box<Taste>),
}

impl TasteChoice {
    /// The taste, if there is one of that name.
    pub fn taste(&self) -> Option<Taste> {
        match self {
            TasteChoice::Named(name) => tastes().into_iter().find(|t| t.name == *name),
            TasteChoice::Whole(taste) => Some((**taste).clone()),
        }
    }

    /// What it is called.
    pub fn name(&self) -> &str {
        match self {
            TasteChoice::Named(name) => name,
            TasteChoice::Whole(taste) => &taste.name,
        }
    }
}

impl Default for TasteChoice {
    fn default() -> Self {
        "fastest".into()
    }
}

impl From<&str> for TasteChoice {
    fn from(name: &str) -> Self {
        TasteChoice::Named(name.into())
    }
}

impl From<Taste> for TasteChoice {
    fn from(taste: Taste) -> Self {
        TasteChoice::Whole(Box::new(taste))
    }
}

// By hand, since an untagged enum says only that nothing fitted.
impl<'de> Deserialize<'de> for TasteChoice {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct Either;
        impl<'de> Visitor<'de> for Either {
            type Value = TasteChoice;

            fn expecting(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
                f.write_str("the name of a taste, or a taste with its dials")
            }

            fn visit_str<E: serde::de::Error>(self, name: &str) -> Result<TasteChoice, E> {
                Ok(name.into())
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<TasteChoice, A::Error> {
                Taste::deserialize(MapAccessDeserializer::new(map)).map(TasteChoice::from)
            }
        }
        from.deserialize_any(Either)
    }
}

/// A word or a text in quotes; what JSON escapes, TOML escapes alike.
fn word<T: Serialize>(value: &T) -> String {
    serde_json::to_string(value).unwrap_or_default()
}

fn share<'de, D: Deserializer<'de>>(from: D) -> Result<f32, D::Error> {
    within(from, 1.0)
}

fn price<'de, D: Deserializer<'de>>(from: D) -> Result<f32, D::Error> {
    within(from, MAX_LONGER_MIN)
}

fn within<'de, D: Deserializer<'de>>(from: D, most: f32) -> Result<f32, D::Error> {
    let value = f64::deserialize(from)?;
    if (0.0..=f64::from(most)).contains(&value) {
        Ok(value as f32)
    } else {
        Err(D::Error::custom(format!(
            "a dial goes from 0 to {most}, {value} lies outside"
        )))
    }
}

fn name<'de, D: Deserializer<'de>>(from: D) -> Result<String, D::Error> {
    let name = line(from, "name", MAX_NAME)?;
    if name.trim().is_empty() {
        return Err(D::Error::custom("a taste needs a name"));
    }
    Ok(name)
}

fn text<'de, D: Deserializer<'de>>(from: D) -> Result<String, D::Error> {
    line(from, "text", MAX_TEXT)
}

fn line<'de, D: Deserializer<'de>>(from: D, what: &str, most: usize) -> Result<String, D::Error> {
    let text = String::deserialize(from)?;
    if text.chars().count() > most {
        return Err(D::Error::custom(format!(
            "the {what} has more than {most} characters"
        )));
    }
    if text.chars().any(char::is_control) {
        return Err(D::Error::custom(format!(
            "the {what} has characters that cannot be shown"
        )));
    }
    Ok(text)
}
