//! The pages of a roadbook: a sheet with overview and cautions, then a table for each day.

use planner::roadbook::{Decision, Note, NoteKind};

use crate::day::{self, Line};
use crate::drawing::{Anchor, FAINT, INK, PAPER, Pen, QUIET, Shape, Text, WARN};
use crate::letters::{cut, width, wrap};
use crate::{Book, Sheet, map, ribbon, sketch};

const MARGIN: f32 = 22.0;
/// Room at the foot of a page.
const FOOT: f32 = 26.0;
/// Side of a sketch.
const SKETCH: f32 = 66.0;
/// Column of distances.
const DISTANCE: f32 = 56.0;
/// Column of clock and height.
const CLOCK: f32 = 42.0;
const GAP: f32 = 6.0;

/// Pages that are being filled from top to bottom.
struct Writer {
    pages: Vec<Vec<Shape>>,
    size: [f32; 2],
    /// Where the next thing goes.
    y: f32,
    /// What stands at the top of each further page.
    title: String,
}

/// Lays out the whole book.
pub fn pages(book: &Book, sheet: Sheet) -> Vec<Vec<Shape>> {
    let mut out = Writer {
        pages: vec![Vec::new()],
        size: sheet.size_pt(),
        y: MARGIN,
        title: String::new(),
    };
    front(book, &mut out);
    for n in 0..book.plan.days.len() {
        of_day(book, n, &mut out);
    }
    feet(book, &mut out);
    out.pages
}

impl Writer {
    fn inner(&self) -> f32 {
        self.size[0] - 2.0 * MARGIN
    }

    fn bottom(&self) -> f32 {
        self.size[1] - MARGIN - FOOT
    }

    fn put(&mut self, shape: Shape) {
        if let Some(page) = self.pages.last_mut() {
            page.push(shape);
        }
    }

    fn text(&mut self, text: Text) {
        self.put(Shape::Text(text));
    }

    fn page(&mut self) {
        self.pages.push(Vec::new());
        self.y = MARGIN;
        if !self.title.is_empty() {
            let mut text = Shape::words([MARGIN, self.y + 8.0], 8.0, self.title.clone());
            text.colour = QUIET;
            self.text(text);
            self.y += 13.0;
        }
    }

    /// Begins a page unless so much room is left.
    fn room(&mut self, height: f32) {
        if self.y + height > self.bottom() {
            self.page();
        }
    }

    /// A paragraph over the whole width.
    fn paragraph(&mut self, text: &str, size: f32, bold: bool, colour: [u8; 3]) {
        for line in wrap(text, self.inner(), size, bold) {
            self.room(size * 1.35);
            let at = [MARGIN, self.y + size];
            self.text(Text {
                bold,
                colour,
                ..Shape::words(at, size, line)
            });
            self.y += size * 1.35;
        }
    }

    fn rule(&mut self, colour: [u8; 3], width: f32) {
        let line = vec![[MARGIN, self.y], [self.size[0] - MARGIN, self.y]];
        self.put(Shape::line(line, Pen::solid(colour, width)));
    }
}

fn front(book: &Book, out: &mut Writer) {
    out.paragraph(&book.title(), 20.0, true, INK);
    let total = &book.plan.total;
    let days = book.plan.days.len();
    let mut facts = vec![
        format!("{:.0} km", total.length_m / 1000.0),
        format!("{} riding", day::hours(total.riding_s)),
    ];
    if days > 1 {
        facts.insert(0, format!("{days} days"));
    }
    out.paragraph(&facts.join(" · "), 10.0, false, INK);
    if !book.tour.note.trim().is_empty() {
        out.paragraph(book.tour.note.trim(), 9.0, false, QUIET);
    }
    out.y += 6.0;
    // What follows the map is measured first; the map takes the rest.
    let cautions = wrap(&book.plan.cautions, out.inner(), 8.5, false).len() as f32;
    let below = cautions * 11.5 + 24.0 + days.min(14) as f32 * 12.5 + 10.0;
    let tall = (out.bottom() - out.y - below).clamp(120.0, out.inner() * 1.25);
    let size = [out.inner(), tall];
    out.put(Shape::Framed {
        frame: [MARGIN, out.y, size[0], size[1]],
        shapes: map::shapes(book, size),
    });
    out.y += tall + 8.0;
    for (n, plan) in book.plan.days.iter().enumerate() {
        if days > 1 {
            let ends = [plan.first_point, plan.last_point].map(|p| day::point(book, p));
            let text = format!(
                "{}: {} to {}, {:.0} km",
                day::title(book, n),
                ends[0],
                ends[1],
                plan.sums.length_m / 1000.0
            );
            let line = cut(&text, out.inner(), 8.5, false);
            out.paragraph(&line, 8.5, false, INK);
        }
    }
    out.y += 4.0;
    out.rule(WARN, 0.8);
    out.y += 4.0;
    out.paragraph(&book.plan.cautions, 8.5, false, INK);
}

