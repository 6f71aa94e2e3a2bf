//! Small test maps from ASCII art.
//!
//! ```
//! let world = synth::ascii("A--B\n|  |\nC--D")
//!     .way("AB", &[("oneway", "yes")])
//!     .restriction("no_left_turn", "ABD", &[])
//!     .build()
//!     .unwrap();
//! assert_eq!(world.ways.len(), 4);
//! assert!(world.lat_lon('A').is_some());
//! ```
//!
//! Letters and digits are junctions, `-` `|` `/` `\` are road, `+` is a bend in a road; each
//! character is one step of the grid. A road is the run of pieces from one letter to the next;
//! signs side by side with no piece between them are not
//! joined. Every road becomes one way, `highway=unclassified`
//! unless told otherwise, in reading order (from the upper or left end).

use std::collections::{BTreeMap, BTreeSet};

use crate::relief::{Plane, Relief};
use crate::world::{Member, MemberKind, Node, Relation, Tags, Way, World};

/// Ids of bends and of points beside the road begin here; junctions use their letter's code.
const FIRST_FREE_NODE_ID: i64 = 1000;

/// Starts a sketch; see the [module documentation](self) for the drawing rules.
pub fn ascii(art: &str) -> Sketch {
    Sketch {
        art: art.to_owned(),
        spacing_m: 100.0,
        origin: (45.0, -30.0),
        defaults: owned(&[("highway", "unclassified")]),
        ways: Vec::new(),
        nodes: Vec::new(),
        beside: Vec::new(),
        restrictions: Vec::new(),
        relief: None,
    }
}

/// A drawing that is turned into a [`World`] by [`Sketch::build`].
#[must_use]
#[derive(Debug, Clone)]
pub struct Sketch {
    art: String,
    spacing_m: f64,
    origin: (f64, f64),
    defaults: Tags,
    ways: Vec<(String, Tags)>,
    nodes: Vec<(char, Tags)>,
    beside: Vec<(char, (f64, f64), Tags)>,
    restrictions: Vec<(String, String, Tags)>,
    relief: Option<fn(f64, f64) -> f64>,
}

/// Why a drawing is no map. Rows and columns count from 1.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SketchError {
    /// A character without meaning.
    #[error("drawing row {row}, column {column}: '{character}' is no junction and no road")]
    Character {
        /// Row.
        row: usize,
        /// Column.
        column: usize,
        /// The character.
        character: char,
    },
    /// The same letter twice.
    #[error("drawing: junction {0} is drawn twice")]
    Twice(char),
    /// A road piece that leads nowhere, or a `+` that is not a bend of one road.
    #[error("drawing row {row}, column {column}: the road does not go on to a junction")]
    LooseEnd {
        /// Row.
        row: usize,
        /// Column.
        column: usize,
    },
    /// A path such as "AB" names roads that are not drawn, or two at once.
    #[error("drawing: {found} roads are drawn between {from} and {to}, one was asked for")]
    Road {
        /// First letter.
        from: char,
        /// Second letter.
        to: char,
        /// Number of roads found.
        found: usize,
    },
    /// A letter that is not drawn.
    #[error("drawing: there is no junction {0}")]
    Letter(char),
    /// A path with too few letters.
    #[error("drawing: \"{0}\" is too short for a path")]
    Short(String),
}

impl Sketch {
    /// Metres between neighbouring characters (100 unless told otherwise).
    pub fn spacing_m(mut self, spacing_m: f64) -> Self {
        self.spacing_m = spacing_m;
        self
    }

    /// Latitude and longitude in degrees of the upper left character (45 N 30 W).
    pub fn origin(mut self, lat: f64, lon: f64) -> Self {
        self.origin = (lat, lon);
        self
    }

    /// Replaces the tags that every road starts with.
    pub fn defaults(mut self, tags: &[(&str, &str)]) -> Self {
        self.defaults = owned(tags);
        self
    }

    /// Gives tags to the road through these letters, which then runs in their order. More than
    /// two letters join several roads into one way. An empty value removes a default tag.
    pub fn way(mut self, path: &str, tags: &[(&str, &str)]) -> Self {
        self.ways.push((path.to_owned(), owned(tags)));
        self
    }

    /// Adds tags to a junction: a barrier, a ford, traffic signals.
    pub fn node(mut self, letter: char, tags: &[(&str, &str)]) -> Self {
        self.nodes.push((letter, owned(tags)));
        self
    }

