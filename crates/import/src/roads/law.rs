//! Legal default speed limits by country and kind of road, where no sign says otherwise.
//!
//! Values marked `CHECKED` follow the table "Default speed limits" of the OpenStreetMap wiki
//! (revision of 2023-10-21); the others are from memory of the national rules and want checking.
//! For motorcycles where the law treats them apart. km/h; [`N`] where the law sets none.

use region::NO_LIMIT_KMH as N;

/// Default limits of one country, km/h.
#[derive(Clone, Copy, Debug)]
pub struct Law {
    /// ISO 3166-1 code, or ISO 3166-2 for a part with its own rules.
    pub code: &'static str,
    /// Traffic keeps left.
    pub drives_left: bool,
    /// Built-up areas.
    pub urban: u8,
    /// Outside.
    pub rural: u8,
    /// Two carriageways outside.
    pub dual: u8,
    /// Roads for motor vehicles only.
    pub motorroad: u8,
    /// Motorways.
    pub motorway: u8,
    /// Living streets.
    pub living: u8,
    /// Unpaved roads outside.
    pub unpaved: u8,
    /// Whether the row was compared with a published table.
    pub checked: bool,
}

/// Where the country is unknown or not in the table: an assumption, not a law, and marked so.
pub const ASSUMED: Law = row("", false, 50, 80, 80, 80, 100, 20, 60, false);

/// The row of a country or, failing that, of the country a part belongs to.
pub fn of(code: &str) -> Option<&'static Law> {
    let find = |code: &str| LAWS.iter().find(|law| law.code == code);
    find(code).or_else(|| find(code.split('-').next()?))
}

/// Whether traffic keeps left.
pub fn drives_left(code: &str) -> bool {
    const ALSO_LEFT: [&str; 49] = [
        "AG", "AI", "BB", "BD", "BM", "BN", "BS", "BT", "BW", "CC", "CK", "CX", "DM", "FJ", "FK",
        "GD", "GY", "HK", "ID", "IN", "JM", "KE", "KI", "KN", "KY", "LC", "LK", "LS", "MO", "MS",
        "MU", "MV", "MW", "MY", "MZ", "NA", "NF", "NP", "NR", "PG", "PK", "SB", "SC", "SG", "SH",
        "TH", "TT", "TZ", "ZW",
    ];
    of(code).map_or(ALSO_LEFT.contains(&code), |law| law.drives_left)
}

#[rustfmt::skip]
#[allow(clippy::too_many_arguments)]
const fn row(
    code: &'static str, drives_left: bool, urban: u8, rural: u8, dual: u8, motorroad: u8,
    motorway: u8, living: u8, unpaved: u8, checked: bool,
) -> Law {
    Law { code, drives_left, urban, rural, dual, motorroad, motorway, living, unpaved, checked }
}

const LEFT: bool = true;
const RIGHT: bool = false;
const CHECKED: bool = true;
const MEMORY: bool = false;