fn of_day(book: &Book, n: usize, out: &mut Writer) {
    out.title = String::new();
    out.page();
    let plan = &book.plan.days[n];
    let roadbook = &book.roadbook.days[n];
    out.paragraph(&day::title(book, n), 14.0, true, INK);
    let ends = [plan.first_point, plan.last_point].map(|p| day::point(book, p));
    out.paragraph(&format!("{} to {}", ends[0], ends[1]), 10.0, true, INK);
    out.paragraph(&day::facts(plan).join(" · "), 8.5, false, QUIET);
    out.y += 3.0;
    let inner = out.inner();
    out.put(Shape::Framed {
        frame: [MARGIN, out.y, inner, ribbon::HEIGHT],
        shapes: ribbon::shapes(book.plan, plan, inner),
    });
    out.y += ribbon::HEIGHT + 2.0;
    out.title = format!("{}, {} to {}", day::title(book, n), ends[0], ends[1]);
    mark(out, 0.0, &start_text(book, n), plan.depart.as_deref());
    let lines = day::lines(roadbook);
    for line in &lines {
        match line {
            Line::Row { row, then_m } => decision(row, *then_m, out),
            Line::Note(note) => beside(note, out),
        }
    }
    let end = format!("arrive: {}", ends[1]);
    mark(out, roadbook.length_m, &end, plan.arrive.as_deref());
    if lines.iter().all(|l| matches!(l, Line::Note(_))) {
        out.paragraph("No junction asks for a decision.", 8.5, false, QUIET);
    }
}

fn start_text(book: &Book, n: usize) -> String {
    let from = day::point(book, book.plan.days[n].first_point);
    match book.roadbook.days[n].start.as_str() {
        "" => format!("start: {from}"),
        start => format!("start: {from}, {start}"),
    }
}

/// Start and end of a day: no rows, as nothing is decided there.
fn mark(out: &mut Writer, at_m: f64, text: &str, clock: Option<&str>) {
    out.room(20.0);
    out.put(Shape::rect([MARGIN, out.y, out.inner(), 15.0], INK));
    let white = |at: [f32; 2], size: f32, text: String| Text {
        bold: true,
        colour: PAPER,
        ..Shape::words(at, size, text)
    };
    let right = out.size[0] - MARGIN - 3.0;
    let base = out.y + 10.8;
    out.text(white([MARGIN + 4.0, base], 9.0, day::km(at_m)));
    let x = MARGIN + DISTANCE + GAP;
    let words = cut(&day::capital(text), right - CLOCK - x, 8.5, true);
    out.text(white([x, base], 8.5, words));
    if let Some(clock) = clock {
        let mut text = white([right, base], 9.0, day::time(clock).to_owned());
        text.anchor = Anchor::End;
        out.text(text);
    }
    out.y += 17.0;
}

/// Lines of a text column, each with its size and weight.
struct Lines(Vec<(String, f32, bool, [u8; 3])>);

impl Lines {
    fn add(&mut self, text: &str, most: f32, size: f32, bold: bool, colour: [u8; 3]) {
        let lines = wrap(text, most, size, bold).into_iter();
        self.0.extend(lines.map(|l| (l, size, bold, colour)));
    }

    fn height(&self) -> f32 {
        self.0.iter().map(|l| l.1 * 1.28).sum()
    }
}

