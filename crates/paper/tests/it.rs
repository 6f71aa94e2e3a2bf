//! Paper, read back: PDF by poppler's tools where they are installed, HTML as text.

#![expect(clippy::print_stderr, reason = "skipped checks are told")]

use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use base64::Engine;
use paper::{Book, Sheet};
use planner::Planner;
use planner::document::Tour;
use planner::files;
use planner::plan::{CAUTIONS, Plan};
use planner::roadbook::Roadbook;
use region::{PlaceKind, Region};

struct Made {
    planner: Planner,
    tour: Tour,
    plan: Plan,
    roadbook: Roadbook,
}

impl Made {
    fn book(&self) -> Book<'_> {
        Book {
            region: self.planner.region(),
            tour: &self.tour,
            plan: &self.plan,
            roadbook: &self.roadbook,
        }
    }
}

/// Two days between the towns of an invented country, with a name that markup would break on.
fn made() -> Made {
    let dir = tempfile::tempdir().unwrap();
    let country = synth::Country::of_area_km2(5, 400.0);
    let world = country
        .generate(&mut |_, _| {}, &AtomicBool::new(false))
        .unwrap();
    let file = dir.path().join("country.osm.pbf");
    world.write_pbf(&file).unwrap();
    let out = dir.path().join("paper.region");
    let job = import::Job {
        name: "paper",
        files: &[file],
        elevation: &[],
        credit: Some("© invented"),
        out: &out,
    };
    import::import(&job, &|_, _, _| {}, &AtomicBool::new(false)).unwrap();
    let planner = Planner::new(Arc::new(Region::open(&out).unwrap())).unwrap();
    let region = planner.region();
    let settlements: Vec<[f64; 2]> = (0..region.place_kind().len())
        .filter(|&i| {
            PlaceKind::from_code(region.place_kind()[i]).is_some_and(|k| k <= PlaceKind::Village)
        })
        .map(|i| [region.place_lat_e7()[i], region.place_lon_e7()[i]].map(|v| f64::from(v) / 1e7))
        .collect();
    let last = settlements.len() - 1;
    assert!(last >= 5);
    let points: Vec<String> = [0, last, last / 2, last / 3, last - 1]
        .iter()
        .enumerate()
        .map(|(n, &i)| {
            let [lat, lon] = settlements[i];
            let ends = n == 2;
            format!(
                r#"{{"kind":"stop","lat":{lat},"lon":{lon},"name":"Stop {n} Ж λ ő","ends_day":{ends}}}"#
            )
        })
        .collect();
    let tour = format!(
        r#"{{"format":"lacet-tour-1","name":"Hills & <b>\"dales\"</b>","region":"paper","taste":"winding",
            "depart":"2026-07-01T09:00","points":[{}]}}"#,
        points.join(",")
    );
    let tour: Tour = serde_json::from_str(&tour).unwrap();
    let (plan, roadbook) = planner.roadbook(&tour).unwrap();
    assert!(plan.legs.iter().all(|l| l.trouble.is_none()));
    let rows: Vec<usize> = roadbook.days.iter().map(|d| d.rows.len()).collect();
    assert!(rows.len() == 2 && rows.iter().all(|n| *n >= 2), "{rows:?}");
    Made {
        planner,
        tour,
        plan,
        roadbook,
    }
}

/// What a tool prints, if it is there.
fn run(program: &str, arguments: &[&str]) -> Option<String> {
    let Ok(out) = Command::new(program).args(arguments).output() else {
        eprintln!("skipped: {program} is not installed (Debian: poppler-utils)");
        return None;
    };
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    Some(String::from_utf8_lossy(&out.stdout).into_owned())
}

fn km(m: f64) -> String {
    format!("{:.2}", m / 1000.0)
}

#[test]
fn a_pdf_says_what_the_roadbook_says() {
    let made = made();
    let dir = tempfile::tempdir().unwrap();
    for (sheet, size) in [
        (Sheet::A5, [419.5, 595.3]),
        (Sheet::A4, [595.3, 841.9]),
        (Sheet::Letter, [612.0, 792.0]),
    ] {
        let pdf = made.book().roadbook_pdf(sheet).unwrap();
        assert!(pdf.starts_with(b"%PDF-"));
        // Equal input, equal bytes.
        assert_eq!(pdf, made.book().roadbook_pdf(sheet).unwrap());
        let path = dir.path().join("book.pdf");
        std::fs::write(&path, &pdf).unwrap();
        check_pdf(&made, &path, size);
    }
}

