//! The time of a day against simulated riders, from a drawn alignment through the import to the
//! plan.

use std::collections::HashSet;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use planner::Planner;
use planner::document::{PointKind, Tour, TourPoint};
use planner::speed::open_speed_kmh;
use region::{LocalFrame, Point, Region, RoadClass};

const ORIGIN: Point = Point {
    lon_e7: 15_000_000,
    lat_e7: 425_000_000,
};

/// A part of an alignment: length, and radius with its sign; 0 is straight.
type Part = (f64, f64);

struct Noise(u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    fn between(&mut self, from: f64, to: f64) -> f64 {
        from + self.uniform() * (to - from)
    }

    fn normal(&mut self) -> f64 {
        let (u, v) = (self.uniform().max(1e-12), self.uniform());
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}

/// Vertices of an alignment as somebody would draw them from an aerial picture: some 20 m apart,
/// nearer in tight curves, each off by `sigma` metres.
fn drawn(parts: &[Part], sigma: f64, noise: &mut Noise) -> Vec<[f64; 2]> {
    let (mut at, mut heading) = ([0.0f64, 0.0], 0.0f64);
    let mut line = vec![at];
    for &(length, radius) in parts {
        let step = match radius {
            0.0 => 40.0,
            r => (r.abs() / 3.0).clamp(4.0, 20.0),
        };
        let steps = (length / step).ceil().max(1.0);
        for _ in 0..steps as u32 {
            let d = length / steps;
            let turn = if radius == 0.0 { 0.0 } else { d / radius };
            heading += turn / 2.0;
            // The chord of the arc.
            let chord = match turn {
                0.0 => d,
                t => 2.0 * radius * (t / 2.0).sin(),
            };
            at = [at[0] + chord * heading.cos(), at[1] + chord * heading.sin()];
            heading += turn / 2.0;
            line.push(at);
        }
    }
    let last = line.len() - 1;
    for p in &mut line[1..last] {
        *p = p.map(|v| v + sigma * noise.normal() / std::f64::consts::SQRT_2);
    }
    line
}

/// Seconds of a rider who looks ahead, step by step, by the published curves and rates.
fn simulated_s(parts: &[Part], straight_kmh: f64, limit_kmh: f64) -> f64 {
    let cap_ms = |radius: f64| {
        let curve = match radius.abs() {
            0.0 => f64::INFINITY,
            // Checks 2a: 104.82 - 3574.51 / R from 100 m on; checks 2c: lean 20 degrees.
            r if r < 100.0 => 3.6 * (9.80665 * r * 20f64.to_radians().tan()).sqrt(),
            r => (104.82 - 3574.51 / r).min(3.6 * (9.80665 * r * 20f64.to_radians().tan()).sqrt()),
        };
        curve.min(straight_kmh).min(limit_kmh) / 3.6
    };
    let mut ends = Vec::new();
    let mut total = 0.0;
    for &(length, radius) in parts {
        ends.push((total, total + length, cap_ms(radius), radius.abs()));
        total += length;
    }
    let (step_s, mut m, mut s) = (0.05, 0.0, 0.0);
    let (mut speed, mut rate) = (ends[0].2, 0.54);
    let mut here = 0;
    while m < total {
        while m >= ends[here].1 {
            here += 1;
        }
        let (_, _, cap, radius) = ends[here];
        let mut allowed = cap;
        for e in &ends[here + 1..] {
            if e.0 - m > 600.0 {
                break;
            }
            let brake = match e.3 {
                r if r > 0.0 && r < 175.0 => 1.0,
                r if r > 0.0 => (295.14 / r - 0.6794).max(0.2),
                _ => 1.0,
            };
            allowed = allowed.min((e.2 * e.2 + 2.0 * brake * (e.0 - m)).sqrt());
        }
        if radius > 0.0 && speed >= cap - 1e-6 {
            rate = match radius {
                r if r < 250.0 => 0.54,
                r if r < 436.0 => 0.43,
                _ => 0.21,
            };
        }
        speed = (speed + rate * step_s).min(allowed);
        m += speed * step_s;
        s += step_s;
    }
    s
}

fn planner_over(line: &[[f64; 2]], dir: &std::path::Path, cut: usize) -> (Planner, Tour) {
    let frame = LocalFrame::at(ORIGIN);
    let points: Vec<Point> = line.iter().map(|&p| frame.to_point(p)).collect();
    let mut xml = String::from("<?xml version='1.0'?><osm version='0.6'>");
    for (i, p) in points.iter().enumerate() {
        xml += &format!(
            "<node id='{}' lat='{:.7}' lon='{:.7}'/>",
            i + 1,
            p.lat(),
            p.lon()
        );
    }
    // Cut into ways, as maps are.
    let mut first = 0;
    let mut way = 1;
    while first + 1 < points.len() {
        let last = (first + cut).min(points.len() - 1);
        xml += &format!("<way id='{way}'>");
        for i in first..=last {
            xml += &format!("<nd ref='{}'/>", i + 1);
        }
        xml += "<tag k='highway' v='primary'/><tag k='maxspeed' v='90'/>\
                <tag k='surface' v='asphalt'/><tag k='name' v='Long Road'/></way>";
        (first, way) = (last, way + 1);
    }
    xml += "</osm>";
    let file = dir.join("road.osm");
    std::fs::write(&file, xml).expect("a file");
    let out = dir.join("road.region");
    let job = import::Job {
        name: "road",
        files: &[file],
        elevation: &[],
        credit: None,
        out: &out,
    };
    import::import(&job, &|_: &str, _, _| {}, &AtomicBool::new(false)).expect("an import");
    let stop = |p: Point| TourPoint::new(PointKind::Stop, [p.lat(), p.lon()]);
    let ends = vec![stop(points[0]), stop(points[points.len() - 1])];
    let tour = Tour::new("road", "fastest", ends);
    let region = Region::open(&out).expect("a region");
    let planner = Planner::new(Arc::new(region)).expect("a planner");
    (planner, tour)
}

/// Random alignments from hairpins to sweeping curves, drawn with up to half a metre of noise, cut
/// into ways anywhere: the plan takes the time of the simulated rider within 5 %.
#[test]
fn plans_take_the_time_of_simulated_riders() {
    let mut noise = Noise(0x2545_f491_4f6c_dd1d);
    let dir = tempfile::tempdir().expect("a folder");
    let mut worst: f64 = 0.0;
    for round in 0..24 {
        let tight: f64 = [12.0, 30.0, 60.0, 120.0, 250.0, 450.0][round % 6];
        let mut parts: Vec<Part> = Vec::new();
        let mut side = 1.0;
        for _ in 0..40 {
            parts.push((noise.between(0.5, 5.0) * tight.max(40.0), 0.0));
            let radius = noise.between(tight, 2.0 * tight);
            let turn = noise.between(0.5, 2.2).min(2.6);
            // Left and right in turns, so that the road gets away from itself.
            parts.push((radius * turn, side * radius));
            side = -side;
        }
        let sigma = [0.0, 0.3, 0.5][round % 3];
        let line = drawn(&parts, sigma, &mut noise);
        let (planner, tour) = planner_over(&line, dir.path(), [17, 60, 400][round % 3]);
        let plan = planner.plan(&tour, &HashSet::new()).expect("a plan");
        let length: f64 = parts.iter().map(|p| p.0).sum();
        assert!(
            (plan.total.length_m / length - 1.0).abs() < 0.02,
            "{} {length}",
            plan.total.length_m
        );
        // What the model takes for the straights of a road with such a bend rate.
        let bend = planner.region().piece_bend_deg_per_km();
        let bend = bend.iter().map(|&b| f64::from(b)).sum::<f64>() / bend.len() as f64;
        let straight = open_speed_kmh(RoadClass::Primary, 0, bend);
        let want = simulated_s(&parts, straight, 0.95 * 90.0);
        let off = plan.total.riding_s / want - 1.0;
        worst = worst.max(off.abs());
        assert!(
            off.abs() < 0.05,
            "radius {tight} m, noise {sigma} m: {:.0} s, simulated {want:.0} s",
            plan.total.riding_s
        );
    }
    assert!(worst > 0.0);
}

/// A straight road with noise of half a metre and of a metre stays straight: no slower than 2 %.
#[test]
fn noise_takes_no_time() {
    let mut noise = Noise(99);
    let dir = tempfile::tempdir().expect("a folder");
    let straight = [(20_000.0, 0.0)];
    let times: Vec<f64> = [0.0, 0.5, 1.0]
        .iter()
        .map(|&sigma| {
            let line = drawn(&straight, sigma, &mut noise);
            let (planner, tour) = planner_over(&line, dir.path(), 100);
            planner
                .plan(&tour, &HashSet::new())
                .expect("a plan")
                .total
                .riding_s
        })
        .collect();
    for time in &times[1..] {
        assert!((time / times[0] - 1.0).abs() < 0.02, "{times:?}");
    }
}