#[rustfmt::skip]
const LAWS: &[Law] = &[
    //   code    side   urban rural dual motorroad motorway living unpaved
    row("AD",   RIGHT,  50,  90,  90,  90,  90,  20,  90, MEMORY),
    row("AL",   RIGHT,  40,  80,  80,  90, 110,  20,  80, MEMORY),
    row("AM",   RIGHT,  60,  90,  90,  90, 110,  20,  90, MEMORY),
    row("AT",   RIGHT,  50, 100, 100, 100, 130,  20, 100, CHECKED),
    row("AU",   LEFT,   50, 100, 100, 100, 110,  10, 100, MEMORY),
    row("BA",   RIGHT,  50,  80,  80, 100, 130,  10,  80, MEMORY),
    row("BE",   RIGHT,  50,  70,  90,  90, 120,  20,  70, MEMORY),
    row("BG",   RIGHT,  50,  80,  80,  90, 100,  20,  80, CHECKED),
    row("BY",   RIGHT,  60,  90,  90,  90,  90,  20,  90, MEMORY),
    row("CA",   RIGHT,  50,  80,  80,  80, 100,  20,  80, MEMORY),
    row("CH",   RIGHT,  50,  80,  80, 100, 120,  20,  80, CHECKED),
    row("CY",   LEFT,   50,  80,  80,  80, 100,  20,  80, MEMORY),
    row("CZ",   RIGHT,  50,  90,  90, 110, 130,  20,  90, MEMORY),
    row("DE",   RIGHT,  50, 100,   N, 100,   N,   7, 100, CHECKED),
    row("DK",   RIGHT,  50,  80,  80,  80, 130,  15,  80, MEMORY),
    row("EE",   RIGHT,  50,  90,  90,  90,  90,  20,  90, MEMORY),
    row("ES",   RIGHT,  30,  90,  90,  90, 120,  20,  30, CHECKED),
    row("FI",   RIGHT,  50,  80,  80,  80, 120,  20,  80, MEMORY),
    row("FO",   RIGHT,  50,  80,  80,  80,  80,  15,  80, MEMORY),
    row("FR",   RIGHT,  50,  80, 110, 110, 130,  20,  80, CHECKED),
    row("GB",   LEFT,   48,  96, 112, 112, 112,  32,  96, CHECKED),
    row("GE",   RIGHT,  60,  90,  90,  90, 110,  20,  90, MEMORY),
    row("GG",   LEFT,   40,  56,  56,  56,  56,  24,  56, MEMORY),
    row("GI",   RIGHT,  50,  50,  50,  50,  50,  20,  50, MEMORY),
    row("GR",   RIGHT,  50,  90,  90, 110, 130,  20,  90, MEMORY),
    row("HR",   RIGHT,  50,  90,  90, 110, 130,  10,  90, MEMORY),
    row("HU",   RIGHT,  50,  90,  90, 110, 130,  20,  90, MEMORY),
    row("IE",   LEFT,   50,  80, 100, 100, 120,  20,  80, MEMORY),
    row("IM",   LEFT,   48,   N,   N,   N,   N,  32,   N, MEMORY),
    row("IS",   RIGHT,  50,  90,  90,  90,  90,  15,  80, MEMORY),
    row("IT",   RIGHT,  50,  90, 110, 110, 130,  30,  90, CHECKED),
    row("JE",   LEFT,   64,  64,  64,  64,  64,  24,  64, MEMORY),
    row("JP",   LEFT,   60,  60,  60,  60, 100,  20,  60, MEMORY),
    row("LI",   RIGHT,  50,  80,  80, 100, 120,  20,  80, MEMORY),
    row("LT",   RIGHT,  50,  90,  90, 110, 130,  20,  70, MEMORY),
    row("LU",   RIGHT,  50,  90,  90,  90, 130,  20,  90, MEMORY),
    row("LV",   RIGHT,  50,  90,  90,  90, 100,  20,  80, MEMORY),
    row("MA",   RIGHT,  60, 100, 100, 100, 120,  20, 100, MEMORY),
    row("MC",   RIGHT,  50,  50,  50,  50,  50,  20,  50, MEMORY),
    row("MD",   RIGHT,  50,  90,  90,  90, 110,  20,  90, MEMORY),
    row("ME",   RIGHT,  50,  80,  80, 100, 130,  10,  80, MEMORY),
    row("MK",   RIGHT,  50,  80,  80, 100, 120,  10,  80, MEMORY),
    row("MT",   LEFT,   50,  80,  80,  80,  80,  20,  80, MEMORY),
    row("NL",   RIGHT,  50,  80,  80, 100, 100,  15,  80, MEMORY),
    row("NO",   RIGHT,  50,  80,  80,  90, 110,  15,  80, CHECKED),
    row("NU",   LEFT,   40,  60,  60,  60,  60,  20,  60, MEMORY),
    row("NZ",   LEFT,   50, 100, 100, 100, 100,  20, 100, MEMORY),
    row("PL",   RIGHT,  50,  90, 100, 100, 140,  20,  90, MEMORY),
    row("PT",   RIGHT,  50,  90,  90, 100, 120,  20,  90, MEMORY),
    row("RO",   RIGHT,  50,  80,  80,  90, 110,  20,  80, MEMORY),
    row("RS",   RIGHT,  50,  80,  80, 100, 130,  10,  80, MEMORY),
    row("RU",   RIGHT,  60,  90,  90,  90,  90,  20,  90, MEMORY),
    row("SE",   RIGHT,  50,  70,  70,  90, 110,   7,  70, MEMORY),
    row("SI",   RIGHT,  50,  90,  90, 110, 130,  10,  90, MEMORY),
    row("SK",   RIGHT,  50,  90,  90, 130, 130,  20,  90, MEMORY),
    row("SM",   RIGHT,  50,  70,  70,  70,  90,  20,  70, MEMORY),
    row("TR",   RIGHT,  50,  80,  90,  90, 100,  20,  80, CHECKED),
    row("UA",   RIGHT,  50,  90,  90, 110, 130,  20,  90, MEMORY),
    row("US",   RIGHT,  40,  88,  88,  88, 104,  24,  88, MEMORY),
    row("US-CO",RIGHT,  48,  88,  88,  88, 104,  24,  88, CHECKED),
    row("VA",   RIGHT,  30,  30,  30,  30,  30,  20,  30, MEMORY),
    row("XK",   RIGHT,  50,  80,  80, 100, 130,  10,  80, MEMORY),
    row("ZA",   LEFT,   60, 100, 100, 100, 120,  20, 100, MEMORY),
];