fn check_pdf(made: &Made, path: &Path, [width, height]: [f64; 2]) {
    let name = path.to_str().unwrap();
    let Some(info) = run("pdfinfo", &[name]) else {
        return;
    };
    let line = info.lines().find(|l| l.starts_with("Page size:")).unwrap();
    let numbers: Vec<f64> = line.split(' ').filter_map(|w| w.parse().ok()).collect();
    assert!(
        (numbers[0] - width).abs() < 0.2 && (numbers[1] - height).abs() < 0.2,
        "{line}"
    );
    assert!(info.contains("Hills & <b>\"dales\"</b>"), "{info}");
    let Some(text) = run("pdftotext", &["-raw", name, "-"]) else {
        return;
    };
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains(CAUTIONS), "{flat}");
    assert!(flat.contains("© invented"));
    // Greek, Cyrillic and Latin letters come back as they were.
    assert!(flat.contains("Stop 0 Ж λ ő") && flat.contains("Stop 4 Ж λ ő"));
    // Rows in order, with total and partial distance, clock, and what to do.
    let mut rest = flat.as_str();
    for day in &made.roadbook.days {
        for row in &day.rows {
            for wanted in [km(row.at_m), format!("+ {}", km(row.partial_m))] {
                let at = rest.find(&wanted);
                assert!(at.is_some(), "{wanted} of row {} is missing", row.number);
                rest = &rest[at.unwrap()..];
            }
            let clock = row.clock.as_deref().unwrap().split_once('T').unwrap().1;
            assert!(flat.contains(clock));
            let text = row.text.to_lowercase();
            assert!(flat.to_lowercase().contains(&text), "{text}");
        }
        assert!(rest.contains(&km(day.length_m)));
    }
}

#[test]
fn html_needs_nothing_but_itself() {
    let made = made();
    let pages = [
        made.book().handout_html(),
        made.book().roadbook_html(Sheet::A5),
    ];
    for html in &pages {
        for absent in [
            "<script", "http://", "https://", "src=", "url(", "@import", "<b>",
        ] {
            assert!(!html.contains(absent), "{absent}");
        }
        assert!(html.contains("Hills &amp; &lt;b&gt;&quot;dales&quot;&lt;/b&gt;"));
        assert!(html.contains(CAUTIONS) && html.contains("© invented"));
        assert!(html.contains("<html lang=\"en\">"));
        let rows = made.roadbook.days.iter().flat_map(|d| &d.rows);
        for row in rows {
            assert!(html.contains(&format!(
                "</span> {}<small>+ {}",
                km(row.at_m),
                km(row.partial_m)
            )));
        }
        let rows: usize = made.roadbook.days.iter().map(|d| d.rows.len()).sum();
        assert_eq!(html.matches("Sketch: ").count(), rows);
        for (open, close) in [
            ("<table", "</table>"),
            ("<svg", "</svg>"),
            ("<tr", "</tr>"),
            ("<td", "</td>"),
        ] {
            assert_eq!(
                html.matches(open).count(),
                html.matches(close).count(),
                "{open}"
            );
        }
    }
    assert!(pages[1].contains("@page { size: A5 portrait"));
    // The files inside are the tour and its days.
    let links: Vec<&str> = pages[0]
        .split("data:application/gpx+xml;base64,")
        .skip(1)
        .map(|rest| rest.split('"').next().unwrap())
        .collect();
    assert_eq!(links.len(), 3);
    let lengths: Vec<f64> = links
        .iter()
        .map(|link| {
            let gpx = base64::engine::general_purpose::STANDARD
                .decode(link)
                .unwrap();
            let ride = files::read("inside", &gpx).unwrap();
            ride.track_length_m()
        })
        .collect();
    let total_m = made.plan.total.length_m;
    assert!(
        (lengths[0] - total_m).abs() < 0.002 * total_m,
        "{lengths:?} {total_m}"
    );
    assert!((lengths[0] - lengths[1] - lengths[2]).abs() < 1.0);
}

/// Every letter of European alphabets is in the font; what is not is written in Latin letters.
#[test]
fn names_of_europe_are_written_as_they_are() {
    let face = ttf_parser::Face::parse(include_bytes!("../fonts/NotoSans-Regular.ttf"), 0).unwrap();
    let bold =
        ttf_parser::Face::parse(include_bytes!("../fonts/NotoSans-SemiBold.ttf"), 0).unwrap();
    for range in [
        '\u{20}'..='\u{7e}',
        '\u{a1}'..='\u{24f}',
        '\u{401}'..='\u{52f}',
        '\u{1e00}'..='\u{1ef9}',
    ] {
        for c in range {
            assert!(
                face.glyph_index(c).is_some() && bold.glyph_index(c).is_some(),
                "{c}"
            );
        }
    }
    for c in "ΑΒΓΔΕΖΗΘΙΚΛΜΝΞΟΠΡΣΤΥΦΧΨΩαβγδεζηθικλμνξοπρςστυφχψωάέήίόύώϊϋΐΰ".chars()
    {
        assert!(
            face.glyph_index(c).is_some() && bold.glyph_index(c).is_some(),
            "{c}"
        );
    }
}
