//! The search core beside `routingkit-cch` and plain Dijkstra: `make bench`.
//!
//! Turn graphs of real and invented countries and of countries laid side by side, up to five
//! million turns. Both sides run in one process, turn by turn, and the least of a few repetitions
//! counts. Every distance is compared, every path is added up. A missed bar is an error.
//!
//! `search [--most TURNS] [--reps N] [--synth KM2]`: graphs above that size are left out; an invented
//! country of that area is measured too.
#![allow(clippy::print_stdout, clippy::print_stderr)]

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Instant;

use common::{Outcome, Random, extract, imported, ms};
use region::{Access, Edge};
use routingkit_cch as reference;
use shortest_paths::dijkstra::Search;
use shortest_paths::order::edge_order;
use shortest_paths::{Columns, Contraction, Customizer, Graph, INFINITY, Query};

/// Queries a graph is asked.
const QUERIES: usize = 1000;
/// Of those, how many Dijkstra is asked too.
const PLAIN: usize = 20;
/// Turns up to which the order of the expanded graph is worked out for comparison.
const EXPANDED_MOST: usize = 1_400_000;

fn main() -> Outcome<()> {
    let option = |name: &str, default: usize| {
        let mut args = std::env::args().skip_while(|a| a != name);
        args.nth(1).and_then(|v| v.parse().ok()).unwrap_or(default)
    };
    if let Some(file) = std::env::args().skip_while(|a| a != "--peak").nth(1) {
        return print_peak(&file);
    }
    let (most, reps) = (option("--most", 6_000_000), option("--reps", 5));
    let dir = tempfile::tempdir()?;
    let net = |name: &str| -> Outcome<Option<Net>> {
        let file = extract(name);
        file.map(|file| Net::import(name, file, dir.path()))
            .transpose()
    };
    let andorra = net("andorra-2025-01-19")?;
    let liechtenstein = net("liechtenstein-2024-03-04")?;
    let malta = net("malta-2024-03-13")?;

    let mut nets: Vec<(String, Net)> = Vec::new();
    let mut invented = vec![("demo country".to_owned(), synth::Country::demo())];
    if let area @ 1.. = option("--synth", 0) {
        let country = synth::Country::of_area_km2(7, area as f64);
        invented.push((format!("invented, {area} km2"), country));
    }
    for (name, country) in invented {
        let file = dir.path().join("invented.osm.pbf");
        country
            .generate(&mut |_, _| {}, &AtomicBool::new(false))?
            .write_pbf(&file)?;
        nets.push((name, Net::import("invented", file, dir.path())?));
    }
    if let (Some(a), Some(l), Some(m)) = (andorra, liechtenstein, malta) {
        nets.push(("8 x 8 Andorra".into(), Net::grid(&[&a], 8, 6)));
        nets.push((
            "7 x 7 Andorra, Liechtenstein".into(),
            Net::grid(&[&a, &l], 7, 6),
        ));
        nets.push((
            "7 x 7 mixed, many links".into(),
            Net::grid(&[&a, &l], 7, 120),
        ));
        nets.push(("3 x 3 Malta".into(), Net::grid(&[&m], 3, 40)));
        nets.push(("16 x 16 Andorra".into(), Net::grid(&[&a], 16, 6)));
        nets.push(("Malta".into(), m));
        nets.push(("Andorra".into(), a));
    }
    let mut missed = Vec::new();
    let mut rows = Vec::new();
    for (name, net) in nets {
        let turns = net.expand();
        if turns.head.len() > most {
            continue;
        }
        let row = measure(&name, &net, &turns, reps)?;
        println!("{row}");
        missed.extend(row.missed().into_iter().map(|bar| format!("{name}: {bar}")));
        rows.push(row.json());
    }
    println!("{}", serde_json::Value::Array(rows));
    if missed.is_empty() {
        return Ok(());
    }
    Err(format!(
        "missed, is the machine busy with something else?\n{}",
        missed.join("\n")
    )
    .into())
}

/// Junctions and pieces of road.
struct Net {
    x: Vec<i32>,
    y: Vec<i32>,
    from: Vec<u32>,
    to: Vec<u32>,
    /// Forward, backward.
    rideable: Vec<[bool; 2]>,
    /// 10 ms at 50 km/h.
    cost: Vec<u32>,
}

