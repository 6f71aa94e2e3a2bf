//! The hidden Markov model: which of the places near each position it was.

use region::Point;

use super::Model;
use super::near::Place;
use super::reach::{Hop, Roads, Search};
use super::thin::{Seen, apart_m};

/// Likelihood that is lost by being off all roads, a position: as 25 m of distance under noise of
/// 4.07 m (common practice).
const FREE: f32 = 19.0;
/// Likelihood that is lost by leaving the roads or coming back.
const LEAVE: f32 = 10.0;
/// Likelihood that is lost where no way leads from one position to the next: less than by leaving
/// the roads for one position.
const JUMP: f32 = 30.0;
/// Likelihood that is lost by a way that is a metre longer in time than in length: quick roads are
/// ridden more than slow ones (common practice).
const SLOWER_PER_M: f32 = 0.03;
/// States less likely than the best by more are gone on from no further.
const BEAM: f32 = 14.0;
/// Likelihood that is lost by a position inside a tunnel.
const HIDDEN: f32 = 2.0;
/// Likelihood that is lost by riding faster than can be.
const TOO_FAST: f32 = 12.0;
/// Faster is not ridden, m/s.
const FASTEST_MS: f64 = 70.0;
/// Places less likely than the nearest by more are not looked at.
pub(super) const HOPELESS: f32 = 40.0;
/// Positions farther apart are not joined by a search around them, metres.
const FAR_M: f64 = 15_000.0;
/// Layers held before those on which all agree are given out.
const MOST_LAYERS: usize = 8192;

/// What a position turned out to be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Step {
    pub fix: usize,
    pub seen: Point,
    pub time_s: Option<f64>,
    /// Where on a road; `None` off all roads.
    pub place: Option<Place>,
    /// No way leads here from the step before.
    pub jumped: bool,
    /// As of the position.
    pub silent: bool,
    /// Probability of this place given the whole recording, 0..=1.
    pub sure: f32,
}

/// Likelihood lost by a way that differs from the straight line by so many betas: exponential as in
/// the paper, and ten times flatter far out, because one hairpin between two positions is no rarity.
fn detour(betas: f32) -> f32 {
    betas.min(3.0 + betas / 10.0)
}

/// One position with its places; the last of its states is being off all roads.
struct Layer {
    seen: Seen,
    places: Vec<Place>,
    /// Likelihood lost so far, by state.
    cost: Vec<f32>,
    /// State of the layer before, with [`JUMPED`].
    before: Vec<u16>,
    /// Likelihood lost at the position itself, by state.
    own: Vec<f32>,
    /// (from, to, likelihood lost) from the layer before.
    links: Vec<(u16, u16, f32)>,
}

const JUMPED: u16 = 1 << 15;
const NOWHERE: u16 = JUMPED - 1;

impl Layer {
    fn best(&self) -> usize {
        let all = self.cost.iter().enumerate();
        all.min_by(|a, b| a.1.total_cmp(b.1)).map_or(0, |(i, _)| i)
    }
}

/// The layers that are not yet decided.
pub(super) struct Lattice<'a> {
    roads: &'a Roads<'a>,
    search: &'a mut Search,
    model: Model,
    layers: Vec<Layer>,
    hops: Vec<Option<Hop>>,
}

impl<'a> Lattice<'a> {
    pub fn new(roads: &'a Roads<'a>, search: &'a mut Search, model: Model) -> Self {
        Lattice {
            roads,
            search,
            model,
            layers: Vec::new(),
            hops: Vec::new(),
        }
    }

