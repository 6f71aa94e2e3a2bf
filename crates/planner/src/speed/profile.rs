//! The speed profile: how a rider gets from curve to curve, braking in time and gathering speed
//! again, and how long that takes.
//!
//! A road is a row of parts, curves and what lies between, each with a highest speed. A backward
//! pass finds how fast one may be at every seam to brake for what comes, a forward pass how fast
//! one can be after what was; within a part the rider gathers speed, holds it and brakes, which
//! has a closed form. Rates by the curve's radius: FHWA-RD-99-171, as recalled in the project's
//! checks 2a.

use super::Manner;

/// A part of a road that is ridden under one highest speed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part {
    /// Length, metres.
    pub length_m: f64,
    /// Highest speed, m/s.
    pub cap_ms: f64,
    /// Radius of the curve, metres; infinite where it is straight.
    pub radius_m: f64,
}

/// Braking before a curve of `radius_m`, m/s²: FHWA-RD-99-171 gives 1.00 below 175 m, less with
/// the radius and nothing from 436 m on; a fifth of it is the least we take.
pub fn braking_ms2(radius_m: f64) -> f64 {
    if radius_m < 175.0 {
        1.0
    } else {
        (295.14 / radius_m - 0.6794).max(0.2)
    }
}

/// Gathering speed after a curve of `radius_m`, m/s²: FHWA-RD-99-171.
pub fn gathering_ms2(radius_m: f64) -> f64 {
    match radius_m {
        r if r < 250.0 => 0.54,
        r if r < 436.0 => 0.43,
        _ => 0.21,
    }
}

/// Speeds at the seams of a row of parts.
#[derive(Clone, Debug, Default)]
pub struct Ride {
    parts: Vec<Part>,
    /// Squares of the speeds at the seams, one more than parts.
    seam_v2: Vec<f64>,
    gather: Vec<f64>,
    brake: Vec<f64>,
}

impl Ride {
    /// Rides parts one after another: no faster than `enter_ms` at the start and `leave_ms` at the
    /// end.
    pub fn over(parts: &[Part], enter_ms: f64, leave_ms: f64, manner: Manner) -> Self {
        let mut ride = Ride::default();
        ride.parts.extend_from_slice(parts);
        ride.work_out(enter_ms * enter_ms, leave_ms * leave_ms, manner);
        ride
    }

    /// Makes room for other parts, keeping the memory.
    pub(super) fn parts_mut(&mut self) -> &mut Vec<Part> {
        self.parts.clear();
        &mut self.parts
    }

    pub(super) fn work_out(&mut self, enter_v2: f64, leave_v2: f64, manner: Manner) {
        // All speeds of a brisker rider are higher by the pace, on the same road: accelerations
        // by its square.
        let vigour = manner.pace * manner.pace;
        let n = self.parts.len();
        let cap2 = |i: usize| self.parts[i].cap_ms * self.parts[i].cap_ms;
        self.seam_v2.clear();
        self.seam_v2.resize(n + 1, 0.0);
        self.gather.clear();
        self.gather.resize(n, 0.0);
        self.brake.clear();
        self.brake.resize(n, 0.0);
        if n == 0 {
            return;
        }
        let mut rate = vigour;
        self.seam_v2[n] = leave_v2.min(cap2(n - 1));
        for i in (0..n).rev() {
            let part = self.parts[i];
            self.brake[i] = rate;
            let in_time = self.seam_v2[i + 1] + 2.0 * rate * part.length_m;
            let own = cap2(i);
            if own <= in_time {
                rate = vigour * braking_ms2(part.radius_m);
            }
            let before = if i == 0 { own } else { cap2(i - 1) };
            self.seam_v2[i] = in_time.min(own).min(before);
        }
        let mut rate = vigour * gathering_ms2(0.0);
        self.seam_v2[0] = self.seam_v2[0].min(enter_v2);
        for i in 0..n {
            let part = self.parts[i];
            self.gather[i] = rate;
            let reached = self.seam_v2[i] + 2.0 * rate * part.length_m;
            if reached >= cap2(i) && part.radius_m.is_finite() {
                rate = vigour * gathering_ms2(part.radius_m);
            }
            self.seam_v2[i + 1] = self.seam_v2[i + 1].min(reached);
        }
    }

    /// Square of the speed at the start.
    pub(super) fn first_v2(&self) -> f64 {
        self.seam_v2.first().copied().unwrap_or(f64::INFINITY)
    }

    /// Square of the speed at the end.
    pub(super) fn last_v2(&self) -> f64 {
        self.seam_v2.last().copied().unwrap_or(f64::INFINITY)
    }

    /// Seconds from end to end; infinite where a part cannot be ridden.
    pub fn seconds(&self) -> f64 {
        (0..self.parts.len())
            .map(|i| self.phases(i).seconds())
            .sum()
    }

    /// Seconds from the start to every one of `along_m`, ascending metres from the start.
    pub fn seconds_at(&self, along_m: impl IntoIterator<Item = f64>) -> Vec<f64> {
        let (mut i, mut start_m, mut start_s) = (0, 0.0, 0.0);
        let mut at = Vec::new();
        for m in along_m {
            while i + 1 < self.parts.len() && m > start_m + self.parts[i].length_m {
                start_s += self.phases(i).seconds();
                start_m += self.parts[i].length_m;
                i += 1;
            }
            let within = self.parts.get(i).map_or(0.0, |part| {
                self.phases(i)
                    .seconds_to((m - start_m).clamp(0.0, part.length_m))
            });
            at.push(start_s + within);
        }
        at
    }

    fn phases(&self, i: usize) -> Phases {
        let part = self.parts[i];
        let (a, b) = (self.gather[i], self.brake[i]);
        let (v0, v1) = (self.seam_v2[i], self.seam_v2[i + 1]);
        let meet = (2.0 * a * b * part.length_m + b * v0 + a * v1) / (a + b);
        // Rounding must not put the top under the ends.
        let top = meet.min(part.cap_ms * part.cap_ms).max(v0).max(v1);
        Phases {
            v0: v0.sqrt(),
            top: top.sqrt(),
            a,
            b,
            up_m: (top - v0) / (2.0 * a),
            down_m: (top - v1) / (2.0 * b),
            v1: v1.sqrt(),
            length_m: part.length_m,
        }
    }
}

/// Gathering speed, holding it, braking.
struct Phases {
    v0: f64,
    top: f64,
    v1: f64,
    a: f64,
    b: f64,
    up_m: f64,
    down_m: f64,
    length_m: f64,
}

impl Phases {
    fn seconds(&self) -> f64 {
        if self.length_m <= 0.0 {
            return 0.0;
        }
        if self.top <= 0.0 {
            return f64::INFINITY;
        }
        let hold_m = (self.length_m - self.up_m - self.down_m).max(0.0);
        (self.top - self.v0) / self.a + hold_m / self.top + (self.top - self.v1) / self.b
    }

    fn seconds_to(&self, m: f64) -> f64 {
        if m <= 0.0 {
            return 0.0;
        }
        if m < self.up_m {
            let v = (self.v0 * self.v0 + 2.0 * self.a * m).sqrt();
            return (v - self.v0) / self.a;
        }
        let left_m = self.length_m - m;
        if left_m < self.down_m {
            let v = (self.v1 * self.v1 + 2.0 * self.b * left_m.max(0.0)).sqrt();
            return self.seconds() - (v - self.v1) / self.b;
        }
        (self.top - self.v0) / self.a + (m - self.up_m).max(0.0) / self.top
    }
}
