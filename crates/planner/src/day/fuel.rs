//! Where to refuel: the fewest halts, taken when some three quarters of the range are gone.
//!
//! Range is `(tank - reserve) / consumption * 100`. Refuelling at 70 to 80 % of the range is common
//! practice. Stations within reach are nodes of a small graph, a stage from one to another an arc
//! if the range covers it; the best chain is found node by node, which is exact.

/// Shares of the range between which one likes to refuel.
const LIKED: [f64; 2] = [0.7, 0.8];

/// Range on what may be used of a tank, metres: the reserve stays.
pub fn range_m(tank_l: f64, reserve_l: f64, consumption_l_per_100km: f64) -> f64 {
    if consumption_l_per_100km > 0.0 {
        (tank_l - reserve_l).max(0.0) / consumption_l_per_100km * 100_000.0
    } else {
        f64::INFINITY
    }
}

/// A place to refuel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Station {
    /// Metres along the line.
    pub at_m: f64,
    /// Metres to ride for it, there and back to the line.
    pub detour_m: f64,
    /// The rider refuels here anyway: it costs nothing, and is never passed by.
    pub is_set: bool,
}

/// What was chosen.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Choice {
    /// Stations to refuel at, ascending.
    pub stops: Vec<usize>,
    /// Metres along the line at which the range ends before any station, ascending; after each the
    /// plan goes on as if fuel had been found at the next station.
    pub dry_m: Vec<f64>,
}

/// Chooses among stations, ascending along a line of `total_m`, with a full tank at the start: first
/// the fewest further halts, then the least distance outside the liked shares, detours added.
pub fn choose(stations: &[Station], total_m: f64, range_m: f64) -> Choice {
    let mut choice = Choice::default();
    if range_m.is_infinite() {
        return choice;
    }
    // Node 0 is the start, node i + 1 station i, the last node the end.
    let n = stations.len() + 2;
    let at = |node: usize| match node {
        0 => 0.0,
        i if i == n - 1 => total_m,
        i => stations[i - 1].at_m,
    };
    let aside = |node: usize| match node {
        0 => 0.0,
        i if i == n - 1 => 0.0,
        i => stations[i - 1].detour_m / 2.0,
    };
    let is_set = |node: usize| node > 0 && node < n - 1 && stations[node - 1].is_set;
    let mut start = 0;
    loop {
        // Halts, displeasure, node before.
        let mut best: Vec<Option<(u32, f64, usize)>> = vec![None; n];
        best[start] = Some((0, 0.0, start));
        for node in start + 1..n {
            for from in (start..node).rev() {
                if at(node) - at(from) > range_m {
                    break;
                }
                let stage_m = at(node) - at(from) + aside(from) + aside(node);
                if let Some((halts, cost, _)) = best[from].filter(|_| stage_m <= range_m) {
                    let (more, worse) = match (node == n - 1, is_set(node)) {
                        (true, _) | (_, true) => (0, 0.0),
                        _ => (1, displeasure_m(stage_m, range_m) + 2.0 * aside(node)),
                    };
                    let through = (halts + more, cost + worse, from);
                    if best[node].is_none_or(|b| (through.0, through.1) < (b.0, b.1)) {
                        best[node] = Some(through);
                    }
                }
                if is_set(from) {
                    break;
                }
            }
        }
        let mut end = n - 1;
        if best[end].is_none() {
            // As far as it goes, and on from the next station.
            let reach = |node: usize| at(node) + range_m - aside(node);
            let reached = (start..n - 1).filter(|&i| best[i].is_some());
            end = reached
                .max_by(|&a, &b| reach(a).total_cmp(&reach(b)).then(b.cmp(&a)))
                .unwrap_or(start);
            choice.dry_m.push(reach(end).min(total_m));
        }
        let is_dry = end != n - 1;
        let mut chain = Vec::new();
        let mut node = end;
        while node != start {
            if node != n - 1 {
                chain.push(node - 1);
            }
            node = best[node].map_or(start, |b| b.2);
        }
        choice.stops.extend(chain.into_iter().rev());
        if !is_dry {
            return choice;
        }
        let next = (end + 1..n - 1).find(|&i| best[i].is_none() && at(i) > at(end));
        let Some(next) = next else {
            return choice;
        };
        choice.stops.push(next - 1);
        start = next;
    }
}

/// Metres by which a stage ends before or after one likes to refuel.
fn displeasure_m(stage_m: f64, range_m: f64) -> f64 {
    (stage_m - LIKED[1] * range_m).max(0.0) + (LIKED[0] * range_m - stage_m).max(0.0)
}
