//! Vector drawings: what both paper and screen are drawn from. Points from the upper left corner, in
//! 1/72 inch; y grows downwards.

use std::fmt::Write;

/// Red, green, blue.
pub type Colour = [u8; 3];

pub const INK: Colour = [0x1d, 0x1d, 0x1b];
pub const QUIET: Colour = [0x6b, 0x68, 0x60];
pub const FAINT: Colour = [0xc9, 0xc4, 0xb8];
pub const PAPER: Colour = [0xff, 0xff, 0xff];
pub const WARN: Colour = [0xa8, 0x32, 0x18];

/// How a line is drawn.
#[derive(Clone, Copy, Debug)]
pub struct Pen {
    pub colour: Colour,
    pub width: f32,
    /// Lengths of strokes and gaps; none for a solid line.
    pub dash: &'static [f32],
}

impl Pen {
    pub fn solid(colour: Colour, width: f32) -> Self {
        let dash = &[];
        Pen {
            colour,
            width,
            dash,
        }
    }
}

/// Which end of a text its place is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    Start,
    Middle,
    End,
}

/// A text on one line.
#[derive(Clone, Debug)]
pub struct Text {
    pub at: [f32; 2],
    pub size: f32,
    pub bold: bool,
    pub anchor: Anchor,
    pub colour: Colour,
    /// A rim of paper around the letters.
    pub rim: bool,
    pub text: String,
}

/// A part of a drawing.
#[derive(Clone, Debug)]
pub enum Shape {
    /// Lines, filled by the even-odd rule.
    Path {
        lines: Vec<Vec<[f32; 2]>>,
        closed: bool,
        fill: Option<Colour>,
        pen: Option<Pen>,
    },
    /// A disc.
    Dot {
        at: [f32; 2],
        radius: f32,
        fill: Colour,
        pen: Option<Pen>,
    },
    /// Letters.
    Text(Text),
    /// A drawing within a frame: left, top, width, height. Its own places count from there.
    Framed { frame: [f32; 4], shapes: Vec<Shape> },
}

impl Shape {
    pub fn line(line: Vec<[f32; 2]>, pen: Pen) -> Self {
        Shape::Path {
            lines: vec![line],
            closed: false,
            fill: None,
            pen: Some(pen),
        }
    }

    pub fn area(line: Vec<[f32; 2]>, fill: Colour) -> Self {
        Shape::Path {
            lines: vec![line],
            closed: true,
            fill: Some(fill),
            pen: None,
        }
    }

    pub fn rect([x, y, w, h]: [f32; 4], fill: Colour) -> Self {
        Shape::area(vec![[x, y], [x + w, y], [x + w, y + h], [x, y + h]], fill)
    }

    pub fn words(at: [f32; 2], size: f32, text: impl Into<String>) -> Text {
        Text {
            at,
            size,
            bold: false,
            anchor: Anchor::Start,
            colour: INK,
            rim: false,
            text: text.into(),
        }
    }
}

/// A drawing as an SVG element; `label` is read to those who do not see it.
pub fn svg(shapes: &[Shape], [width, height]: [f32; 2], label: &str) -> String {
    let mut out = format!(
        "<svg viewBox=\"0 0 {} {}\" role=\"img\" aria-label=\"{}\">",
        number(width),
        number(height),
        escaped(label)
    );
    for shape in shapes {
        push(&mut out, shape);
    }
    out.push_str("</svg>");
    out
}

fn push(out: &mut String, shape: &Shape) {
    match shape {
        Shape::Path {
            lines,
            closed,
            fill,
            pen,
        } => {
            out.push_str("<path d=\"");
            for line in lines {
                for (i, [x, y]) in line.iter().enumerate() {
                    let letter = if i == 0 { 'M' } else { 'L' };
                    let _ = write!(out, "{letter}{} {}", number(*x), number(*y));
                }
                if *closed {
                    out.push('Z');
                }
            }
            out.push('"');
            paint(out, *fill, pen.as_ref());
            out.push_str("/>");
        }
        Shape::Dot {
            at,
            radius,
            fill,
            pen,
        } => {
            let [x, y, r] = [at[0], at[1], *radius].map(number);
            let _ = write!(out, "<circle cx=\"{x}\" cy=\"{y}\" r=\"{r}\"");
            paint(out, Some(*fill), pen.as_ref());
            out.push_str("/>");
        }
        Shape::Text(text) => {
            let [x, y, size] = [text.at[0], text.at[1], text.size].map(number);
            let _ = write!(out, "<text x=\"{x}\" y=\"{y}\" font-size=\"{size}\"");
            if text.bold {
                out.push_str(" font-weight=\"600\"");
            }
            match text.anchor {
                Anchor::Start => {}
                Anchor::Middle => out.push_str(" text-anchor=\"middle\""),
                Anchor::End => out.push_str(" text-anchor=\"end\""),
            }
            if text.rim {
                let _ = write!(
                    out,
                    " paint-order=\"stroke\" stroke=\"{}\" stroke-width=\"2\"",
                    hex(PAPER)
                );
            }
            let _ = write!(
                out,
                " fill=\"{}\">{}</text>",
                hex(text.colour),
                escaped(&text.text)
            );
        }
        Shape::Framed { frame, shapes } => {
            let [x, y, w, h] = frame.map(number);
            let _ = write!(
                out,
                "<svg x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\" overflow=\"hidden\">"
            );
            for shape in shapes {
                push(out, shape);
            }
            out.push_str("</svg>");
        }
    }
}

fn paint(out: &mut String, fill: Option<Colour>, pen: Option<&Pen>) {
    match fill {
        Some(fill) => {
            let _ = write!(out, " fill=\"{}\" fill-rule=\"evenodd\"", hex(fill));
        }
        None => out.push_str(" fill=\"none\""),
    }
    let Some(pen) = pen else { return };
    let _ = write!(
        out,
        " stroke=\"{}\" stroke-width=\"{}\" stroke-linejoin=\"round\"",
        hex(pen.colour),
        number(pen.width)
    );
    match pen.dash {
        [] => out.push_str(" stroke-linecap=\"round\""),
        dash => {
            let dash: Vec<String> = dash.iter().copied().map(number).collect();
            let _ = write!(out, " stroke-dasharray=\"{}\"", dash.join(" "));
        }
    }
}

fn hex([r, g, b]: Colour) -> String {
    format!("#{r:02x}{g:02x}{b:02x}")
}

/// To a hundredth, without a tail of noughts.
fn number(v: f32) -> String {
    let text = format!("{v:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".into()
    } else {
        text.into()
    }
}

/// Text as it stands in HTML and in attributes.
pub fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}