/// A turn-expanded net: a node for each direction of each piece.
struct Turns {
    first_out: Vec<u32>,
    tail: Vec<u32>,
    head: Vec<u32>,
    weights: Vec<u32>,
}

impl Net {
    fn import(name: &str, file: PathBuf, dir: &Path) -> Outcome<Self> {
        let region = imported(name, &file, &dir.join(format!("{name}.region")))?;
        let pieces = 0..region.piece_count();
        let rideable = |e: u32| region.access(Edge(e)) <= Access::Unverified;
        Ok(Net {
            x: region.node_lon_e7().to_vec(),
            y: region.node_lat_e7().to_vec(),
            from: region.piece_from().to_vec(),
            to: region.piece_to().to_vec(),
            rideable: pieces
                .map(|p| [rideable(2 * p), rideable(2 * p + 1)])
                .collect(),
            cost: region
                .piece_length_mm()
                .iter()
                .map(|mm| mm / 139 + 1)
                .collect(),
        })
    }

    /// Copies of the nets, in turn, on a grid of `side` by `side`; neighbours are joined by
    /// `links` roads between junctions near the common border.
    fn grid(nets: &[&Net], side: usize, links: usize) -> Self {
        let mut all = Net {
            x: vec![],
            y: vec![],
            from: vec![],
            to: vec![],
            rideable: vec![],
            cost: vec![],
        };
        let width = nets.iter().map(|n| n.size()[0]).max().unwrap_or(0) + 100_000;
        let height = nets.iter().map(|n| n.size()[1]).max().unwrap_or(0) + 100_000;
        let mut first = Vec::new();
        for cell in 0..side * side {
            let net = nets[cell % nets.len()];
            let [west, south] = net.corner();
            let (east, north) = ((cell % side) as i32 * width, (cell / side) as i32 * height);
            let base = all.x.len() as u32;
            first.push(base);
            all.x.extend(net.x.iter().map(|x| x - west + east));
            all.y.extend(net.y.iter().map(|y| y - south + north));
            all.from.extend(net.from.iter().map(|v| v + base));
            all.to.extend(net.to.iter().map(|v| v + base));
            all.rideable.extend_from_slice(&net.rideable);
            all.cost.extend_from_slice(&net.cost);
        }
        first.push(all.x.len() as u32);
        for cell in 0..side * side {
            for (inside, next, across) in [
                (cell % side + 1 < side, cell + 1, 0),
                (cell / side + 1 < side, cell + side, 1),
            ] {
                if !inside {
                    continue;
                }
                let here = all.border(first[cell]..first[cell + 1], across, true, links);
                let there = all.border(first[next]..first[next + 1], across, false, links);
                for (a, b) in here.into_iter().zip(there) {
                    all.from.push(a);
                    all.to.push(b);
                    all.rideable.push([true, true]);
                    all.cost.push(20_000);
                }
            }
        }
        all
    }

    fn corner(&self) -> [i32; 2] {
        [&self.x, &self.y].map(|c| c.iter().copied().min().unwrap_or(0))
    }

    fn size(&self) -> [i32; 2] {
        let far = [&self.x, &self.y].map(|c| c.iter().copied().max().unwrap_or(0));
        let near = self.corner();
        [far[0] - near[0], far[1] - near[1]]
    }

    /// Junctions nearest one side of a copy, sorted along that side.
    fn border(
        &self,
        nodes: std::ops::Range<u32>,
        across: usize,
        far: bool,
        count: usize,
    ) -> Vec<u32> {
        let (main, other) = match across {
            0 => (&self.x, &self.y),
            _ => (&self.y, &self.x),
        };
        let mut nodes: Vec<u32> = nodes.collect();
        let sign = if far { -1 } else { 1 };
        nodes.sort_by_key(|&v| (sign * i64::from(main[v as usize]), v));
        nodes.truncate(count);
        nodes.sort_by_key(|&v| (other[v as usize], v));
        nodes
    }

