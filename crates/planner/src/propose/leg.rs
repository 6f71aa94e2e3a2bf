//! Other ways for a leg.

use std::collections::HashSet;

use region::{Bounds, Edge, Point};
use serde::{Deserialize, Serialize};
use shortest_paths::alternatives::{Limits, Question, Weighed, alternatives};

use super::pin::Pinned;
use super::{Proposals, ProposeError, Watch};
use crate::Planner;
use crate::document::{LegKind, PointKind, Tour};
use crate::legs::Place;

/// Ask for other ways of one leg of a tour.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(deny_unknown_fields)]
pub struct OtherWays {
    /// The tour.
    pub tour: Tour,
    /// Which leg: from this point to the next.
    pub leg: u32,
}

/// Other ways offered for a leg, at most.
const MOST: usize = 3;

impl Planner {
    /// Ways for a leg that are truly different (at most 0.8 of the best way's cost in common, with
    /// one another too), have no needless turn in them (every part up to a quarter of it is the best
    /// way itself) and nowhere go out of their way by more than a quarter. Cheapest first to the
    /// tour's taste. Such ways need not exist; the notes say so.
    pub fn alternatives(
        &self,
        ask: &OtherWays,
        watch: &mut Watch,
    ) -> Result<Proposals, ProposeError> {
        let OtherWays { tour, leg } = ask;
        let leg = *leg as usize;
        let bad = |text: &str| ProposeError::BadTour { text: text.into() };
        let (Some(from), Some(to)) = (tour.points.get(leg), tour.points.get(leg + 1)) else {
            return Err(ProposeError::BadTour {
                text: format!("the tour has no leg {}", leg + 1),
            });
        };
        if to.leg == LegKind::Free {
            return Err(bad(
                "this leg is drawn by hand; only routed legs have other ways",
            ));
        }
        watch.at(0.0, "snapping")?;
        let taste = tour
            .taste
            .taste()
            .ok_or_else(|| ProposeError::UnknownTaste {
                name: tour.taste.name().into(),
            })?;
        self.place_of([from.lat, from.lon], "the start of the leg")?;
        self.place_of([to.lat, to.lon], "the end of the leg")?;
        let weighing = self.weighed(&taste, watch)?;
        let shade = self.shade(&taste);

        // The present leg, as it lies in the whole tour where that is routed around it.
        let snapped: Vec<_> = [from, to]
            .iter()
            .map(|p| {
                self.snap(
                    Point::from_degrees(p.lat, p.lon).unwrap_or_default(),
                    p.kind,
                )
            })
            .collect();
        let places = [0, 1].map(|i| Place {
            candidates: &snapped[i].candidates,
            is_stop: [from, to][i].kind == PointKind::Stop,
        });
        let present = self.route(&weighing, &places, watch.stop)?.pop().flatten();
        let Some(present) = present else {
            return Err(ProposeError::NoWay {
                text: "no way leads from the start of the leg to its end".into(),
            });
        };
        watch.at(0.1, "weighing roads")?;
        let region = self.region();
        let net = Weighed {
            graph: &self.graph,
            metric: &weighing.metric,
            first_out: region.turn_first_out(),
            head: region.turn_head(),
        };
        let vias = self.spread(
            around(&present.line.line.lat, &present.line.line.lon),
            &shade,
        );
        let sources = self.sources(&weighing, &present.from);
        let targets = self.targets(&weighing, &present.to);
        let question = Question {
            sources: &sources,
            targets: &targets,
            vias: &vias,
            limits: Limits::default(),
            how_many: 2 * MOST,
        };
        watch.at(0.2, "looking for other ways")?;
        let mut steps = 0;
        let found = self.with_query(|query| {
            alternatives(&net, query, &question, &mut || {
                steps += 1;
                watch
                    .at(
                        0.2 + 0.5 * (steps as f32 / 80.0).min(1.0),
                        "looking for other ways",
                    )
                    .is_ok()
            })
        });
        watch.at(0.7, "placing vias")?;
        let (_, others) = found.unwrap_or_else(|| (empty(), Vec::new()));
        let now = Pinned {
            points: vec![from.clone(), to.clone()],
            legs: vec![present.clone()],
            is_exact: true,
            share: 1.0,
        };
        let mut proposals: Vec<super::Proposal> = Vec::new();
        for (n, other) in others.iter().enumerate() {
            watch.at(0.7 + 0.3 * n as f32 / others.len() as f32, "placing vias")?;
            let mut edges = vec![self.edge(present.from.state)];
            edges.extend(other.nodes.iter().map(|&s| self.edge(s)));
            // Riding a road there and back is no other way.
            let pieces: HashSet<u32> = edges.iter().map(|e: &Edge| e.piece()).collect();
            if pieces.len() < edges.len() {
                continue;
            }
            let Some(pinned) = self.pin(&weighing, [from, to], &edges, watch)? else {
                continue;
            };
            if !pinned.is_exact {
                continue;
            }
            let mut proposal = self.proposal(&pinned, &tour.taste, &shade, Vec::new(), watch)?;
            proposal.against = Some(self.against(&proposal, &pinned, &now, &shade));
            proposals.push(proposal);
            if proposals.len() == MOST {
                break;
            }
        }
        let mut notes = Vec::new();
        if proposals.is_empty() {
            notes.push(
                "There is no other sensible way for this leg: every other road is mostly the same \
                 line, or goes far out of its way."
                    .into(),
            );
        }
        Ok(Proposals { proposals, notes })
    }
}

fn empty() -> shortest_paths::Found {
    shortest_paths::Found {
        cost: 0,
        nodes: Vec::new(),
        source: 0,
        target: 0,
    }
}

/// A box around a line, wide enough for detours of a quarter.
pub(super) fn around(lat: &[f64], lon: &[f64]) -> Bounds {
    let points: Vec<Point> = lat
        .iter()
        .zip(lon)
        .filter_map(|(&lat, &lon)| Point::from_degrees(lat, lon))
        .collect();
    let Some(&first) = points.first() else {
        return Bounds::around(Point::default(), 1.0);
    };
    let mut bounds = Bounds::around(first, 1.0);
    points.iter().for_each(|&p| bounds.include(p));
    let middle = Point {
        lon_e7: bounds.west_e7 / 2 + bounds.east_e7 / 2,
        lat_e7: bounds.south_e7 / 2 + bounds.north_e7 / 2,
    };
    let corner = Point {
        lon_e7: bounds.east_e7,
        lat_e7: bounds.north_e7,
    };
    let radius_m = region::distance_m(middle, corner) * 1.4 + 2000.0;
    Bounds::around(middle, radius_m)
}
