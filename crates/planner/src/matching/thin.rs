//! Which positions of a recording are looked at.

use region::{LocalFrame, Point};

use crate::files::Fix;

/// A position that is looked at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Seen {
    /// Index into the recording.
    pub fix: usize,
    pub at: Point,
    pub time_s: Option<f64>,
    /// More time went by without a position just before than is usual.
    pub silent: bool,
}

/// Faster than this there and back again is a fault of the receiver, m/s.
const IMPOSSIBLE_MS: f64 = 85.0;
/// Without times: this many times farther than its neighbours lie apart, and at least so far.
const SPIKE_RATIO: f64 = 6.0;
const SPIKE_M: f64 = 150.0;

/// Silence is this many times the usual pause.
const SILENT: f64 = 1.5;

/// Positions that tell something new: sound ones, without spikes, each at least twice the noise
/// from the one before (Newson and Krumm 2009, section 4.1), the last in any case.
pub(super) fn thinned(fixes: &[Fix], least_m: f64) -> Vec<Seen> {
    let mut seen: Vec<Seen> = Vec::new();
    let sound = fixes.iter().enumerate().filter_map(|(fix, f)| {
        Some(Seen {
            fix,
            at: Point::from_degrees(f.lat, f.lon)?,
            time_s: f.time_s.filter(|t| t.is_finite()),
            silent: false,
        })
    });
    let usual_s = usual_s(fixes);
    let mut last: Option<Seen> = None;
    let mut sound = sound.peekable();
    let (mut heard_s, mut silent) = (None, false);
    while let Some(mut here) = sound.next() {
        let pause_s = here.time_s.zip(heard_s).map(|(now, before)| now - before);
        silent |= pause_s.is_some_and(|s: f64| s > SILENT * usual_s + 0.5);
        heard_s = here.time_s.or(heard_s);
        here.silent = silent;
        let Some(before) = seen.last() else {
            seen.push(here);
            continue;
        };
        if let Some(next) = sound.peek()
            && is_spike(before, &here, next)
        {
            continue;
        }
        if apart_m(before.at, here.at) >= least_m {
            seen.push(here);
            (last, silent) = (None, false);
        } else {
            last = Some(here);
        }
    }
    // Where it ends matters more than that it has moved far.
    if let Some(end) = last
        && seen.len() > 1
        && seen
            .last()
            .is_some_and(|s| apart_m(s.at, end.at) > least_m / 2.0)
    {
        seen.push(end);
    }
    seen
}

/// Seconds between positions, the median.
fn usual_s(fixes: &[Fix]) -> f64 {
    let pauses = fixes
        .windows(2)
        .filter_map(|w| Some(w[1].time_s? - w[0].time_s?))
        .filter(|s| s.is_finite() && *s > 0.0);
    super::median(pauses.collect())
}

fn is_spike(a: &Seen, b: &Seen, c: &Seen) -> bool {
    let (there, back, past) = (
        apart_m(a.at, b.at),
        apart_m(b.at, c.at),
        apart_m(a.at, c.at),
    );
    let impossible = |m: f64, from: &Seen, to: &Seen| match from.time_s.zip(to.time_s) {
        Some((s, t)) => m > IMPOSSIBLE_MS * (t - s).abs() + 50.0,
        None => m > SPIKE_M && m > SPIKE_RATIO * past,
    };
    impossible(there, a, b) && impossible(back, b, c) && !impossible(past, a, c)
}

/// Distance in a flat frame, metres.
pub(super) fn apart_m(a: Point, b: Point) -> f64 {
    let [e, n] = LocalFrame::at(a).to_m(b);
    e.hypot(n)
}