fn decision(row: &Decision, then_m: Option<f64>, out: &mut Writer) {
    let text_x = MARGIN + DISTANCE + SKETCH + 2.0 * GAP;
    let right = out.size[0] - MARGIN;
    let most = right - CLOCK - GAP - text_x;
    let mut lines = Lines(Vec::new());
    lines.add(&day::capital(&row.text), most, 10.0, true, INK);
    let road = day::road(row);
    if !road.is_empty() {
        lines.add(&road, most, 9.5, false, INK);
    }
    if !row.look_for.is_empty() {
        lines.add(
            &day::capital(&row.look_for.join(", ")),
            most,
            8.0,
            false,
            QUIET,
        );
    }
    if let Some(m) = then_m {
        lines.add(&day::capital(&day::then_text(m)), most, 9.0, true, WARN);
    }
    let tall = (SKETCH + 4.0).max(lines.height() + 10.0);
    out.room(tall);
    let top = out.y;
    out.rule(FAINT, 0.6);
    out.text(Text {
        bold: true,
        ..Shape::words([MARGIN + 4.0, top + 25.0], 14.5, day::km(row.at_m))
    });
    let mut partial = Shape::words(
        [MARGIN + 4.0, top + 39.0],
        9.5,
        format!("+ {}", day::km(row.partial_m)),
    );
    partial.colour = QUIET;
    out.text(partial);
    let number = row.number.to_string();
    let wide = (width(&number, 7.5, true) + 6.0).max(12.0);
    out.put(Shape::rect([MARGIN, top + 1.0, wide, 10.5], INK));
    out.text(Text {
        bold: true,
        colour: PAPER,
        anchor: Anchor::Middle,
        ..Shape::words([MARGIN + wide / 2.0, top + 9.0], 7.5, number)
    });
    let sketch_at = [MARGIN + DISTANCE + GAP, top + 2.0, SKETCH, SKETCH];
    out.put(Shape::Framed {
        frame: sketch_at,
        shapes: sketch::shapes(&row.sketch, SKETCH),
    });
    let mut y = top + 4.0;
    for (text, size, bold, colour) in lines.0 {
        y += size * 1.28;
        out.text(Text {
            bold,
            colour,
            ..Shape::words([text_x, y - size * 0.2], size, text)
        });
    }
    let side = [
        row.clock.as_deref().map(day::time).map(str::to_owned),
        row.height_m.map(|h| format!("{h:.0} m")),
    ];
    for (i, text) in side.into_iter().enumerate() {
        let Some(text) = text else { continue };
        out.text(Text {
            anchor: Anchor::End,
            ..Shape::words([right, top + 15.0 + 12.0 * i as f32], 9.0, text)
        });
    }
    out.y = top + tall;
}

fn beside(note: &Note, out: &mut Writer) {
    let x = MARGIN + DISTANCE + GAP;
    let right = out.size[0] - MARGIN;
    let word = day::note_word(note.kind);
    let indent = 38.0;
    let lines = wrap(
        &day::capital(&note.text),
        right - CLOCK - GAP - x - indent,
        8.0,
        false,
    );
    let tall = lines.len().max(1) as f32 * 10.5 + 3.0;
    out.room(tall);
    let top = out.y;
    out.rule(FAINT, 0.3);
    let colour = match note.kind {
        NoteKind::Danger => WARN,
        _ => INK,
    };
    out.text(Shape::words(
        [MARGIN + 4.0, top + 9.5],
        8.5,
        day::km(note.at_m),
    ));
    out.text(Text {
        bold: true,
        colour,
        ..Shape::words([x, top + 9.5], 8.0, word)
    });
    for (i, line) in lines.into_iter().enumerate() {
        out.text(Shape::words(
            [x + indent, top + 9.5 + 10.5 * i as f32],
            8.0,
            line,
        ));
    }
    if let Some(clock) = &note.clock {
        let mut text = Shape::words([right, top + 9.5], 8.0, day::time(clock));
        (text.anchor, text.colour) = (Anchor::End, QUIET);
        out.text(text);
    }
    out.y = top + tall;
}

fn feet(book: &Book, out: &mut Writer) {
    let count = out.pages.len();
    let [w, h] = out.size;
    let credit = book.plan.attribution.clone().unwrap_or_default();
    for (n, page) in out.pages.iter_mut().enumerate() {
        let quiet = |at: [f32; 2], anchor: Anchor, text: String| {
            Shape::Text(Text {
                colour: QUIET,
                anchor,
                ..Shape::words(at, 6.5, text)
            })
        };
        let short = "Planning aid only: signs, closures and local law come first; the map may be wrong or old.";
        let short = cut(short, w - 2.0 * MARGIN, 6.5, false);
        page.push(quiet([MARGIN, h - MARGIN - 4.0], Anchor::Start, short));
        page.push(quiet(
            [MARGIN, h - MARGIN + 5.0],
            Anchor::Start,
            credit.clone(),
        ));
        let number = format!("{} / {count}", n + 1);
        page.push(quiet([w - MARGIN, h - MARGIN + 5.0], Anchor::End, number));
    }
}
