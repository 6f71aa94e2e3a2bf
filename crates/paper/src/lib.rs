//! Tours on paper: the roadbook as PDF or printable HTML, and a handout, one HTML file of a tour that
//! needs neither network nor script. Plans and roadbooks in, bytes out; nothing is looked up but
//! the overview map's ground.

mod book;
mod day;
mod drawing;
mod html;
mod letters;
mod map;
mod pdf;
mod ribbon;
mod sketch;

use planner::document::Tour;
use planner::plan::Plan;
use planner::roadbook::Roadbook;
use region::Region;

/// What is put on paper: a tour, its plan and its roadbook.
#[derive(Clone, Copy)]
pub struct Book<'a> {
    /// Ground of the overview map.
    pub region: &'a Region,
    /// The tour.
    pub tour: &'a Tour,
    /// Its plan, with all lines.
    pub plan: &'a Plan,
    /// Its roadbook.
    pub roadbook: &'a Roadbook,
}

/// Size of the paper, upright.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Sheet {
    /// 148 x 210 mm (ISO 216).
    #[default]
    A5,
    /// 210 x 297 mm (ISO 216).
    A4,
    /// 8.5 x 11 inch (ANSI/ASME Y14.1).
    Letter,
}

impl Sheet {
    /// By name: `a5`, `a4`, `letter`.
    pub fn named(name: &str) -> Option<Self> {
        match name {
            "a5" => Some(Sheet::A5),
            "a4" => Some(Sheet::A4),
            "letter" => Some(Sheet::Letter),
            _ => None,
        }
    }

    /// Width and height in points, 1/72 inch.
    pub fn size_pt(self) -> [f32; 2] {
        let mm = |mm: f32| mm / 25.4 * 72.0;
        match self {
            Sheet::A5 => [mm(148.0), mm(210.0)],
            Sheet::A4 => [mm(210.0), mm(297.0)],
            Sheet::Letter => [612.0, 792.0],
        }
    }

    /// As CSS names it.
    fn css(self) -> &'static str {
        match self {
            Sheet::A5 => "A5",
            Sheet::A4 => "A4",
            Sheet::Letter => "letter",
        }
    }
}

/// The document could not be made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PaperError(String);

impl std::fmt::Display for PaperError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "the PDF could not be written: {}", self.0)
    }
}

impl std::error::Error for PaperError {}

impl Book<'_> {
    /// The roadbook as a PDF: a sheet with overview and cautions, then day by day.
    pub fn roadbook_pdf(&self, sheet: Sheet) -> Result<Vec<u8>, PaperError> {
        let pages = book::pages(self, sheet);
        pdf::write(&pages, sheet, &self.title())
    }

    /// The roadbook as HTML that prints well on a sheet of this size.
    pub fn roadbook_html(&self, sheet: Sheet) -> String {
        html::roadbook(self, sheet)
    }

    /// The whole tour in one HTML file: map, days, roadbook, files for units.
    pub fn handout_html(&self) -> String {
        html::handout(self)
    }

    fn title(&self) -> String {
        match self.tour.name.trim() {
            "" => "Tour".to_owned(),
            name => name.to_owned(),
        }
    }
}
