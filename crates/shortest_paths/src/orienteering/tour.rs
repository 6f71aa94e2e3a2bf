//! Choosing and ordering places on a table of costs.

use super::Chance;
use crate::INFINITY;

/// Places to choose from.
#[derive(Clone, Copy, Debug)]
pub struct Places<'a> {
    /// [n × n] cost from each place to each, row by row; [`INFINITY`] where there is no way.
    pub cost: &'a [u32],
    /// [n] what a visit is worth.
    pub score: &'a [u32],
    /// [n] of places of one group at most one is visited: a road that can be ridden either way is
    /// two places of one group.
    pub group: &'a [u32],
}

/// Places in the order of their visits, start and end included.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tour {
    /// Indices of places.
    pub places: Vec<u32>,
    /// Sum of the costs between neighbours.
    pub cost: u64,
    /// Sum of the scores; a start that is also the end counts once.
    pub score: u64,
}

impl Places<'_> {
    fn len(&self) -> usize {
        self.score.len()
    }

    fn leg(&self, a: u32, b: u32) -> i64 {
        match self.cost[a as usize * self.len() + b as usize] {
            INFINITY => NEVER,
            cost => i64::from(cost),
        }
    }

    fn score(&self, place: u32) -> i64 {
        i64::from(self.score[place as usize])
    }
}

/// More than any tour costs; sums of a few do not overflow.
const NEVER: i64 = i64::MAX / 1024;
/// Rounds without a better tour after which the search goes back to the best.
const PATIENCE: u32 = 150;

/// The best tour found from `from` to `to` (they may be one place) whose cost is at most `budget`;
/// `None` if even the direct way costs more, or the columns of `places` do not fit together.
///
/// Iterated local search of `rounds` rounds: tear out a part, put in what gives most for its cost,
/// then reverse, move and exchange while that helps. Deterministic for a `seed`. Ends early with
/// the best so far when `go_on` says no.
pub fn best_tour(
    places: &Places,
    [from, to]: [u32; 2],
    budget: u32,
    rounds: u32,
    seed: u64,
    go_on: &mut dyn FnMut() -> bool,
) -> Option<Tour> {
    let n = places.len();
    let fits = places.cost.len() == n * n && places.group.len() == n;
    if !fits || from as usize >= n || to as usize >= n {
        return None;
    }
    let mut search = Search {
        places,
        budget: i64::from(budget),
        seq: vec![from, to],
        cost: places.leg(from, to),
        score: 0,
        groups: Groups::new(places.group),
        chance: Chance(seed),
    };
    if from == to {
        search.cost = 0;
    }
    if search.cost > search.budget {
        return None;
    }
    search.groups.enter(from);
    search.groups.enter(to);
    search.score = places.score(from) + if from == to { 0 } else { places.score(to) };
    search.insert_all(0.0, &[]);
    search.improve();
    let mut best = search.state();
    let mut current = best.clone();
    let mut idle = 0;
    for round in 0..rounds {
        if !go_on() {
            break;
        }
        search.restore(&current);
        search.tear_out();
        search.improve();
        let next = search.state();
        if next.better_than(&best) {
            best = next.clone();
            idle = 0;
        } else {
            idle += 1;
        }
        // A little worse is let in at first, so as to leave a valley.
        let slack = 0.04 * (1.0 - f64::from(round) / f64::from(rounds)) * search.chance.share();
        if next.score as f64 >= current.score as f64 * (1.0 - slack) {
            current = next;
        }
        if idle >= PATIENCE {
            current = best.clone();
            idle = 0;
        }
    }
    Some(Tour {
        places: best.seq,
        cost: best.cost as u64,
        score: best.score as u64,
    })
}

#[derive(Clone, Debug)]
struct State {
    seq: Vec<u32>,
    cost: i64,
    score: i64,
}

impl State {
    fn better_than(&self, other: &State) -> bool {
        (self.score, -self.cost) > (other.score, -other.cost)
    }
}

/// Which groups have a place in the tour.
struct Groups<'a> {
    group: &'a [u32],
    taken: std::collections::HashMap<u32, u32>,
}

impl<'a> Groups<'a> {
    fn new(group: &'a [u32]) -> Self {
        Groups {
            group,
            taken: std::collections::HashMap::new(),
        }
    }
    fn enter(&mut self, place: u32) {
        *self.taken.entry(self.group[place as usize]).or_default() += 1;
    }
    fn leave(&mut self, place: u32) {
        if let Some(count) = self.taken.get_mut(&self.group[place as usize]) {
            *count = count.saturating_sub(1);
        }
    }
    fn is_free(&self, place: u32) -> bool {
        let count = self.taken.get(&self.group[place as usize]);
        count.is_none_or(|&c| c == 0)
    }
}

struct Search<'a> {
    places: &'a Places<'a>,
    budget: i64,
    /// Start, visits, end.
    seq: Vec<u32>,
    cost: i64,
    score: i64,
    groups: Groups<'a>,
    chance: Chance,
}