    /// All turns but the one back, which is there only where the road ends.
    fn expand(&self) -> Turns {
        let pieces = self.from.len();
        let mut leaving = vec![Vec::new(); self.x.len()];
        for p in 0..pieces {
            for (direction, at) in [self.from[p], self.to[p]].into_iter().enumerate() {
                if self.rideable[p][direction] {
                    leaving[at as usize].push((2 * p + direction) as u32);
                }
            }
        }
        let mut turns = Turns {
            first_out: vec![0],
            tail: vec![],
            head: vec![],
            weights: vec![],
        };
        for state in 0..2 * pieces as u32 {
            let (p, direction) = (state as usize / 2, state as usize & 1);
            if self.rideable[p][direction] {
                let at = [self.to[p], self.from[p]][direction] as usize;
                let ends = leaving[at].iter().all(|&e| e == state ^ 1);
                for &next in leaving[at].iter().filter(|&&e| ends || e != state ^ 1) {
                    turns.tail.push(state);
                    turns.head.push(next);
                    // Some turns cost more than others.
                    let turn = (state.wrapping_mul(2_654_435_761) ^ next) % 500;
                    turns.weights.push(self.cost[p] + turn);
                }
            }
            turns.first_out.push(turns.head.len() as u32);
        }
        turns
    }
}

/// Milliseconds, or microseconds where the name says so.
#[derive(Default)]
struct Row {
    name: String,
    turns: usize,
    order_ms: [f64; 3],
    arcs: [f64; 2],
    triangles: [f64; 2],
    contract_ms: f64,
    check_ms: f64,
    customize_ms: [f64; 3],
    four_ms: f64,
    distance_us: [f64; 2],
    path_us: [f64; 2],
    drag_us: f64,
    dijkstra_us: f64,
    update_us: f64,
    topology_bytes: f64,
    metric_bytes: f64,
    peak_bytes: f64,
}

impl Row {
    /// `(what, measured, must)`: at most that much.
    fn bars(&self) -> Vec<(&'static str, f64, f64)> {
        let mut bars = vec![
            ("order, 1 thread", self.order_ms[0] / self.order_ms[2], 0.5),
            ("order, 2 threads", self.order_ms[1] / self.order_ms[2], 0.3),
            (
                "customize, 1 thread",
                self.customize_ms[0] / self.customize_ms[2],
                0.55,
            ),
            (
                "customize, 2 threads",
                self.customize_ms[1] / self.customize_ms[2],
                0.38,
            ),
            (
                "four metrics, 1 thread",
                self.four_ms / self.customize_ms[2],
                0.8,
            ),
            ("distance", self.distance_us[0] / self.distance_us[1], 0.5),
            ("distance and path", self.path_us[0] / self.path_us[1], 0.95),
            (
                "memory of the topology, bytes a turn",
                self.topology_bytes,
                60.0,
            ),
            ("memory of a metric, bytes a turn", self.metric_bytes, 22.0),
            ("memory at most, bytes a turn", self.peak_bytes, 140.0),
        ];
        if self.arcs[1] > 0.0 {
            bars.push(("arcs", self.arcs[0] / self.arcs[1], 0.95));
            bars.push(("triangles", self.triangles[0] / self.triangles[1], 1.0));
        }
        if self.turns >= 1_000_000 {
            bars.push((
                "distance to Dijkstra",
                self.distance_us[0] / self.dijkstra_us,
                1.0 / 500.0,
            ));
            bars.push((
                "dragged point to Dijkstra",
                self.drag_us / (2.0 * self.dijkstra_us),
                0.01,
            ));
        }
        bars
    }

    fn missed(&self) -> Vec<String> {
        // What takes a millisecond is all overhead, and no rider waits for it.
        let bars = self.bars().into_iter();
        bars.filter(|(what, measured, must)| {
            let tiny = self.turns < 100_000 && !what.starts_with("memory");
            !tiny && (measured.is_nan() || measured > must)
        })
        .map(|(what, measured, must)| format!("{what} {measured:.3}, at most {must}"))
        .collect()
    }

