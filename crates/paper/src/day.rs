//! What is told of days and rows, in words: the same on every kind of paper.

use planner::plan::Day;
use planner::roadbook::{Decision, Note, NoteKind, RoadbookDay};

use crate::Book;

/// A row less than this after the one before comes at once, metres (as a mark of rally roadbooks).
const AT_ONCE_M: f64 = 300.0;

/// Kilometres to ten metres.
pub fn km(m: f64) -> String {
    format!("{:.2}", m / 1000.0)
}

/// The clock of a time stamp.
pub fn time(stamp: &str) -> &str {
    stamp.split_once('T').map_or(stamp, |(_, clock)| clock)
}

pub fn hours(s: f64) -> String {
    let minutes = (s / 60.0).round() as u64;
    format!("{}:{:02} h", minutes / 60, minutes % 60)
}

pub fn height(m: Option<f32>) -> String {
    m.map_or(String::new(), |m| format!("{m:.0} m"))
}

/// `Day 2 · 2026-07-02`.
pub fn title(book: &Book, day: usize) -> String {
    let plan = &book.plan.days[day];
    let name = match book.plan.days.len() {
        1 => "The day".to_owned(),
        _ => format!("Day {}", day + 1),
    };
    let date = plan.depart.as_deref().and_then(|d| d.split_once('T'));
    date.map_or(name.clone(), |(date, _)| format!("{name} · {date}"))
}

/// Length, time, heights and sun of a day, each in some words.
pub fn facts(day: &Day) -> Vec<String> {
    let mut facts = vec![
        format!("{:.1} km", day.sums.length_m / 1000.0),
        format!("{} riding", hours(day.sums.riding_s)),
    ];
    if let (Some(from), Some(to)) = (&day.depart, &day.arrive) {
        facts.insert(0, format!("{} to {}", time(from), time(to)));
    }
    if let Some(top) = day.highest_m {
        facts.push(format!("up {:.0} m, top {top:.0} m", day.sums.climb_m));
    }
    if day.sums.unpaved_m >= 100.0 {
        facts.push(format!("{:.1} km unpaved", day.sums.unpaved_m / 1000.0));
    }
    if day.sums.unknown_surface_m >= 1000.0 {
        let km = day.sums.unknown_surface_m / 1000.0;
        facts.push(format!("{km:.0} km of unknown surface"));
    }
    if let Some(sun) = &day.sheet.sun {
        let at = |t: &Option<String>| t.as_deref().map(|t| time(t).to_owned());
        if let (Some(rise), Some(set)) = (at(&sun.sunrise), at(&sun.sunset)) {
            facts.push(format!("sun {rise} to {set}"));
        }
    }
    facts
}

/// Name of a point of the tour, or what it is.
pub fn point(book: &Book, index: u32) -> String {
    let point = book.tour.points.get(index as usize);
    let placed = book.plan.points.get(index as usize);
    let name = point.map_or("", |p| p.name.as_str());
    let road = placed.map_or("", |p| p.road.as_str());
    match (name, road) {
        ("", "") => format!("point {}", index + 1),
        ("", road) => road.to_owned(),
        (name, _) => name.to_owned(),
    }
}

/// A line of a day's roadbook, in riding order.
pub enum Line<'a> {
    Row {
        row: &'a Decision,
        /// Metres to the next row, if it comes at once.
        then_m: Option<f64>,
    },
    Note(&'a Note),
}

/// Rows with the notes between them.
pub fn lines(day: &RoadbookDay) -> Vec<Line<'_>> {
    let mut lines = Vec::with_capacity(day.rows.len() + day.notes.len());
    let mut notes = day.notes.iter().peekable();
    for (i, row) in day.rows.iter().enumerate() {
        while let Some(note) = notes.next_if(|n| n.at_m <= row.at_m) {
            lines.push(Line::Note(note));
        }
        let next = day.rows.get(i + 1).map(|n| n.partial_m - row.through_m);
        let then_m = next.filter(|m| *m < AT_ONCE_M).map(|m| m.max(0.0));
        lines.push(Line::Row { row, then_m });
    }
    lines.extend(notes.map(Line::Note));
    lines
}

/// The word before a note.
pub fn note_word(kind: NoteKind) -> &'static str {
    match kind {
        NoteKind::Halt => "Halt",
        NoteKind::Fuel => "Fuel",
        NoteKind::Place => "See",
        NoteKind::Ground => "Ground",
        NoteKind::Straight => "Keep on",
        NoteKind::Danger => "Care",
    }
}

/// Number and name of the road one is on after a decision; empty if it has neither.
pub fn road(row: &Decision) -> String {
    let road = [row.number_of_road.as_str(), row.name_of_road.as_str()];
    let road: Vec<&str> = road.into_iter().filter(|t| !t.is_empty()).collect();
    road.join("  ")
}

/// First letter in upper case.
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(char::to_uppercase);
    first.map_or(String::new(), |c| c.chain(letters).collect())
}

/// What to do at once after a row.
pub fn then_text(m: f64) -> String {
    format!("then in {:.0} m", (m / 10.0).round() * 10.0)
}
