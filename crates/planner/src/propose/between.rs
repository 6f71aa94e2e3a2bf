//! Between here and there, at most so many minutes longer.

use std::sync::atomic::Ordering;

use serde::{Deserialize, Serialize};
use shortest_paths::INFINITY;
use shortest_paths::limited::{Limited, TwoEnd, TwoWeights, least_within};

use super::leg::around;
use super::{Proposals, ProposeError, Watch, stop_at};
use crate::Planner;
use crate::cost::Weighing;
use crate::legs::{Place, Stance};
use crate::snap::Candidate;
use crate::taste::{Counts, Leave, Taste, TasteChoice};

/// Ask for the best line between two places within a limit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS), ts(export))]
#[serde(deny_unknown_fields)]
pub struct Between {
    /// Name of the region.
    pub region: String,
    /// Latitude and longitude of the start.
    pub from: [f64; 2],
    /// Latitude and longitude of the end.
    pub to: [f64; 2],
    /// What makes a line good.
    #[serde(default)]
    pub taste: TasteChoice,
    /// Most minutes longer than the quickest way.
    pub longer_min: f64,
}

/// Longest detour that is looked for, minutes.
const MOST_LONGER_MIN: f64 = 24.0 * 60.0;
/// Time is counted in 10 ms, turns to a tenth of a second: what rounding may add, 10 ms.
const ROUNDING: u64 = 200;