    /// Adds a position; gives out steps that nothing to come can change, if there are many.
    pub fn push(&mut self, seen: Seen, places: Vec<Place>, steps: &mut Vec<Step>) {
        let sigma = self.model.sigma_m as f32;
        let free = places.len();
        let mut own: Vec<f32> = places
            .iter()
            .map(|p| 0.5 * (p.off_m / sigma).powi(2) + if p.hidden { HIDDEN } else { 0.0 })
            .collect();
        own.push(FREE);
        let entry = |p: &Place| self.roads.entry(p.edge());
        let mut layer = Layer {
            seen,
            cost: vec![f32::INFINITY; free + 1],
            before: vec![NOWHERE; free + 1],
            links: Vec::new(),
            own,
            places,
        };
        let Some(last) = self.layers.last() else {
            for (state, place) in layer.places.iter().enumerate() {
                layer.cost[state] = layer.own[state] + entry(place);
            }
            layer.cost[free] = layer.own[free];
            self.layers.push(layer);
            return;
        };
        let straight_m = apart_m(last.seen.at, seen.at);
        let elapsed_s = last
            .seen
            .time_s
            .zip(seen.time_s)
            .map(|(a, b)| b - a)
            .filter(|&t| t >= 0.0);
        let beta = self.model.beta_m(straight_m) as f32;
        let least = last.cost[last.best()];
        let alive = |state: usize| last.cost[state] <= least + BEAM;
        let mut links: Vec<(u16, u16, f32)> = Vec::new();
        if straight_m <= FAR_M {
            let roads = &self.roads.heard(!seen.silent);
            // Wider when nothing was found.
            let near_m = straight_m * 2.5 + f64::from(beta) * 25.0 + 100.0;
            for most_m in [near_m, straight_m * 4.0 + 2000.0] {
                for (from, place) in last.places.iter().enumerate() {
                    if !alive(from) {
                        continue;
                    }
                    self.search.run(
                        roads,
                        place,
                        &layer.places,
                        most_m as f32,
                        beta,
                        &mut self.hops,
                    );
                    for (to, hop) in self.hops.iter().enumerate() {
                        let Some(hop) = hop else { continue };
                        let length_m = f64::from(hop.length_m);
                        let mut lost = detour((length_m - straight_m).abs() as f32 / beta)
                            + hop.toll
                            + SLOWER_PER_M * (hop.felt_m - hop.length_m).max(0.0);
                        if elapsed_s.is_some_and(|s| length_m > FASTEST_MS * s + 60.0) {
                            lost += TOO_FAST;
                        }
                        links.push((from as u16, to as u16, lost));
                    }
                }
                if !links.is_empty() {
                    break;
                }
            }
        }
        let was_free = last.places.len();
        // Off the roads, and onto them again.
        if alive(was_free) {
            for (to, place) in layer.places.iter().enumerate() {
                links.push((was_free as u16, to as u16, LEAVE + entry(place)));
            }
            links.push((was_free as u16, free as u16, 0.0));
        }
        for from in (0..was_free).filter(|&s| alive(s)) {
            links.push((from as u16, free as u16, LEAVE));
        }
        for &(from, to, lost) in &links {
            let cost = last.cost[from as usize] + lost + layer.own[to as usize];
            if cost < layer.cost[to as usize] {
                (layer.cost[to as usize], layer.before[to as usize]) = (cost, from);
            }
        }
        let best = last.best();
        for (to, place) in layer.places.iter().enumerate() {
            let cost = least + JUMP + entry(place) + layer.own[to];
            if best != was_free && cost < layer.cost[to] {
                (layer.cost[to], layer.before[to]) = (cost, best as u16 | JUMPED);
            }
        }
        // Counted from the likeliest, so that sums stay small.
        let least = layer.cost[layer.best()];
        layer.cost.iter_mut().for_each(|c| *c -= least);
        layer.links = links;
        self.layers.push(layer);
        if self.layers.len() >= MOST_LAYERS {
            self.give_out(steps);
        }
    }

    /// Gives out the layers on which all that is still likely agrees.
    fn give_out(&mut self, steps: &mut Vec<Step>) {
        let last = self.layers.len() - 1;
        let mut states: Vec<u16> = (0..self.layers[last].cost.len() as u16)
            .filter(|&s| self.layers[last].cost[s as usize] <= HOPELESS)
            .collect();
        let mut at = last;
        while at > 0 && states.len() > 1 {
            let layer = &self.layers[at];
            states = states
                .iter()
                .map(|&s| layer.before[s as usize] & !JUMPED)
                .filter(|&s| s != NOWHERE)
                .collect();
            states.sort_unstable();
            states.dedup();
            at -= 1;
        }
        let (mut cut, mut state) = (at, states.first().map_or(0, |&s| usize::from(s)));
        if cut == 0 {
            // No agreement in so long a stretch: the likeliest is taken.
            cut = last - last / 8;
            state = self.layers[last].best();
            for layer in self.layers[cut + 1..].iter().rev() {
                state = usize::from(layer.before[state] & !JUMPED).min(layer.cost.len());
            }
            state = state.min(self.layers[cut].cost.len() - 1);
        }
        self.decide(cut, state, steps);
        // The step at the cut was given out; it stays as the layer that later ones come from.
        self.layers.drain(..cut);
        let first = &mut self.layers[0];
        for (s, cost) in first.cost.iter_mut().enumerate() {
            *cost = if s == state { 0.0 } else { f32::INFINITY };
        }
        first.links.clear();
        steps.pop();
    }

