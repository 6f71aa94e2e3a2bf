//! Curves as a rider counts them: how many, how left and right follow one another, and where the
//! speed has to change hard.
//!
//! Works on the bends of [`super::shape`], which are free of the noise of digitised lines. A curve
//! is a run of bends one way; its radius is its length over its turning, so its curvature change
//! rate is that of the whole curve with its transitions (CCRs of Lamm, Psarianos and Mailaender
//! 1999: 63700 / R gon/km on a circle).

use super::shape::Bend;

/// Less turning than this is no curve, radians: 15 degrees (common practice).
const LEAST_TURN_RAD: f64 = 0.261_799_388;
/// Bends the same way with less road than this between them are one curve, metres (common
/// practice).
const JOIN_M: f64 = 20.0;
/// After a longer straight than this the next curve stands for itself, metres: some eight seconds
/// (common practice).
const RHYTHM_M: f64 = 150.0;
/// More than this from one element of the road to the next is poor design, km/h (safety criterion
/// II of Lamm et al.).
const HARD_KMH: f64 = 20.0;
/// Acceleration and deceleration of the criterion, m/s2.
const PACE_M_S2: f64 = 0.85;

/// A run of bends one way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Curve {
    /// Start along the line, metres.
    pub from_m: f64,
    /// End along the line, metres.
    pub to_m: f64,
    /// Turning, radians, without sign.
    pub turn_rad: f64,
    /// Whether it turns left.
    pub is_left: bool,
}

impl Curve {
    /// Operating speed, km/h: 10^6 / (8270 + 8.01 CCRs), CCRs in gon/km (German two-lane roads,
    /// Lamm et al. 1999, as recalled in the project's checks); unlike relations in 1/R it stays
    /// positive in hairpins.
    fn v85_kmh(&self) -> f64 {
        let gon = self.turn_rad.to_degrees() / 0.9;
        let length_km = (self.to_m - self.from_m).max(1.0) / 1000.0;
        1e6 / (8270.0 + 8.01 * gon / length_km)
    }
}

/// The curves of a line.
pub fn curves(bends: &[Bend]) -> Vec<Curve> {
    let all = bends.iter().map(|b| Curve {
        from_m: b.from_m,
        to_m: b.to_m,
        turn_rad: b.turn_rad,
        is_left: b.is_left,
    });
    let mut runs = joined(all);
    runs.retain(|c| c.turn_rad >= LEAST_TURN_RAD);
    // A slight bend the other way within a curve has gone, and what it divided is one curve.
    joined(runs.into_iter())
}

fn joined(curves: impl Iterator<Item = Curve>) -> Vec<Curve> {
    let mut runs: Vec<Curve> = Vec::new();
    for curve in curves {
        match runs.last_mut() {
            Some(run) if run.is_left == curve.is_left && curve.from_m - run.to_m < JOIN_M => {
                run.to_m = curve.to_m;
                run.turn_rad += curve.turn_rad;
            }
            _ => runs.push(curve),
        }
    }
    runs
}

/// Where a left curve is followed by a right one or the other way round: half way between them,
/// metres along the line.
pub fn changes(curves: &[Curve]) -> impl Iterator<Item = f64> {
    let pairs = curves.windows(2);
    let swings =
        pairs.filter(|p| p[0].is_left != p[1].is_left && p[1].from_m - p[0].to_m <= RHYTHM_M);
    swings.map(|p| (p[0].to_m + p[1].from_m) / 2.0)
}