    /// Adds a point off the road, `east_m` and `north_m` from a junction: a place, fuel, a peak.
    pub fn place(
        mut self,
        near: char,
        (east_m, north_m): (f64, f64),
        tags: &[(&str, &str)],
    ) -> Self {
        self.beside.push((near, (east_m, north_m), owned(tags)));
        self
    }

    /// A turn restriction along a path: "ABC" has road AB as `from`, junction B as `via` and road
    /// BC as `to`; with more letters the roads between are the `via` ways.
    pub fn restriction(mut self, kind: &str, path: &str, tags: &[(&str, &str)]) -> Self {
        self.restrictions
            .push((kind.to_owned(), path.to_owned(), owned(tags)));
        self
    }

    /// Height in metres as a function of metres east and north of the upper left character.
    pub fn relief(mut self, height_m: fn(f64, f64) -> f64) -> Self {
        self.relief = Some(height_m);
        self
    }

    /// Reads the drawing.
    ///
    /// # Errors
    /// The first thing that cannot be read, with its place in the drawing.
    pub fn build(&self) -> Result<World, SketchError> {
        let grid = Grid::read(&self.art)?;
        let plane = Plane::new(self.origin.0, self.origin.1);
        let place = |(row, column): Cell, (east_m, north_m): (f64, f64)| {
            plane.to_e7(
                column as f64 * self.spacing_m + east_m,
                north_m - row as f64 * self.spacing_m,
            )
        };

        let mut nodes: BTreeMap<i64, Node> = BTreeMap::new();
        let mut add = |id: i64, at: Cell, offset, tags: Tags| {
            let (lat_e7, lon_e7) = place(at, offset);
            nodes.insert(
                id,
                Node {
                    id,
                    lat_e7,
                    lon_e7,
                    tags,
                },
            );
        };
        for (&letter, &cell) in &grid.letters {
            let given = self.nodes.iter().filter(|(l, _)| *l == letter);
            let tags = given.fold(Tags::new(), |tags, (_, more)| overlay(tags, more));
            add(letter as i64, cell, (0.0, 0.0), tags);
        }
        for (at, &cell) in grid.bends.iter().enumerate() {
            add(
                FIRST_FREE_NODE_ID + at as i64,
                cell,
                (0.0, 0.0),
                Tags::new(),
            );
        }
        let free_ids = FIRST_FREE_NODE_ID + grid.bends.len() as i64..;
        for (free_id, (letter, offset, tags)) in free_ids.zip(&self.beside) {
            add(free_id, grid.letter(*letter)?, *offset, tags.clone());
        }
        for (letter, _) in &self.nodes {
            grid.letter(*letter)?;
        }

        let (ways, way_of_road) = self.ways(&grid)?;
        let relations = self.relations(&grid, &way_of_road)?;
        let relief = self.relief.map(|height_m| {
            let margin = 10;
            let step_m = self.spacing_m.min(50.0);
            let posts = |cells: usize| {
                (cells as f64 * self.spacing_m / step_m).ceil() as usize + 2 * margin + 1
            };
            let west_m = -(margin as f64) * step_m;
            let rows = posts(grid.rows);
            let south_m = (margin as f64 - (rows - 1) as f64) * step_m;
            Relief::sample(
                plane,
                (west_m, south_m),
                step_m,
                (posts(grid.columns), rows),
                height_m,
            )
        });
        Ok(World {
            nodes: nodes.into_values().collect(),
            ways,
            relations,
            relief,
            letters: grid.letters.keys().map(|&l| (l, l as i64)).collect(),
        })
    }

    /// The ways in order, and for each road of the grid the id of its way.
    fn ways(&self, grid: &Grid) -> Result<(Vec<Way>, Vec<i64>), SketchError> {
        let mut ways = Vec::new();
        let mut way_of_road = vec![0; grid.roads.len()];
        // Paths that name the same roads again only add tags.
        for (path, tags) in &self.ways {
            let roads = grid.path(path)?;
            let known = roads.first().map_or(0, |&(road, _)| way_of_road[road]);
            if known > 0 && roads.iter().all(|&(road, _)| way_of_road[road] == known) {
                let way: &mut Way = &mut ways[known as usize - 1];
                way.tags = overlay(std::mem::take(&mut way.tags), tags);
                continue;
            }
            let id = ways.len() as i64 + 1;
            let mut refs: Vec<i64> = Vec::new();
            for &(road, forward) in &roads {
                way_of_road[road] = id;
                let mut piece = grid.roads[road].clone();
                if !forward {
                    piece.reverse();
                }
                refs.extend(&piece[usize::from(!refs.is_empty())..]);
            }
            ways.push(Way {
                id,
                refs,
                tags: overlay(self.defaults.clone(), tags),
            });
        }
        for (road, refs) in grid.roads.iter().enumerate() {
            if way_of_road[road] == 0 {
                let id = ways.len() as i64 + 1;
                way_of_road[road] = id;
                ways.push(Way {
                    id,
                    refs: refs.clone(),
                    tags: self.defaults.clone(),
                });
            }
        }
        Ok((ways, way_of_road))
    }

