//! Choosing the points of one span: the fewest, each where it is safest.

use region::Region;

use super::net::{Place, Search, Span};
use super::panel::{Kit, Settings};
use super::place::{Spot, spots};
use super::sweep::Sweeps;

/// Points between the ends of a span, which are points themselves.
#[derive(Clone, Debug, Default)]
pub struct Chosen {
    /// In riding order.
    pub spots: Vec<Spot>,
    /// Metres of road each could have stood on.
    pub window_m: Vec<f64>,
    /// Fewest that can be, by the forward sweep.
    pub minimum: usize,
    /// Whether the backward sweep takes as many.
    pub agree: bool,
}

/// Asks every router of a panel how far a place is joined.
pub struct Asked<'a> {
    kit: &'a Kit,
    span: &'a Span,
    margin_permille: u32,
    strict: Search,
    lax: Search,
    /// Routers by how early they last broke off: the strictest first bounds the others.
    order: Vec<usize>,
}

impl<'a> Asked<'a> {
    /// Questions about one span.
    pub fn new(kit: &'a Kit, span: &'a Span, margin_permille: u32) -> Self {
        Asked {
            kit,
            span,
            margin_permille,
            strict: Search::default(),
            lax: Search::default(),
            order: (0..kit.costs.len()).collect(),
        }
    }

    /// The farthest place, at most `limit`, that `from` is joined to for every router; looking
    /// back if `limit` lies behind.
    pub fn joined(&mut self, from: Place, limit: Place) -> Place {
        let mut reached = limit;
        let mut strictest = None;
        for n in 0..self.order.len() {
            let r = self.order[n];
            let router = &self.kit.panel.routers[r];
            let net = self.kit.roads.net(router);
            let search = match router.turns {
                true => &mut self.strict,
                false => &mut self.lax,
            };
            let (costs, margin) = (&self.kit.costs[r], self.margin_permille);
            let found = match limit >= from {
                true => search.ahead(net, costs, self.span, margin, from, reached),
                false => search.back(net, costs, self.span, margin, from, reached),
            };
            if found != reached {
                strictest = Some(n);
            }
            reached = found;
        }
        if let Some(n) = strictest {
            self.order[..=n].rotate_right(1);
        }
        reached
    }

    /// States settled by all searches: the work done.
    pub fn settled(&self) -> u64 {
        self.strict.settled + self.lax.settled
    }
}

/// Chooses the points of a span.
pub fn choose(region: &Region, kit: &Kit, span: &Span, settings: &Settings) -> Chosen {
    let mut asked = Asked::new(kit, span, settings.margin_permille);
    let (start, end) = (span.start(), span.end());
    let asked_by = std::cell::RefCell::new(&mut asked);
    let sweeps = Sweeps::new(
        start,
        end,
        |p| asked_by.borrow_mut().joined(p, end),
        |p| asked_by.borrow_mut().joined(p, start),
    );
    let mut chosen = Chosen {
        minimum: sweeps.latest.len(),
        agree: sweeps.agree(),
        ..Chosen::default()
    };
    if sweeps.latest.is_empty() {
        return chosen;
    }
    let mut at = start;
    for (n, &latest) in sweeps.latest.iter().enumerate() {
        let earliest = sweeps.earliest.get(n).copied().unwrap_or(latest);
        let latest = match n {
            0 => latest,
            // From where no router goes on along the line, the sweep's own step.
            _ => match asked.joined(at, if latest > at { latest } else { end }) {
                reached if reached > at => reached,
                _ => latest,
            },
        };
        let earliest = if earliest > latest { latest } else { earliest };
        let found = spots(region, span, earliest, latest);
        let best = match settings.safest {
            true => found
                .iter()
                .min_by(|a, b| a.risk.total_cmp(&b.risk))
                .copied(),
            false => None,
        };
        let spot = best.unwrap_or(Spot {
            place: latest,
            risk: 0.0,
            clear_m: 0.0,
        });
        chosen
            .window_m
            .push(between_m(region, span, earliest, latest));
        chosen.spots.push(spot);
        at = spot.place;
    }
    chosen
}

/// Metres of line between two places.
pub fn between_m(region: &Region, span: &Span, from: Place, to: Place) -> f64 {
    let length_m = |i: usize| region.length_m(span.edges[i] / 2);
    let whole: f64 = (from.index..to.index).map(length_m).sum();
    whole - from.share * length_m(from.index) + to.share * length_m(to.index)
}
