//! Pages of shapes as a PDF.

use krilla::Document;
use krilla::color::rgb;
use krilla::geom::{PathBuilder, Point, Rect, Transform};
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, FillRule, LineCap, LineJoin, Stroke, StrokeDash};
use krilla::surface::Surface;
use krilla::text::{Font, TextDirection};

use crate::drawing::{Anchor, Colour, PAPER, Pen, Shape, Text};
use crate::letters;
use crate::{PaperError, Sheet};

/// Half of a circle's radius to a Bezier control point: 4/3 (sqrt 2 - 1).
const ROUND: f32 = 0.552_285;

/// Writes pages, all of one size.
pub fn write(pages: &[Vec<Shape>], sheet: Sheet, title: &str) -> Result<Vec<u8>, PaperError> {
    let error = |what: String| PaperError(what);
    let font = |bytes: &'static [u8]| {
        Font::new(bytes.to_vec().into(), 0).ok_or_else(|| error("a font is damaged".into()))
    };
    let fonts = [font(letters::REGULAR)?, font(letters::BOLD)?];
    let [width, height] = sheet.size_pt();
    let mut document = Document::new();
    for page in pages {
        let settings = PageSettings::from_wh(width, height)
            .ok_or_else(|| error("the paper has no size".into()))?;
        let mut page_out = document.start_page_with(settings);
        let mut surface = page_out.surface();
        for shape in page {
            draw(&mut surface, &fonts, shape);
        }
        surface.finish();
        page_out.finish();
    }
    document.set_metadata(
        Metadata::new()
            .title(title.to_owned())
            .creator("Lacet".to_owned())
            .language("en".to_owned()),
    );
    document.finish().map_err(|e| error(format!("{e:?}")))
}

fn fill(colour: Colour) -> Fill {
    let [r, g, b] = colour;
    Fill {
        paint: rgb::Color::new(r, g, b).into(),
        opacity: NormalizedF32::ONE,
        rule: FillRule::EvenOdd,
    }
}

fn stroke(pen: &Pen) -> Stroke {
    let [r, g, b] = pen.colour;
    Stroke {
        paint: rgb::Color::new(r, g, b).into(),
        width: pen.width,
        line_join: LineJoin::Round,
        line_cap: match pen.dash {
            [] => LineCap::Round,
            _ => LineCap::Butt,
        },
        dash: (!pen.dash.is_empty()).then(|| StrokeDash {
            array: pen.dash.to_vec(),
            offset: 0.0,
        }),
        ..Stroke::default()
    }
}

fn draw(surface: &mut Surface<'_>, fonts: &[Font; 2], shape: &Shape) {
    match shape {
        Shape::Path {
            lines,
            closed,
            fill: area,
            pen,
        } => {
            let mut path = PathBuilder::new();
            for line in lines.iter().filter(|l| l.len() > 1) {
                for (i, &[x, y]) in line.iter().enumerate() {
                    match i {
                        0 => path.move_to(x, y),
                        _ => path.line_to(x, y),
                    }
                }
                if *closed {
                    path.close();
                }
            }
            let Some(path) = path.finish() else { return };
            surface.set_fill(area.map(fill));
            surface.set_stroke(pen.as_ref().map(stroke));
            surface.draw_path(&path);
        }
        Shape::Dot {
            at: [x, y],
            radius: r,
            fill: area,
            pen,
        } => {
            let k = r * ROUND;
            let mut path = PathBuilder::new();
            path.move_to(x + r, *y);
            path.cubic_to(x + r, y + k, x + k, y + r, *x, y + r);
            path.cubic_to(x - k, y + r, x - r, y + k, x - r, *y);
            path.cubic_to(x - r, y - k, x - k, y - r, *x, y - r);
            path.cubic_to(x + k, y - r, x + r, y - k, x + r, *y);
            path.close();
            let Some(path) = path.finish() else { return };
            surface.set_fill(Some(fill(*area)));
            surface.set_stroke(pen.as_ref().map(stroke));
            surface.draw_path(&path);
        }
        Shape::Text(text) => draw_text(surface, fonts, text),
        Shape::Framed {
            frame: [x, y, w, h],
            shapes,
        } => {
            let mut path = PathBuilder::new();
            let Some(rect) = Rect::from_xywh(*x, *y, *w, *h) else {
                return;
            };
            path.push_rect(rect);
            let Some(path) = path.finish() else { return };
            surface.push_clip_path(&path, &FillRule::NonZero);
            surface.push_transform(&Transform::from_translate(*x, *y));
            for shape in shapes {
                draw(surface, fonts, shape);
            }
            surface.pop();
            surface.pop();
        }
    }
}

fn draw_text(surface: &mut Surface<'_>, fonts: &[Font; 2], text: &Text) {
    let words = letters::plain(&text.text);
    if words.trim().is_empty() {
        return;
    }
    let width = letters::width(&words, text.size, text.bold);
    let x = match text.anchor {
        Anchor::Start => text.at[0],
        Anchor::Middle => text.at[0] - width / 2.0,
        Anchor::End => text.at[0] - width,
    };
    let at = Point::from_xy(x, text.at[1]);
    let font = &fonts[usize::from(text.bold)];
    if text.rim {
        // The rim is drawn as lines, so that the text is in the file once.
        surface.set_fill(None);
        surface.set_stroke(Some(stroke(&Pen::solid(PAPER, 2.0))));
        surface.draw_text(
            at,
            font.clone(),
            text.size,
            &words,
            true,
            TextDirection::Auto,
        );
    }
    surface.set_stroke(None);
    surface.set_fill(Some(fill(text.colour)));
    surface.draw_text(
        at,
        font.clone(),
        text.size,
        &words,
        false,
        TextDirection::Auto,
    );
}