    /// The steps from the first layer to one in a given state.
    fn decide(&self, last: usize, state: usize, steps: &mut Vec<Step>) {
        let sure = self.sureness(last, state);
        let from = steps.len();
        let mut state = state;
        for at in (0..=last).rev() {
            let layer = &self.layers[at];
            let before = layer.before[state];
            steps.push(Step {
                fix: layer.seen.fix,
                seen: layer.seen.at,
                time_s: layer.seen.time_s,
                place: layer.places.get(state).copied(),
                silent: layer.seen.silent,
                jumped: at > 0 && before & JUMPED != 0,
                sure: sure(at, state),
            });
            if at > 0 {
                state = usize::from(before & !JUMPED).min(self.layers[at - 1].cost.len() - 1);
            }
        }
        steps[from..].reverse();
    }

    /// Gives out all that is left.
    pub fn finish(&mut self, steps: &mut Vec<Step>) {
        if let Some(layer) = self.layers.last() {
            let state = layer.best();
            self.decide(self.layers.len() - 1, state, steps);
        }
        self.layers.clear();
    }

    /// Probability of states by the forward-backward algorithm (Rabiner 1989, Proc. IEEE 77:257-286),
    /// places within a few metres of each other counted together.
    fn sureness(&self, last: usize, state: usize) -> impl Fn(usize, usize) -> f32 + use<'_, 'a> {
        let layers = &self.layers[..=last];
        let mut ahead: Vec<Vec<f32>> = Vec::with_capacity(layers.len());
        let norm = |row: &mut Vec<f32>| {
            let sum: f32 = row.iter().sum();
            let even = 1.0 / row.len().max(1) as f32;
            row.iter_mut()
                .for_each(|p| *p = if sum > 0.0 { *p / sum } else { even });
        };
        for (i, layer) in layers.iter().enumerate() {
            let mut row = vec![0.0f32; layer.cost.len()];
            if i == 0 {
                row.iter_mut()
                    .zip(&layer.cost)
                    .for_each(|(p, &c)| *p = (-c).exp());
            } else {
                for &(from, to, lost) in &layer.links {
                    row[to as usize] += ahead[i - 1][from as usize] * (-lost).exp();
                }
                let least = layer.own.iter().copied().fold(f32::INFINITY, f32::min);
                row.iter_mut()
                    .zip(&layer.own)
                    .for_each(|(p, &o)| *p *= (least - o).exp());
            }
            norm(&mut row);
            ahead.push(row);
        }
        let mut back = vec![0.0f32; layers[last].cost.len()];
        match last + 1 == self.layers.len() {
            true => back.iter_mut().for_each(|p| *p = 1.0),
            false => back[state] = 1.0,
        }
        for i in (0..layers.len()).rev() {
            let layer = &layers[i];
            let mut before = vec![0.0f32; if i > 0 { layers[i - 1].cost.len() } else { 0 }];
            let least = layer.own.iter().copied().fold(f32::INFINITY, f32::min);
            for &(from, to, lost) in &layer.links {
                if i > 0 {
                    let own = (least - layer.own[to as usize] - lost).exp();
                    before[from as usize] += back[to as usize] * own;
                }
            }
            ahead[i].iter_mut().zip(&back).for_each(|(p, b)| *p *= b);
            norm(&mut ahead[i]);
            norm(&mut before);
            back = before;
        }
        move |at, state| {
            let layer = &self.layers[at];
            let Some(place) = layer.places.get(state) else {
                return ahead[at][state];
            };
            let like = layer.places.iter().zip(&ahead[at]).filter(|(p, _)| {
                p.edge != place.edge ^ 1 && apart_m(p.at, place.at) <= self.model.sigma_m * 2.0
            });
            like.map(|(_, p)| p).sum::<f32>().min(1.0)
        }
    }
}