impl Planner {
    /// The line with the least dull riding for a taste that takes at most so many minutes longer
    /// than the quickest way. Never over the limit.
    pub fn between(&self, ask: &Between, watch: &mut Watch) -> Result<Proposals, ProposeError> {
        let longer_s = ask.longer_min * 60.0;
        if !(0.0..=MOST_LONGER_MIN * 60.0).contains(&longer_s) {
            return Err(ProposeError::BadBudget {
                text: format!(
                    "{} minutes longer make no sense; give 0 to {MOST_LONGER_MIN}",
                    ask.longer_min
                ),
            });
        }
        watch.at(0.0, "snapping")?;
        let (taste, note) = self.sought(&ask.taste)?;
        let (_, from) = self.place_of(ask.from, "the start")?;
        let (_, to) = self.place_of(ask.to, "the end")?;
        // Riding time alone, and dull time alone: a taste's cost is the one plus its price times
        // the other.
        let quick = Taste {
            unverified: taste.unverified,
            ..Taste::fastest()
        };
        let priced = Taste {
            counts: Counts::Time,
            longer_min: 10.0,
            ..taste.clone()
        };
        let time = self.weighed(&quick, watch)?;
        let both = self.weighed(&priced, watch)?;
        let weighing = self.weighed(&self.routed_by(&ask.taste, &taste), watch)?;
        let shade = self.shade(&taste);
        watch.at(0.1, "finding the quickest way")?;
        let places = [&from, &to].map(|s| Place {
            candidates: &s.candidates,
            is_stop: true,
        });
        let quickest = self.route(&time, &places, watch.stop)?.pop().flatten();
        let Some(quickest) = quickest else {
            return Err(ProposeError::NoWay {
                text: "no way leads from the start to the end: their roads are not joined on this \
                       map, or closed"
                    .into(),
            });
        };
        watch.at(0.2, "weighing roads")?;
        let region = self.region();
        let time_weights = time.metric.weights();
        let mut dislike = both.metric.weights().to_vec();
        for (d, &t) in dislike.iter_mut().zip(time_weights) {
            *d = if *d >= INFINITY || t >= INFINITY {
                INFINITY
            } else {
                d.saturating_sub(t)
            };
        }
        let net = TwoWeights {
            graph: &self.graph,
            first_out: region.turn_first_out(),
            head: region.turn_head(),
            time: time_weights,
            dislike: &dislike,
        };
        let candidate =
            |s: &[Candidate], i: usize| s.get(i).copied().into_iter().collect::<Vec<_>>();
        let leaving = candidate(&from.candidates, quickest.from.candidate);
        let arriving = candidate(&to.candidates, quickest.to.candidate);
        let stances = |candidates: &[Candidate], arriving: bool| {
            let place = Place {
                candidates,
                is_stop: true,
            };
            self.stances(&place, arriving)
        };
        let (leaving, arriving) = (stances(&leaving, false), stances(&arriving, true));
        let sources = self.two_ends(&leaving, |w, s| self.sources(w, s), [&time, &both]);
        let targets = self.two_ends(&arriving, |w, s| self.targets(w, s), [&time, &both]);
        let ends = [&sources, &targets].map(|e| e.iter().map(|e| e.1).collect::<Vec<TwoEnd>>());
        let vias = self.spread(
            around(&quickest.line.line.lat, &quickest.line.line.lon),
            &shade,
        );
        let least = (quickest.line.sums.riding_s * 100.0).round() as u64;
        let limit = least + (longer_s * 100.0) as u64;
        let mut spare = ROUNDING;
        let mut best = None;
        // What rounding adds up to differs by line: should it be too much, with less to begin with.
        for _ in 0..3 {
            watch.at(0.3, "looking for the best line")?;
            let found = self.with_query(|query| {
                least_within(
                    &net,
                    query,
                    &ends[0],
                    &ends[1],
                    limit.saturating_sub(spare),
                    &vias,
                    &mut |done| {
                        (watch.progress)(0.3 + 0.5 * done, "looking for the best line");
                        !watch.stop.load(Ordering::Relaxed)
                    },
                )
            });
            watch.at(0.8, "placing vias")?;
            // Less than rounding to spare: the quickest it is.
            let Some(found) = found else { break };
            let edges = |path: &Limited| {
                let mut edges = vec![self.edge(leaving[sources[path.source].0].state)];
                edges.extend(path.nodes.iter().map(|&s| self.edge(s)));
                edges
            };
            let points = [stop_at(ask.from), stop_at(ask.to)];
            let Some(pinned) = self.pin(
                &weighing,
                [&points[0], &points[1]],
                &edges(&found.best),
                watch,
            )?
            else {
                break;
            };
            let riding_s: f64 = pinned.legs.iter().map(|l| l.line.sums.riding_s).sum();
            if riding_s <= quickest.line.sums.riding_s + longer_s {
                best = Some(pinned);
                break;
            }
            spare =
                spare * 4 + ((riding_s - quickest.line.sums.riding_s - longer_s) * 100.0) as u64;
        }
        let quickest = [quickest];
        let mut now = super::pin::Pinned {
            points: vec![stop_at(ask.from), stop_at(ask.to)],
            legs: quickest.to_vec(),
            is_exact: true,
            share: 1.0,
        };
        let mut notes: Vec<String> = note.into_iter().collect();
        let pinned = match best {
            Some(pinned) => pinned,
            None => {
                let edges = now.edges(self);
                let points = [stop_at(ask.from), stop_at(ask.to)];
                let same = self.pin(&weighing, [&points[0], &points[1]], &edges, watch)?;
                now.points.truncate(2);
                same.ok_or_else(|| ProposeError::NoWay {
                    text: "no way leads from the start to the end".into(),
                })?
            }
        };
        let mut proposal = self.proposal(&pinned, &ask.taste, &shade, Vec::new(), watch)?;
        let against = self.against(&proposal, &pinned, &now, &shade);
        if against.shared > 0.999 && against.riding_s.abs() < 1.0 {
            notes.push(
                "The quickest way is the best within the limit; with more time there may be \
                 better."
                    .into(),
            );
        }
        proposal.against = Some(against);
        watch.at(1.0, "done")?;
        Ok(Proposals {
            proposals: vec![proposal],
            notes,
        })
    }

    /// The taste the tour of a proposal is routed by.
    pub(super) fn routed_by(&self, choice: &TasteChoice, sought: &Taste) -> Taste {
        choice.taste().unwrap_or_else(|| Taste {
            ferries: Leave::Use,
            ..sought.clone()
        })
    }

    /// Ends with time and dislike, and the stance each belongs to.
    fn two_ends(
        &self,
        stances: &[Stance],
        ends: impl Fn(&Weighing, &Stance) -> Vec<shortest_paths::End>,
        [time, both]: [&Weighing; 2],
    ) -> Vec<(usize, TwoEnd)> {
        let mut all = Vec::new();
        for (i, stance) in stances.iter().enumerate() {
            let pairs = ends(time, stance).into_iter().zip(ends(both, stance));
            all.extend(pairs.map(|((node, t), (_, b))| {
                let dislike = if b >= INFINITY {
                    INFINITY
                } else {
                    b.saturating_sub(t)
                };
                (i, (node, t, dislike))
            }));
        }
        all
    }
}
