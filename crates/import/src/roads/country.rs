//! Which country a place is in where no border in the extract tells: the codes that mappers wrote
//! into speed limits (`DE:rural`) vote by cell of a quarter degree; where all roads agree, their country holds everywhere.

use std::collections::BTreeMap;

use region::Point;

use super::limits::Limit;

/// Side of a voting cell.
const CELL_E7: i32 = 2_500_000;

type Votes = BTreeMap<String, u32>;

/// The votes of all roads.
#[derive(Default)]
pub struct CountryVotes {
    cells: BTreeMap<(i32, i32), Votes>,
    all: Votes,
}

impl CountryVotes {
    /// Notes the country that a limit on a road names.
    pub fn add(&mut self, at: Point, limit: &Limit) {
        if let Limit::Zone(_, Some(code)) = limit {
            *self
                .cells
                .entry(cell(at))
                .or_default()
                .entry(code.clone())
                .or_default() += 1;
            *self.all.entry(code.clone()).or_default() += 1;
        }
    }

    /// The country most named around a place.
    pub fn at(&self, at: Point) -> Option<&str> {
        // Far from any vote the answer is safe only if there is but one.
        let all = Some(&self.all).filter(|all| all.len() == 1);
        let votes = self.cells.get(&cell(at)).or(all)?;
        let best = votes
            .iter()
            .max_by_key(|(code, n)| (**n, std::cmp::Reverse(*code)));
        best.map(|(code, _)| code.as_str())
    }
}

fn cell(at: Point) -> (i32, i32) {
    (at.lat_e7.div_euclid(CELL_E7), at.lon_e7.div_euclid(CELL_E7))
}