impl Search<'_> {
    fn state(&self) -> State {
        State {
            seq: self.seq.clone(),
            cost: self.cost,
            score: self.score,
        }
    }

    fn restore(&mut self, state: &State) {
        self.groups.taken.clear();
        state.seq.iter().for_each(|&p| self.groups.enter(p));
        self.seq.clone_from(&state.seq);
        (self.cost, self.score) = (state.cost, state.score);
    }

    /// What putting `place` after position `at` adds to the cost.
    fn detour(&self, at: usize, place: u32) -> i64 {
        let (a, b) = (self.seq[at], self.seq[at + 1]);
        let direct = if a == b { 0 } else { self.places.leg(a, b) };
        self.places.leg(a, place) + self.places.leg(place, b) - direct
    }

    fn cheapest_position(&self, place: u32) -> (i64, usize) {
        (0..self.seq.len() - 1)
            .map(|at| (self.detour(at, place), at))
            .min()
            .unwrap_or((NEVER, 0))
    }

    fn put(&mut self, at: usize, place: u32) {
        self.cost += self.detour(at, place);
        self.score += self.places.score(place);
        self.groups.enter(place);
        self.seq.insert(at + 1, place);
    }

    /// Takes the visit at a position out.
    fn take(&mut self, at: usize) -> u32 {
        let place = self.seq.remove(at);
        self.cost -= self.detour(at - 1, place);
        self.score -= self.places.score(place);
        self.groups.leave(place);
        place
    }

    /// Puts in what gives most score for its cost, again and again, with `whim` of chance; not
    /// what is in `shunned`.
    fn insert_all(&mut self, whim: f64, shunned: &[u32]) -> bool {
        let mut any = false;
        loop {
            let mut best: Option<(f64, u32, usize)> = None;
            for place in 0..self.places.len() as u32 {
                if !self.groups.is_free(place)
                    || self.places.score(place) == 0
                    || shunned.contains(&place)
                {
                    continue;
                }
                let (detour, at) = self.cheapest_position(place);
                if self.cost + detour > self.budget {
                    continue;
                }
                let luck = 1.0 + whim * (self.chance.share() - 0.5);
                let worth = self.places.score(place) as f64 / (detour.max(0) as f64 + 0.5) * luck;
                if best.is_none_or(|(w, _, _)| worth > w) {
                    best = Some((worth, place, at));
                }
            }
            let Some((_, place, at)) = best else {
                return any;
            };
            self.put(at, place);
            any = true;
        }
    }

    /// Takes a run of visits, or visits here and there, out and fills up by chance.
    fn tear_out(&mut self) {
        let visits = self.seq.len() - 2;
        let mut torn = Vec::new();
        if visits > 0 {
            let count = 1 + self.chance.below(visits.min(2 + visits / 2));
            if self.chance.below(3) > 0 {
                let first = 1 + self.chance.below(visits - count + 1);
                torn.extend((0..count).map(|_| self.take(first)));
            } else {
                for _ in 0..count.min(4) {
                    let at = 1 + self.chance.below(self.seq.len() - 2);
                    torn.push(self.take(at));
                    if self.seq.len() == 2 {
                        break;
                    }
                }
            }
        }
        // What was there comes back of itself; keep some of it away for now.
        let keep_away = self.chance.below(torn.len() + 1);
        torn.truncate(keep_away);
        self.insert_all(1.2, &torn);
    }

    fn improve(&mut self) {
        loop {
            while self.reverse_a_part() || self.move_a_visit() {}
            let more = self.insert_all(0.0, &[]);
            if !more && !self.exchange() {
                return;
            }
        }
    }

    /// Reverses the first part whose reversal shortens the tour. Costs may differ by direction.
    fn reverse_a_part(&mut self) -> bool {
        let n = self.seq.len();
        for i in 1..n.saturating_sub(2) {
            let (mut ahead, mut back) = (0, 0);
            for j in i + 1..n - 1 {
                ahead += self.places.leg(self.seq[j - 1], self.seq[j]);
                back += self.places.leg(self.seq[j], self.seq[j - 1]);
                let (before, after) = (self.seq[i - 1], self.seq[j + 1]);
                let old = self.places.leg(before, self.seq[i])
                    + ahead
                    + self.places.leg(self.seq[j], after);
                let new = self.places.leg(before, self.seq[j])
                    + back
                    + self.places.leg(self.seq[i], after);
                if new < old {
                    self.seq[i..=j].reverse();
                    self.cost += new - old;
                    return true;
                }
            }
        }
        false
    }

    fn move_a_visit(&mut self) -> bool {
        for at in 1..self.seq.len() - 1 {
            let old = self.cost;
            let place = self.take(at);
            let (detour, to) = self.cheapest_position(place);
            if self.cost + detour < old {
                self.put(to, place);
                return true;
            }
            self.put(at - 1, place);
        }
        false
    }

    /// Exchanges a visit for a better one that is not in the tour.
    fn exchange(&mut self) -> bool {
        for at in 1..self.seq.len() - 1 {
            let out = self.take(at);
            let mut best: Option<(i64, i64, u32, usize)> = None;
            for place in 0..self.places.len() as u32 {
                let gain = self.places.score(place) - self.places.score(out);
                if gain <= 0 || !self.groups.is_free(place) {
                    continue;
                }
                let (detour, to) = self.cheapest_position(place);
                if self.cost + detour > self.budget {
                    continue;
                }
                if best.is_none_or(|(g, d, _, _)| (gain, -detour) > (g, -d)) {
                    best = Some((gain, detour, place, to));
                }
            }
            if let Some((_, _, place, to)) = best {
                self.put(to, place);
                return true;
            }
            self.put(at - 1, out);
        }
        false
    }
}