    fn json(&self) -> serde_json::Value {
        let bars: serde_json::Map<String, serde_json::Value> = self
            .bars()
            .into_iter()
            .map(|(what, measured, must)| {
                (
                    what.into(),
                    serde_json::json!({"measured": measured, "must": must}),
                )
            })
            .collect();
        serde_json::json!({
            "graph": self.name, "turns": self.turns,
            "order_ms": {"one": self.order_ms[0], "two": self.order_ms[1], "reference": self.order_ms[2]},
            "contract_ms": self.contract_ms, "check_ms": self.check_ms,
            "customize_ms": {"one": self.customize_ms[0], "two": self.customize_ms[1], "reference": self.customize_ms[2], "four": self.four_ms},
            "distance_us": {"own": self.distance_us[0], "reference": self.distance_us[1]},
            "path_us": {"own": self.path_us[0], "reference": self.path_us[1]},
            "drag_us": self.drag_us, "dijkstra_us": self.dijkstra_us, "update_us": self.update_us,
            "bars": bars,
        })
    }
}

impl std::fmt::Display for Row {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        writeln!(f, "{}: {} turns", self.name, self.turns)?;
        writeln!(
            f,
            "  ms: order {:.0} / {:.0} (reference {:.0}), contract {:.0}, check {:.1}, customize {:.1} / {:.1} (reference {:.1}), four {:.1}",
            self.order_ms[0],
            self.order_ms[1],
            self.order_ms[2],
            self.contract_ms,
            self.check_ms,
            self.customize_ms[0],
            self.customize_ms[1],
            self.customize_ms[2],
            self.four_ms,
        )?;
        writeln!(
            f,
            "  us: distance {:.1} (reference {:.1}), with path {:.1} ({:.1}), dragged point {:.1}, Dijkstra {:.0}, one weight changed {:.1}",
            self.distance_us[0],
            self.distance_us[1],
            self.path_us[0],
            self.path_us[1],
            self.drag_us,
            self.dijkstra_us,
            self.update_us,
        )?;
        for (what, measured, must) in self.bars() {
            let mark = if measured <= must { " " } else { "!" };
            writeln!(f, "  {mark} {what}: {measured:.4} (at most {must:.4})")?;
        }
        Ok(())
    }
}

