//! Choosing the points of one span: the fewest, each where it is safest.

use std::cell::RefCell;

use region::Region;

use super::net::{Lent, Place, Span};
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
    strict: Lent<'a>,
    lax: Lent<'a>,
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
            strict: kit.roads.strict_searches.lend(),
            lax: kit.roads.lax_searches.lend(),
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
    let line = Metres::new(region, span);
    let spacing_m = settings.spacing_m;
    // Places nearer to each other than points may stand count as joined: that is inherited, too.
    let later = |p| line.place(line.of(p) + spacing_m);
    let earlier = |p| line.place(line.of(p) - spacing_m);
    let asked_by = RefCell::new(&mut asked);
    let sweeps = Sweeps::new(
        start,
        end,
        |p| line.later(asked_by.borrow_mut().joined(p, end), later(p), end),
        |p| line.earlier(asked_by.borrow_mut().joined(p, start), earlier(p), start),
    );
    let mut chosen = Chosen {
        minimum: sweeps.latest.len(),
        agree: sweeps.agree(),
        ..Chosen::default()
    };
    let mut at = start;
    for (n, &own_latest) in sweeps.latest.iter().enumerate() {
        let earliest = sweeps.earliest.get(n).copied().unwrap_or(own_latest);
        let latest = match at == start {
            true => own_latest,
            // From where no router goes on along the line, the sweep's own step.
            false => match asked.joined(at, if own_latest > at { own_latest } else { end }) {
                reached if reached > at => reached,
                _ => own_latest,
            },
        };
        let latest = line.later(latest, later(at), own_latest);
        let earliest = if earliest > latest { latest } else { earliest };
        let window_m = line.of(latest) - line.of(earliest);
        let mut spots = spots(region, span, earliest, latest);
        let spaced = |s: &Spot| {
            let m = line.of(s.place);
            m >= line.of(at) + spacing_m && m <= line.of(end) - spacing_m
        };
        if spots.iter().any(spaced) {
            spots.retain(spaced);
        }
        let best = match settings.safest {
            true => spots.into_iter().min_by(|a, b| a.risk.total_cmp(&b.risk)),
            false => None,
        };
        let spot = best.unwrap_or(Spot {
            place: latest,
            risk: 0.0,
            clear_m: 0.0,
        });
        chosen.window_m.push(window_m);
        chosen.spots.push(spot);
        at = spot.place;
    }
    chosen
}

/// A line in metres.
struct Metres {
    /// [edges + 1] Metres before each edge, the first one whole.
    before: Vec<f64>,
}

impl Metres {
    fn new(region: &Region, span: &Span) -> Self {
        let mut before = vec![0.0];
        for &edge in &span.edges {
            before.push(before[before.len() - 1] + region.length_m(edge / 2));
        }
        Metres { before }
    }

    fn of(&self, place: Place) -> f64 {
        let [a, b] = [0, 1].map(|n| self.before[place.index + n]);
        a + place.share * (b - a)
    }

    fn place(&self, m: f64) -> Place {
        let edges = self.before.len() - 1;
        let index = self.before.partition_point(|&b| b <= m).clamp(1, edges) - 1;
        let [a, b] = [0, 1].map(|n| self.before[index + n]);
        let share = if b > a { (m - a) / (b - a) } else { 0.0 };
        Place {
            index,
            share: share.clamp(0.0, 1.0),
        }
    }

    /// The later of two places, `most` at most.
    fn later(&self, a: Place, b: Place, most: Place) -> Place {
        let b = if self.of(b) >= self.of(most) { most } else { b };
        if b > a { b } else { a }
    }

    /// The earlier of two places, `least` at least.
    fn earlier(&self, a: Place, b: Place, least: Place) -> Place {
        let b = if self.of(b) <= self.of(least) {
            least
        } else {
            b
        };
        if b < a { b } else { a }
    }
}
