//! HTML that needs nothing but itself: no script, no other file, no network.

use std::fmt::Write;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use planner::files::{file_names, ride_of_plan, write_gpx};
use planner::roadbook::NoteKind;

use crate::day::{self, Line};
use crate::drawing::{escaped, svg};
use crate::{Book, Sheet, map, ribbon, sketch};

/// Side of a sketch.
const SKETCH: f32 = 72.0;

const STYLE: &str = "
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1rem; max-width: 60rem; background: #fff; color: #1d1d1b;
  font: 1rem/1.4 'Source Sans 3', 'Noto Sans', system-ui, sans-serif; font-variant-numeric: tabular-nums; }
h1 { font-size: 1.6rem; margin: 0 0 .3rem; }
h2 { font-size: 1.25rem; margin: 2rem 0 .2rem; }
h3 { font-size: 1.05rem; margin: 1.2rem 0 .2rem; }
p { margin: .3rem 0; }
svg { display: block; width: 100%; height: auto; font-family: inherit; }
.quiet { color: #5d5a53; }
.cautions { border-left: .25rem solid #a83218; padding: .2rem .7rem; margin: 1rem 0; }
.files a { display: inline-block; margin: .2rem 1rem .2rem 0; padding: .4rem 0; color: #1c5078; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; }
caption { text-align: left; font-weight: 600; padding: .3rem 0; }
th, td { text-align: left; vertical-align: top; padding: .3rem .4rem; border-top: 1px solid #c9c4b8; }
thead th { border-top: 0; font-size: .85rem; color: #5d5a53; font-weight: 400; }
td.km { white-space: nowrap; font-weight: 600; font-size: 1.15rem; }
td.km small { display: block; font-weight: 400; font-size: .8rem; color: #5d5a53; }
td.clock { white-space: nowrap; text-align: right; }
td.sketch { width: 5.4rem; padding: .1rem; }
tr.note td { font-size: .9rem; padding-top: .15rem; padding-bottom: .15rem; }
tr.note td.km { font-size: .9rem; font-weight: 400; }
tr.end td { background: #1d1d1b; color: #fff; font-weight: 600; }
.do { font-weight: 600; }
.danger { color: #a83218; font-weight: 600; }
.number { display: inline-block; background: #1d1d1b; color: #fff; font-size: .75rem; padding: 0 .3rem; }
@media print {
  body { padding: 0; max-width: none; font-size: 9pt; }
  tr, svg { break-inside: avoid; }
  thead { display: table-header-group; }
  .day { break-before: page; }
  .files { display: none; }
  * { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
}
";

fn page(book: &Book, title: &str, print: &str, body: &str) -> String {
    let credit = book.plan.attribution.as_deref().unwrap_or("");
    format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>{title}</title>\n<style>{STYLE}{print}</style>\n</head>\n<body>\n{body}\
         <footer class=\"quiet\"><p>{credit}</p></footer>\n</body>\n</html>\n",
        title = escaped(title),
        credit = escaped(credit),
    )
}

/// The roadbook, to be printed on a sheet.
pub fn roadbook(book: &Book, sheet: Sheet) -> String {
    let print = format!(
        "@page {{ size: {} portrait; margin: 10mm 9mm; }}\n",
        sheet.css()
    );
    let mut body = String::new();
    front(book, &mut body);
    for n in 0..book.plan.days.len() {
        let _ = write!(body, "<section class=\"day\">");
        day_head(book, n, &mut body);
        rows(book, n, &mut body);
        body.push_str("</section>\n");
    }
    page(book, &format!("{}: roadbook", book.title()), &print, &body)
}

/// The tour in one file.
pub fn handout(book: &Book) -> String {
    let mut body = String::new();
    front(book, &mut body);
    files(book, &mut body);
    for n in 0..book.plan.days.len() {
        body.push_str("<section class=\"day\">");
        day_head(book, n, &mut body);
        schedule(book, n, &mut body);
        warnings(book, n, &mut body);
        body.push_str("<details><summary>Roadbook: every decision on the way</summary>");
        rows(book, n, &mut body);
        body.push_str("</details></section>\n");
    }
    page(book, &book.title(), "@page { margin: 10mm; }\n", &body)
}

fn front(book: &Book, out: &mut String) {
    let total = &book.plan.total;
    let _ = write!(out, "<header><h1>{}</h1>", escaped(&book.title()));
    let days = match book.plan.days.len() {
        1 => String::new(),
        n => format!("{n} days · "),
    };
    let _ = write!(
        out,
        "<p>{days}{:.0} km · {} riding</p>",
        total.length_m / 1000.0,
        day::hours(total.riding_s)
    );
    if !book.tour.note.trim().is_empty() {
        let _ = write!(
            out,
            "<p class=\"quiet\">{}</p>",
            escaped(book.tour.note.trim())
        );
    }
    let size = [720.0, 500.0];
    let label = "Overview map of the tour, north up";
    let _ = write!(
        out,
        "{}<p class=\"cautions\">{}</p></header>",
        svg(&map::shapes(book, size), size, label),
        escaped(&book.plan.cautions)
    );
}

/// The tour for a unit, inside this file.
fn files(book: &Book, out: &mut String) {
    let title = book.title();
    let mut wanted = vec![title.clone()];
    let days = book.plan.days.len();
    if days > 1 {
        wanted.extend((1..=days).map(|n| format!("{n} {title}")));
    }
    out.push_str("<p class=\"files\">");
    for (i, name) in file_names(&wanted, ".gpx").iter().enumerate() {
        let day = i.checked_sub(1);
        let gpx = write_gpx(&ride_of_plan(book.tour, book.plan, day));
        let words = match day {
            None => "The tour as GPX".to_owned(),
            Some(day) => format!("Day {} as GPX", day + 1),
        };
        let _ = write!(
            out,
            "<a download=\"{}\" href=\"data:application/gpx+xml;base64,{}\">{words}</a>",
            escaped(name),
            STANDARD.encode(gpx)
        );
    }
    out.push_str("</p>\n");
}

fn day_head(book: &Book, n: usize, out: &mut String) {
    let plan = &book.plan.days[n];
    let ends = [plan.first_point, plan.last_point].map(|p| day::point(book, p));
    let size = [720.0, ribbon::HEIGHT];
    let label = format!(
        "{} along the clock; the table below says the same",
        day::title(book, n)
    );
    let _ = write!(
        out,
        "<h2>{}: {} to {}</h2><p class=\"quiet\">{}</p>{}",
        escaped(&day::title(book, n)),
        escaped(&ends[0]),
        escaped(&ends[1]),
        escaped(&day::facts(plan).join(" · ")),
        svg(&ribbon::shapes(book.plan, plan, size[0]), size, &label)
    );
}

/// When one is where.
fn schedule(book: &Book, n: usize, out: &mut String) {
    let plan = &book.plan.days[n];
    let _ = write!(
        out,
        "<div class=\"wide\"><table><caption>{}: when and where</caption><thead><tr>\
         <th scope=\"col\">km</th><th scope=\"col\">What</th><th scope=\"col\">Arrive</th>\
         <th scope=\"col\">Leave</th></tr></thead><tbody>",
        escaped(&day::title(book, n))
    );
    for row in &plan.sheet.rows {
        use planner::day::sheet::RowKind;
        let name = row.point.map_or(row.text.clone(), |p| day::point(book, p));
        let what = match row.kind {
            RowKind::Depart => format!("Start: {name}"),
            RowKind::Pass => format!("Through {name}"),
            RowKind::Halt => format!("Stop: {name}"),
            RowKind::Rest => "Rest".to_owned(),
            RowKind::Ferry => format!("Ferry {name}"),
            RowKind::Clock => name,
            RowKind::Arrive => format!("Arrive: {name}"),
        };
        let at = |t: &Option<String>, s: f64| match t {
            Some(stamp) => day::time(stamp).to_owned(),
            None => format!("+ {}", day::hours(s)),
        };
        let _ = write!(
            out,
            "<tr><td>{:.1}</td><td>{}</td><td>{}</td><td>{}</td></tr>",
            row.km,
            escaped(&what),
            at(&row.arrive, row.from_s),
            at(&row.leave, row.to_s)
        );
    }
    out.push_str("</tbody></table></div>\n");
}

fn warnings(book: &Book, n: usize, out: &mut String) {
    let before: f64 = book.plan.days[..n].iter().map(|d| d.sums.length_m).sum();
    let length = book.plan.days[n].sums.length_m;
    let day = &book.plan.days[n];
    let legs = day.first_point..day.last_point;
    let own: Vec<_> = book
        .plan
        .warnings
        .iter()
        .filter_map(|w| Some((w.km? * 1000.0 - before, w)))
        .filter(|(m, w)| match w.leg {
            Some(leg) => legs.contains(&leg),
            None => (-0.5..length).contains(m),
        })
        .collect();
    if own.is_empty() {
        return;
    }
    out.push_str("<h3>Look at these before you ride</h3><ul>");
    for (m, warning) in own {
        let _ = write!(
            out,
            "<li>km {:.1}: {}</li>",
            m.max(0.0) / 1000.0,
            escaped(&warning.text)
        );
    }
    out.push_str("</ul>\n");
}

/// The roadbook of a day as a table.
fn rows(book: &Book, n: usize, out: &mut String) {
    let plan = &book.plan.days[n];
    let roadbook = &book.roadbook.days[n];
    let _ = write!(
        out,
        "<div class=\"wide\"><table class=\"roadbook\"><caption>{}: roadbook</caption><thead><tr>\
         <th scope=\"col\">km, and since the row before</th><th scope=\"col\">Junction</th>\
         <th scope=\"col\">What to do</th><th scope=\"col\">Clock, height</th></tr></thead><tbody>",
        escaped(&day::title(book, n))
    );
    let from = day::point(book, plan.first_point);
    let start = match roadbook.start.as_str() {
        "" => format!("Start: {from}"),
        start => format!("Start: {from}, {start}"),
    };
    end(0.0, &start, plan.depart.as_deref(), out);
    for line in day::lines(roadbook) {
        match line {
            Line::Row { row, then_m } => {
                let mut words = format!(
                    "<div class=\"do\">{}</div>",
                    escaped(&day::capital(&row.text))
                );
                let road = day::road(row);
                if !road.is_empty() {
                    let _ = write!(words, "<div>{}</div>", escaped(&road));
                }
                if !row.look_for.is_empty() {
                    let text = escaped(&day::capital(&row.look_for.join(", ")));
                    let _ = write!(words, "<div class=\"quiet\">{text}</div>");
                }
                if let Some(m) = then_m {
                    let text = day::capital(&day::then_text(m));
                    let _ = write!(words, "<div class=\"danger\">{text}</div>");
                }
                let drawn = svg(
                    &sketch::shapes(&row.sketch, SKETCH),
                    [SKETCH; 2],
                    &format!("Sketch: {}", row.text),
                );
                let _ = write!(
                    out,
                    "<tr><td class=\"km\"><span class=\"number\">{}</span> {}<small>+ {}</small></td>\
                     <td class=\"sketch\">{drawn}</td><td>{words}</td><td class=\"clock\">{}<br>{}</td></tr>",
                    row.number,
                    day::km(row.at_m),
                    day::km(row.partial_m),
                    row.clock.as_deref().map_or("", day::time),
                    day::height(row.height_m),
                );
            }
            Line::Note(note) => {
                let class = if note.kind == NoteKind::Danger {
                    "danger"
                } else {
                    "do"
                };
                let _ = write!(
                    out,
                    "<tr class=\"note\"><td class=\"km\">{}</td><td class=\"{class}\">{}</td>\
                     <td>{}</td><td class=\"clock\">{}</td></tr>",
                    day::km(note.at_m),
                    day::note_word(note.kind),
                    escaped(&day::capital(&note.text)),
                    note.clock.as_deref().map_or("", day::time),
                );
            }
        }
    }
    let to = format!("Arrive: {}", day::point(book, plan.last_point));
    end(roadbook.length_m, &to, plan.arrive.as_deref(), out);
    out.push_str("</tbody></table></div>\n");
}

fn end(m: f64, text: &str, clock: Option<&str>, out: &mut String) {
    let _ = write!(
        out,
        "<tr class=\"end\"><td class=\"km\">{}</td><td colspan=\"2\">{}</td><td class=\"clock\">{}</td></tr>",
        day::km(m),
        escaped(text),
        clock.map_or("", day::time),
    );
}