fn measure(name: &str, net: &Net, turns: &Turns, reps: usize) -> Outcome<Row> {
    let never = AtomicBool::new(false);
    let mut row = Row {
        name: name.into(),
        turns: turns.head.len(),
        ..Row::default()
    };
    let degrees = |c: &[i32]| c.iter().map(|&c| c as f32 / 1e7).collect::<Vec<f32>>();
    let (lat, lon) = (degrees(&net.y), degrees(&net.x));
    let both = |a: &[u32], b: &[u32]| {
        let pairs = a.iter().zip(b);
        pairs.flat_map(|(&a, &b)| [a, b]).collect::<Vec<u32>>()
    };
    let (tails, heads) = (both(&net.from, &net.to), both(&net.to, &net.from));
    let order = |threads| edge_order(&net.x, &net.y, &net.from, &net.to, threads, &|_| true);
    let mut pieces = Vec::new();
    row.order_ms = least(reps.min(3), |i| match i {
        0 | 1 => pieces = order(i + 1).unwrap_or_default(),
        _ => drop(reference::compute_order_inertial(
            net.x.len() as u32,
            &tails,
            &heads,
            &lat,
            &lon,
        )),
    });

    let states: Vec<u32> = pieces.iter().flat_map(|&p| [2 * p, 2 * p + 1]).collect();
    row.peak_bytes = peak_bytes(turns, &states)? / row.turns as f64;
    let start = Instant::now();
    let contraction = Contraction::new(&turns.first_out, &turns.head, &states)?;
    row.contract_ms = ms(start);
    let t = contraction.topology();
    // The turns themselves are the map's; this is what the hierarchy adds.
    let of_half = t.half.iter().map(|h| h.first_out.len() + h.head.len());
    let words = t.slot.len() + 3 * t.rank.len() + t.first_low.len() + t.low.len() + t.third.len();
    // And a bit an arc, which is worked out when it is opened.
    let most = t.half.iter().map(|h| h.head.len()).max().unwrap_or(0);
    let bytes = 4 * (words + of_half.sum::<usize>()) + most.div_ceil(4);
    row.topology_bytes = bytes as f64 / row.turns as f64;
    if row.turns <= EXPANDED_MOST {
        let middle = |c: &[f32]| {
            let ends = net.from.iter().zip(&net.to);
            ends.flat_map(|(&a, &b)| [(c[a as usize] + c[b as usize]) / 2.0; 2])
                .collect::<Vec<f32>>()
        };
        let expanded = reference::compute_order_inertial(
            states.len() as u32,
            &turns.tail,
            &turns.head,
            &middle(&lat),
            &middle(&lon),
        );
        let other = Contraction::new(&turns.first_out, &turns.head, &expanded)?;
        row.arcs = [&contraction, &other].map(|c| c.arc_count() as f64);
        row.triangles = [&contraction, &other].map(|c| c.triangle_count() as f64);
    }

    let start = Instant::now();
    let graph = Graph::new(Arc::new(contraction))?;
    row.check_ms = ms(start);
    let theirs = reference::CCH::new(&states, &turns.tail, &turns.head, |_| {}, false);
    let mut their_metric = reference::CCHMetric::new(&theirs, turns.weights.clone());
    let mut customizer = Customizer::new();
    let mut four = f64::INFINITY;
    row.customize_ms = least(reps, |i| match i {
        0 | 1 => {
            let made = customizer.run(&graph, [turns.weights.clone()], i + 1, &never);
            if let Ok([metric]) = made {
                customizer.retire(metric);
            }
        }
        _ => their_metric.reset(turns.weights.clone()),
    });
    for _ in 0..reps {
        let weights = [(); 4].map(|()| turns.weights.clone());
        let start = Instant::now();
        let made = customizer.run(&graph, weights, 1, &never)?;
        four = four.min(ms(start));
        made.into_iter()
            .for_each(|metric| customizer.retire(metric));
    }
    row.four_ms = four;
    let mut metric = shortest_paths::Metric::new(&graph, turns.weights.clone())?;
    row.metric_bytes = metric.bytes() as f64 / row.turns as f64;

    let mut random = Random::new(1);
    let mut node = || random.below(states.len()) as u32;
    let pairs: Vec<[u32; 3]> = (0..QUERIES).map(|_| [node(), node(), node()]).collect();
    let mut query = Query::new();
    let mut their_query = reference::CCHQuery::new(&their_metric);
    let mut ours = vec![INFINITY; QUERIES];
    let mut other = vec![None; QUERIES];
    row.distance_us = least(reps, |i| {
        for (q, &[s, d, _]) in pairs.iter().enumerate() {
            if i == 0 {
                ours[q] = query.cost(&graph, &metric, &[(s, 0)], &[(d, 0)]);
            } else {
                their_query.add_source(s, 0);
                their_query.add_target(d, 0);
                other[q] = their_query.run().distance();
            }
        }
    })
    .map(|ms: f64| ms * 1000.0 / QUERIES as f64);
    for (own, their) in ours.iter().zip(&other) {
        if *own != their.unwrap_or(INFINITY) {
            return Err(format!("{name}: {own} here, {their:?} by the reference").into());
        }
    }
    let mut steps = [0usize; 2];
    row.path_us = least(reps, |i| {
        for &[s, d, _] in &pairs {
            if i == 0 {
                let found = query.run(&graph, &metric, &[(s, 0)], &[(d, 0)]);
                steps[0] += found.map_or(0, |f| f.nodes.len());
            } else {
                their_query.add_source(s, 0);
                their_query.add_target(d, 0);
                let found = their_query.run();
                std::hint::black_box(found.distance());
                steps[1] += found.node_path().len();
            }
        }
    })
    .map(|ms: f64| ms * 1000.0 / QUERIES as f64);
    assert!(steps[0] > 0 && steps[1] > 0);
    let [drag] = least(reps, |_| {
        for &[s, via, d] in &pairs {
            for (from, to) in [(s, via), (via, d)] {
                std::hint::black_box(query.run(&graph, &metric, &[(from, 0)], &[(to, 0)]));
            }
        }
    });
    row.drag_us = drag * 1000.0 / QUERIES as f64;

    let mut search = Search::new();
    let start = Instant::now();
    for (q, &[s, d, _]) in pairs.iter().take(PLAIN).enumerate() {
        let Turns {
            first_out,
            head,
            weights,
            ..
        } = turns;
        let found = search.run(first_out, head, weights, &[(s, 0)], &[(d, 0)]);
        if found.map_or(INFINITY, |f| f.0) != ours[q] {
            return Err(format!("{name}: Dijkstra disagrees").into());
        }
    }
    row.dijkstra_us = ms(start) * 1000.0 / PLAIN as f64;
    for &[s, d, _] in pairs.iter().take(200) {
        let Some(found) = query.run(&graph, &metric, &[(s, 0)], &[(d, 0)]) else {
            continue;
        };
        let step = |pair: &[u32]| {
            let row = turns.first_out[pair[0] as usize]..turns.first_out[pair[0] as usize + 1];
            row.filter(|&a| turns.head[a as usize] == pair[1])
                .map(|a| turns.weights[a as usize])
                .min()
        };
        let sum: Option<u32> = found.nodes.windows(2).map(step).sum();
        if sum != Some(found.cost) {
            return Err(format!("{name}: a path does not add up").into());
        }
    }

    let closed: Vec<u32> = (0..200).map(|_| random.below(row.turns) as u32).collect();
    let start = Instant::now();
    for &arc in &closed {
        metric.update(&graph, &[(arc, INFINITY)]);
    }
    row.update_us = ms(start) * 1000.0 / closed.len() as f64;
    let mut weights = turns.weights.clone();
    closed
        .iter()
        .for_each(|&arc| weights[arc as usize] = INFINITY);
    if metric != shortest_paths::Metric::new(&graph, weights)? {
        return Err(format!("{name}: closing roads one by one differs from all at once").into());
    }
    Ok(row)
}

