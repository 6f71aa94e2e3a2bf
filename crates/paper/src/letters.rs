//! The letters of the PDF: Noto Sans, with Latin, Greek and Cyrillic. What it does not have is
//! written in Latin letters.

use std::sync::LazyLock;

use ttf_parser::Face;

pub const REGULAR: &[u8] = include_bytes!("../fonts/NotoSans-Regular.ttf");
pub const BOLD: &[u8] = include_bytes!("../fonts/NotoSans-SemiBold.ttf");

static FACES: LazyLock<[Option<Face<'static>>; 2]> =
    LazyLock::new(|| [REGULAR, BOLD].map(|bytes| Face::parse(bytes, 0).ok()));

fn face(bold: bool) -> Option<&'static Face<'static>> {
    FACES[usize::from(bold)].as_ref()
}

/// Text in letters there are.
pub fn plain(text: &str) -> String {
    let Some(face) = face(false) else {
        return text.to_owned();
    };
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            c if c.is_control() => out.push(' '),
            c if face.glyph_index(c).is_some() => out.push(c),
            c => out.push_str(deunicode::deunicode_char(c).unwrap_or("?")),
        }
    }
    out
}

/// Width of a text, points.
pub fn width(text: &str, size: f32, bold: bool) -> f32 {
    let Some(face) = face(bold) else {
        return text.chars().count() as f32 * size * 0.55;
    };
    let advance = |c: char| {
        let glyph = face.glyph_index(c)?;
        face.glyph_hor_advance(glyph).map(f32::from)
    };
    let units: f32 = text.chars().map(|c| advance(c).unwrap_or(600.0)).sum();
    units * size / f32::from(face.units_per_em())
}

/// Text in lines no wider than `most`; a word that is wider is cut.
pub fn wrap(text: &str, most: f32, size: f32, bold: bool) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in plain(text).split_whitespace() {
        let longer = if line.is_empty() {
            word.to_owned()
        } else {
            format!("{line} {word}")
        };
        if width(&longer, size, bold) <= most {
            line = longer;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        for c in word.chars() {
            line.push(c);
            if width(&line, size, bold) > most && line.chars().count() > 1 {
                line.pop();
                lines.push(std::mem::replace(&mut line, c.to_string()));
            }
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// Text cut to a width, with an ellipsis where it was.
pub fn cut(text: &str, most: f32, size: f32, bold: bool) -> String {
    let mut text = plain(text);
    if width(&text, size, bold) <= most {
        return text;
    }
    while !text.is_empty() && width(&text, size, bold) + width("…", size, bold) > most {
        text.pop();
    }
    text + "…"
}