    fn relations(&self, grid: &Grid, way_of_road: &[i64]) -> Result<Vec<Relation>, SketchError> {
        let mut relations = Vec::new();
        for (kind, path, more) in &self.restrictions {
            let roads = grid.path(path)?;
            let [first, via @ .., last] = roads.as_slice() else {
                return Err(SketchError::Short(path.clone()));
            };
            let way = |road: usize, role: &str| Member {
                kind: MemberKind::Way,
                id: way_of_road[road],
                role: role.to_owned(),
            };
            let mut members = vec![way(first.0, "from")];
            if via.is_empty() {
                let junction = path.chars().nth(1).unwrap_or_default();
                members.push(Member {
                    kind: MemberKind::Node,
                    id: junction as i64,
                    role: "via".to_owned(),
                });
            }
            members.extend(via.iter().map(|&(road, _)| way(road, "via")));
            members.push(way(last.0, "to"));
            let tags = overlay(
                owned(&[("type", "restriction"), ("restriction", kind)]),
                more,
            );
            relations.push(Relation {
                id: relations.len() as i64 + 1,
                members,
                tags,
            });
        }
        Ok(relations)
    }
}

fn owned(tags: &[(&str, &str)]) -> Tags {
    tags.iter()
        .map(|&(k, v)| (k.to_owned(), v.to_owned()))
        .collect()
}

/// `more` over `tags`: same keys replaced, empty values removed.
fn overlay(mut tags: Tags, more: &Tags) -> Tags {
    for (key, value) in more {
        tags.retain(|(k, _)| k != key);
        if !value.is_empty() {
            tags.push((key.clone(), value.clone()));
        }
    }
    tags
}

/// (row, column) from the upper left.
type Cell = (usize, usize);
/// A step in rows and columns.
type Step = (isize, isize);

/// The eight steps with the piece of road that carries them.
const STEPS: [(Step, char); 8] = [
    ((0, 1), '-'),
    ((1, 1), '\\'),
    ((1, 0), '|'),
    ((1, -1), '/'),
    ((0, -1), '-'),
    ((-1, -1), '\\'),
    ((-1, 0), '|'),
    ((-1, 1), '/'),
];

/// The drawing, taken apart into junctions and roads.
struct Grid {
    lines: Vec<Vec<char>>,
    rows: usize,
    columns: usize,
    letters: BTreeMap<char, Cell>,
    /// Cells of `+`, in reading order.
    bends: Vec<Cell>,
    /// Node ids along each road, in reading order of the roads' first ends.
    roads: Vec<Vec<i64>>,
}

impl Grid {
    fn read(art: &str) -> Result<Self, SketchError> {
        // A raw string may begin with a line break to keep the drawing upright.
        let art = art.strip_prefix('\n').unwrap_or(art);
        let lines: Vec<Vec<char>> = art.lines().map(|l| l.chars().collect()).collect();
        let mut grid = Self {
            rows: lines.len(),
            columns: lines.iter().map(Vec::len).max().unwrap_or(0),
            lines,
            letters: BTreeMap::new(),
            bends: Vec::new(),
            roads: Vec::new(),
        };
        let mut pieces = BTreeSet::new();
        for (row, line) in grid.lines.iter().enumerate() {
            for (column, &character) in line.iter().enumerate() {
                match character {
                    ' ' => {}
                    '-' | '|' | '/' | '\\' => {
                        pieces.insert((row, column));
                    }
                    '+' => grid.bends.push((row, column)),
                    c if c.is_ascii_alphanumeric() => {
                        if grid.letters.insert(c, (row, column)).is_some() {
                            return Err(SketchError::Twice(c));
                        }
                    }
                    character => {
                        return Err(SketchError::Character {
                            row: row + 1,
                            column: column + 1,
                            character,
                        });
                    }
                }
            }
        }
        let mut starts: Vec<Cell> = grid.letters.values().copied().collect();
        starts.sort_unstable();
        let mut walked = BTreeSet::new();
        for start in starts {
            for (step, piece) in STEPS {
                if grid
                    .step(start, step)
                    .is_some_and(|next| grid.at(next) == piece)
                {
                    grid.walk(start, step, &mut pieces, &mut walked)?;
                }
            }
        }
        match pieces.into_iter().next() {
            Some((row, column)) => Err(SketchError::LooseEnd {
                row: row + 1,
                column: column + 1,
            }),
            None => Ok(grid),
        }
    }