/// Where the operating speed differs by more than [`HARD_KMH`] between a curve and what comes
/// before or after it, metres along the line; the same both ways. `limit_kmh` is the limit at a
/// place, which no speed exceeds.
///
/// Between two curves at speeds `v1` and `v2` a straight of length `l` is ridden at up to
/// `v^2 = (v1^2 + v2^2) / 2 + a l`, if it is long enough to get from one to the other at all
/// (tangent speed of Lamm et al., as recalled).
pub fn breaks(curves: &[Curve], length_m: f64, limit_kmh: impl Fn(f64) -> f64) -> Vec<f64> {
    let straight = Curve {
        from_m: 0.0,
        to_m: 0.0,
        turn_rad: 0.0,
        is_left: false,
    };
    let speed = |c: &Curve| c.v85_kmh().min(limit_kmh((c.from_m + c.to_m) / 2.0));
    let tangent = |from_m: f64, to_m: f64, v1: f64, v2: f64| {
        let free = straight.v85_kmh().min(limit_kmh((from_m + to_m) / 2.0));
        let squares = (v1 * v1 + v2 * v2) / 2.0;
        let reached = (squares + 12.96 * PACE_M_S2 * (to_m - from_m).max(0.0)).sqrt();
        free.min(reached).max(v1).max(v2)
    };
    let mut places = Vec::new();
    let mut before: Option<(f64, f64)> = None;
    for curve in curves {
        let v = speed(curve);
        // The line's end is no obstacle: what comes beyond it is not known.
        let (end_m, v_before) = before.unwrap_or((0.0, v));
        let top = tangent(end_m, curve.from_m, v_before, v);
        if top - v_before > HARD_KMH {
            places.push(end_m);
        }
        if top - v > HARD_KMH {
            places.push(curve.from_m);
        }
        before = Some((curve.to_m, v));
    }
    if let Some((end_m, v)) = before
        && tangent(end_m, length_m, v, v) - v > HARD_KMH
    {
        places.push(end_m);
    }
    places
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(from_m: f64, radius_m: f64, turn_deg: f64, is_left: bool) -> Curve {
        let turn_rad = f64::to_radians(turn_deg);
        Curve {
            from_m,
            to_m: from_m + radius_m * turn_rad,
            turn_rad,
            is_left,
        }
    }

    fn bend(from_m: f64, to_m: f64, turn_deg: f64) -> Bend {
        Bend {
            from_m,
            to_m,
            turn_rad: f64::to_radians(turn_deg.abs()),
            is_left: turn_deg > 0.0,
        }
    }

    /// 10^6 / (8270 + 8.01 CCRs), CCRs = 63700 / R: the project's table of published relations,
    /// "Germany (ISE/Lamm)".
    #[test]
    fn operating_speeds_are_the_published_ones() {
        for (radius_m, published) in [
            (75.0, 66.34),
            (100.0, 74.78),
            (150.0, 85.68),
            (200.0, 92.41),
            (300.0, 100.29),
            (400.0, 104.76),
            (500.0, 107.64),
        ] {
            let v = curve(0.0, radius_m, 60.0, true).v85_kmh();
            // The table rounds 200000 / pi to 63700.
            assert!((v - published).abs() < 0.05, "R {radius_m}: {v}");
        }
        let tightest = curve(0.0, 30.0, 180.0, true).v85_kmh();
        assert!((tightest - 39.6).abs() < 0.1, "{tightest}");
    }

    #[test]
    fn slight_bends_are_no_curves_and_do_not_divide_one() {
        let bends = [
            bend(0.0, 40.0, 30.0),
            bend(40.0, 50.0, -3.0),
            bend(50.0, 90.0, 40.0),
            bend(200.0, 220.0, 10.0),
            bend(300.0, 340.0, -50.0),
            bend(400.0, 430.0, -20.0),
        ];
        let found = curves(&bends);
        assert_eq!(found.len(), 3);
        assert!((found[0].turn_rad.to_degrees() - 70.0).abs() < 1e-9);
        assert_eq!((found[0].from_m, found[0].to_m), (0.0, 90.0));
        assert_eq!(changes(&found).collect::<Vec<_>>(), Vec::<f64>::new());
        let near = [
            curve(0.0, 60.0, 60.0, true),
            curve(100.0, 60.0, 60.0, false),
        ];
        let at: Vec<f64> = changes(&near).collect();
        assert_eq!(at, [(near[0].to_m + 100.0) / 2.0]);
    }

    #[test]
    fn a_tight_curve_after_a_long_straight_is_a_hard_change() {
        let at = |straight_m: f64, limit: f64| {
            let first = curve(0.0, 60.0, 60.0, true);
            let second = curve(first.to_m + straight_m, 60.0, 60.0, false);
            let end = second.to_m;
            breaks(&[first, second], end, |_| limit).len()
        };
        // R 60: 59.8 km/h; the straight is ridden at up to sqrt(59.8^2 + 11.016 l):
        // 79.8 km/h from 253 m on.
        assert_eq!(at(245.0, 100.0), 0);
        assert_eq!(at(262.0, 100.0), 2);
        // Nobody rides faster than the limit.
        assert_eq!(at(1000.0, 70.0), 0);
        // Flowing curves have none.
        let flow: Vec<Curve> = (0..9)
            .map(|i| curve(f64::from(i) * 120.0, 100.0, 50.0, i % 2 == 0))
            .collect();
        assert!(breaks(&flow, 1100.0, |_| 90.0).is_empty());
        // The same backwards.
        let mixed = [
            curve(100.0, 150.0, 40.0, true),
            curve(400.0, 20.0, 120.0, false),
            curve(900.0, 60.0, 90.0, true),
        ];
        let back: Vec<Curve> = mixed
            .iter()
            .rev()
            .map(|c| Curve {
                from_m: 1200.0 - c.to_m,
                to_m: 1200.0 - c.from_m,
                ..*c
            })
            .collect();
        let one = breaks(&mixed, 1200.0, |_| 90.0);
        let mut other: Vec<f64> = breaks(&back, 1200.0, |_| 90.0)
            .iter()
            .map(|at| 1200.0 - at)
            .collect();
        other.reverse();
        assert!(!one.is_empty() && one.len() == other.len());
        assert!(one.iter().zip(&other).all(|(a, b)| (a - b).abs() < 1e-9));
    }
}