/// The least time of each of `N` ways of doing a thing, run in turn, milliseconds.
fn least<const N: usize>(reps: usize, mut run: impl FnMut(usize)) -> [f64; N] {
    let mut best = [f64::INFINITY; N];
    for _ in 0..reps.max(1) {
        for (i, best) in best.iter_mut().enumerate() {
            let start = Instant::now();
            run(i);
            *best = best.min(ms(start));
        }
    }
    best
}

/// The most memory contraction takes beside what it is given, bytes: measured in a process of its
/// own, where nothing freed before can be taken again.
fn peak_bytes(turns: &Turns, states: &[u32]) -> Outcome<f64> {
    let dir = tempfile::tempdir()?;
    let file = dir.path().join("turns");
    let mut bytes = Vec::new();
    for column in [&turns.first_out[..], &turns.head, states] {
        bytes.extend((column.len() as u32).to_le_bytes());
        bytes.extend(column.iter().flat_map(|v| v.to_le_bytes()));
    }
    std::fs::write(&file, bytes)?;
    let out = std::process::Command::new(std::env::current_exe()?)
        .arg("--peak")
        .arg(&file)
        .output()?;
    Ok(String::from_utf8(out.stdout)?.trim().parse()?)
}

/// The other side of [`peak_bytes`].
fn print_peak(file: &str) -> Outcome<()> {
    let columns = {
        let bytes = std::fs::read(file)?;
        let mut words = bytes
            .as_chunks::<4>()
            .0
            .iter()
            .map(|w| u32::from_le_bytes(*w));
        [(); 3].map(|()| {
            let len = words.next().unwrap_or(0) as usize;
            words.by_ref().take(len).collect::<Vec<u32>>()
        })
    };
    let [first_out, head, states] = &columns;
    forget_peak();
    let before = memory("VmRSS");
    let contraction = Contraction::new(first_out, head, states)?;
    assert!(contraction.arc_count() > 0);
    println!("{}", memory("VmHWM") - before);
    Ok(())
}

/// A line of /proc/self/status in bytes; 0 where there is none.
fn memory(what: &str) -> i64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|l| l.starts_with(what));
    let kb = line.and_then(|l| l.split_whitespace().nth(1)?.parse::<i64>().ok());
    kb.unwrap_or(0) * 1024
}

/// Starts the record of the most memory anew (Linux).
fn forget_peak() {
    let _ = std::fs::write("/proc/self/clear_refs", "5");
}
