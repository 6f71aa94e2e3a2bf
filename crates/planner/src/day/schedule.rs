//! The order of a day: riding, halts, ferries and rests, in seconds from the departure.
//!
//! Rests follow rule 91 of the UK Highway Code: at least fifteen minutes after every two hours of
//! riding. Halts and crossings that are long enough count as rests.

/// How often to rest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RestRule {
    /// Riding after which a rest is due, seconds; nothing or less means never.
    pub every_s: f64,
    /// Length of a rest, seconds.
    pub rest_s: f64,
}

impl Default for RestRule {
    fn default() -> Self {
        RestRule {
            every_s: 7200.0,
            rest_s: 900.0,
        }
    }
}

/// A point of the day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mark {
    /// Seconds of riding from the start of the day, ferries included.
    pub riding_s: f64,
    /// Halt, seconds.
    pub dwell_s: f64,
    /// Point of the tour.
    pub point: u32,
}

/// What happens.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Event {
    /// A point of the tour is reached, and left after its halt.
    Point(u32),
    /// A rest is due.
    Rest,
    /// A ferry, waiting included; the number tells which.
    Ferry(usize),
}

/// A row of the schedule.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Entry {
    /// What happens.
    pub event: Event,
    /// Seconds of riding from the start of the day.
    pub riding_s: f64,
    /// Seconds since departure at which it begins.
    pub from_s: f64,
    /// And ends.
    pub to_s: f64,
}

/// Lays out a day. `marks` and `ferries` (spans of riding time) ascend; the first mark is the
/// start, the last the end of the day, and neither's halt counts.
pub fn lay_out(marks: &[Mark], ferries: &[(f64, f64)], rule: RestRule) -> Vec<Entry> {
    let mut day = Day {
        rule,
        entries: Vec::new(),
        riding_s: marks.first().map_or(0.0, |m| m.riding_s),
        now_s: 0.0,
        since_rest_s: 0.0,
    };
    let mut ferries = ferries.iter().copied().enumerate().peekable();
    let last = marks.len().saturating_sub(1);
    for (i, mark) in marks.iter().enumerate() {
        while let Some((n, (from_s, to_s))) = ferries.next_if(|(_, f)| f.0 < mark.riding_s) {
            day.ride_to(from_s);
            // A point may lie on the ferry itself: the crossing is one row all the same.
            day.halt(Event::Ferry(n), to_s - from_s);
            day.riding_s = to_s.max(from_s);
        }
        day.ride_to(mark.riding_s);
        let halts = i > 0 && i < last;
        day.halt(
            Event::Point(mark.point),
            if halts { mark.dwell_s } else { 0.0 },
        );
    }
    day.entries
}

struct Day {
    rule: RestRule,
    entries: Vec<Entry>,
    riding_s: f64,
    now_s: f64,
    since_rest_s: f64,
}

impl Day {
    fn ride_to(&mut self, riding_s: f64) {
        let every_s = self.rule.every_s;
        let mut left_s = riding_s - self.riding_s;
        // Rounding must not add a rest at the very end of two hours.
        while every_s > 60.0 && self.since_rest_s + left_s > every_s + 0.5 {
            let step_s = every_s - self.since_rest_s;
            self.ride(step_s);
            left_s -= step_s;
            self.halt(Event::Rest, self.rule.rest_s);
            self.since_rest_s = 0.0;
        }
        self.ride(left_s.max(0.0));
    }

    fn ride(&mut self, seconds: f64) {
        self.riding_s += seconds;
        self.now_s += seconds;
        self.since_rest_s += seconds;
    }

    fn halt(&mut self, event: Event, seconds: f64) {
        let from_s = self.now_s;
        self.now_s += seconds;
        if seconds >= self.rule.rest_s {
            self.since_rest_s = 0.0;
        }
        self.entries.push(Entry {
            event,
            riding_s: self.riding_s,
            from_s,
            to_s: self.now_s,
        });
    }
}

/// Seconds since departure at which so much riding is done; halts at that very place are over.
pub fn clock_s(entries: &[Entry], riding_s: f64) -> f64 {
    let after = entries.partition_point(|e| e.riding_s <= riding_s);
    match after.checked_sub(1).map(|i| entries[i]) {
        None => riding_s,
        Some(e) => {
            let ahead_s = riding_s - e.riding_s;
            let next = entries.get(after).map_or(f64::INFINITY, |n| n.from_s);
            (e.to_s + ahead_s).min(next)
        }
    }
}
