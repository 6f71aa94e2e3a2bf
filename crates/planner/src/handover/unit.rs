//! Unit sheets: what one kind of GPS unit takes.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::files::Letters;

/// Why a text is no unit sheet.
#[derive(Debug, Error)]
pub enum SheetError {
    /// Not TOML, or not of this shape.
    #[error("the unit sheet cannot be read: {0}")]
    Shape(String),
    /// A number out of its range.
    #[error(
        "the unit sheet {sheet:?} asks for {what} {value}, which must lie within {least} and {most}"
    )]
    Range {
        /// Name of the sheet.
        sheet: String,
        /// The field.
        what: &'static str,
        /// What it says.
        value: f64,
        /// Lowest sensible value.
        least: f64,
        /// Highest sensible value.
        most: f64,
    },
    /// Neither routes nor tracks.
    #[error("the unit sheet {0:?} understands neither route nor track: nothing can be handed over")]
    Nothing(String),
}

/// What a unit understands of a GPX file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Element {
    /// Lines to follow.
    Track,
    /// Points to be routed between.
    Route,
    /// Places by themselves.
    Waypoint,
}

/// Letters a unit can show.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Alphabet {
    /// Printable ASCII.
    Ascii,
    /// Western European letters too.
    Latin,
    /// Any.
    Any,
}

impl Alphabet {
    pub(super) fn letters(self) -> Letters {
        match self {
            Alphabet::Ascii => Letters::Ascii,
            Alphabet::Latin => Letters::Latin,
            Alphabet::Any => Letters::All,
        }
    }
}

/// The limits of one kind of GPS unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sheet {
    /// Name.
    pub name: String,
    /// What it is for, in plain words.
    #[serde(default)]
    pub text: String,
    /// Most points of one route.
    pub route_points: u32,
    /// Most points of one track.
    pub track_points: u32,
    /// Longest name, letters.
    pub name_length: u32,
    /// Letters it can show.
    pub letters: Alphabet,
    /// What it understands.
    pub elements: Vec<Element>,
    /// Takes several days in one file.
    #[serde(default)]
    pub several_days: bool,
    /// A day with too many points may be given as several routes; otherwise points are left out.
    #[serde(default = "yes")]
    pub splits: bool,
    /// Most a track may be off the line to save points, metres.
    #[serde(default = "tolerance")]
    pub tolerance_m: f64,
    /// Folder on the unit, from its top, may be empty.
    #[serde(default)]
    pub folder: String,
}

fn yes() -> bool {
    true
}

fn tolerance() -> f64 {
    5.0
}

impl Sheet {
    /// Reads a sheet from TOML.
    pub fn read(toml: &str) -> Result<Self, SheetError> {
        let sheet: Sheet = toml::from_str(toml).map_err(|e| {
            SheetError::Shape(
                e.to_string()
                    .split_whitespace()
                    .collect::<Vec<_>>()
                    .join(" "),
            )
        })?;
        sheet.check()?;
        Ok(sheet)
    }

    /// Refuses limits that nothing can be made to fit.
    pub fn check(&self) -> Result<(), SheetError> {
        for (what, value, least, most) in [
            ("route_points", f64::from(self.route_points), 0.0, 1e6),
            ("track_points", f64::from(self.track_points), 0.0, 1e7),
            ("name_length", f64::from(self.name_length), 4.0, 1000.0),
            ("tolerance_m", self.tolerance_m, 0.0, 100.0),
        ] {
            if !(least..=most).contains(&value) {
                return Err(SheetError::Range {
                    sheet: self.name.clone(),
                    what,
                    value,
                    least,
                    most,
                });
            }
        }
        if !self.routes() && !self.tracks() {
            return Err(SheetError::Nothing(self.name.clone()));
        }
        Ok(())
    }

    /// Whether routes can be given.
    pub fn routes(&self) -> bool {
        self.elements.contains(&Element::Route) && self.route_points >= 2
    }

    /// Whether tracks can be given.
    pub fn tracks(&self) -> bool {
        self.elements.contains(&Element::Track) && self.track_points >= 2
    }

    /// The sheets every installation has, named by what the units can do.
    pub fn built_in() -> Vec<Sheet> {
        SHEETS
            .iter()
            .filter_map(|text| Sheet::read(text).ok())
            .collect()
    }

    /// A built-in sheet by its name.
    pub fn named(name: &str) -> Option<Sheet> {
        Sheet::built_in().into_iter().find(|s| s.name == name)
    }
}

const SHEETS: [&str; 5] = [
    include_str!("units/older.toml"),
    include_str!("units/common.toml"),
    include_str!("units/roomy.toml"),
    include_str!("units/phone.toml"),
    include_str!("units/track-only.toml"),
];