    /// Follows a road from a letter to the next and keeps it, unless it was walked from its other
    /// end. `pieces` loses what was walked over, so that what remains belongs to no road.
    fn walk(
        &mut self,
        start: Cell,
        mut step: Step,
        pieces: &mut BTreeSet<Cell>,
        walked: &mut BTreeSet<(Cell, Step)>,
    ) -> Result<(), SketchError> {
        if walked.contains(&(start, step)) {
            return Ok(());
        }
        let mut refs = vec![self.at(start) as i64];
        let mut cell = start;
        loop {
            let loose = SketchError::LooseEnd {
                row: cell.0 + 1,
                column: cell.1 + 1,
            };
            let Some(next) = self.step(cell, step) else {
                return Err(loose);
            };
            cell = next;
            let here = self.at(cell);
            if here.is_ascii_alphanumeric() {
                refs.push(here as i64);
                walked.insert((cell, (-step.0, -step.1)));
                self.roads.push(refs);
                return Ok(());
            }
            if here == '+' {
                let bend = self.bends.iter().position(|&b| b == cell).unwrap_or(0);
                refs.push(FIRST_FREE_NODE_ID + bend as i64);
                step = self.bend(cell, step)?;
            } else if STEPS.contains(&(step, here)) {
                pieces.remove(&cell);
            } else {
                return Err(loose);
            }
        }
    }

    /// The way out of a `+` that was entered by `step`: there must be exactly one.
    fn bend(&self, cell: Cell, entered: Step) -> Result<Step, SketchError> {
        let mut exits = STEPS.iter().filter(|&&(step, piece)| {
            step != (-entered.0, -entered.1)
                && self
                    .step(cell, step)
                    .is_some_and(|next| self.at(next) == piece)
        });
        match (exits.next(), exits.next()) {
            (Some(&(step, _)), None) => Ok(step),
            _ => Err(SketchError::LooseEnd {
                row: cell.0 + 1,
                column: cell.1 + 1,
            }),
        }
    }

    fn at(&self, (row, column): Cell) -> char {
        self.lines
            .get(row)
            .and_then(|l| l.get(column))
            .copied()
            .unwrap_or(' ')
    }

    fn step(&self, (row, column): Cell, step: Step) -> Option<Cell> {
        Some((
            row.checked_add_signed(step.0)?,
            column.checked_add_signed(step.1)?,
        ))
    }

    fn letter(&self, letter: char) -> Result<Cell, SketchError> {
        self.letters
            .get(&letter)
            .copied()
            .ok_or(SketchError::Letter(letter))
    }

    /// The roads along a path of letters; `true` where a road is followed in its own direction.
    fn path(&self, path: &str) -> Result<Vec<(usize, bool)>, SketchError> {
        let letters: Vec<char> = path.chars().collect();
        if letters.len() < 2 {
            return Err(SketchError::Short(path.to_owned()));
        }
        let mut roads = Vec::new();
        for pair in letters.windows(2) {
            let (from, to) = (pair[0], pair[1]);
            self.letter(from)?;
            self.letter(to)?;
            let ends = |r: &Vec<i64>| (r.first().copied(), r.last().copied());
            let (a, b) = (Some(from as i64), Some(to as i64));
            let between = self.roads.iter().enumerate().filter_map(|(at, refs)| {
                let ends = ends(refs);
                (ends == (a, b))
                    .then_some((at, true))
                    .or((ends == (b, a)).then_some((at, false)))
            });
            let found: Vec<(usize, bool)> = between.collect();
            match found.as_slice() {
                [one] => roads.push(*one),
                _ => {
                    return Err(SketchError::Road {
                        from,
                        to,
                        found: found.len(),
                    });
                }
            }
        }
        Ok(roads)
    }
}
