//! A small writer of SVG 1.1 pictures for print: black on white, hatching, generic fonts.
//!
//! One unit is a point (1/72 inch), so a text of size 8 is printed in eight points. A picture is as
//! wide as a sheet and grows downwards with what is drawn on it.

pub mod measure;

use std::fmt::Write;

/// Width of an A4 sheet, portrait: 210 mm in points, ISO 216.
pub const A4_WIDTH: f64 = 595.28;

/// Left, top, width and height, in points.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Area {
    /// Left edge.
    pub x: f64,
    /// Top edge.
    pub y: f64,
    /// Width.
    pub w: f64,
    /// Height.
    pub h: f64,
}

/// How a box is filled and outlined.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Look {
    /// White with a thin outline.
    Outlined,
    /// White with a heavy outline.
    Framed,
    /// Dark grey.
    Solid,
    /// Slanting lines within a dashed outline.
    Hatched,
    /// Nothing but a thin outline.
    Bordered,
}

impl Look {
    fn attributes(self) -> &'static str {
        match self {
            Look::Outlined => r##"fill="#fff" stroke="#000" stroke-width="0.6""##,
            Look::Framed => r##"fill="none" stroke="#000" stroke-width="1.6""##,
            Look::Solid => r##"fill="#444" stroke="none""##,
            Look::Hatched => {
                r##"fill="url(#hatch)" stroke="#000" stroke-width="0.4" stroke-dasharray="2 1.5""##
            }
            Look::Bordered => r##"fill="none" stroke="#000" stroke-width="0.6""##,
        }
    }
}

/// How a line is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stroke {
    /// Thin and unbroken.
    Thin,
    /// Thin and dotted.
    Dotted,
    /// Heavy.
    Heavy,
    /// White, to be seen on something dark.
    White,
}

impl Stroke {
    fn attributes(self) -> &'static str {
        match self {
            Stroke::Thin => r##"stroke="#000" stroke-width="0.6""##,
            Stroke::Dotted => r##"stroke="#000" stroke-width="0.5" stroke-dasharray="0.8 1.6""##,
            Stroke::Heavy => r##"stroke="#000" stroke-width="1.4""##,
            Stroke::White => r##"stroke="#fff" stroke-width="1""##,
        }
    }
}

/// Which point of a text stands at its x.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// Its beginning.
    Start,
    /// Its middle.
    Middle,
    /// Its end.
    End,
}

/// Size and weight of letters.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Font {
    /// Size in points.
    pub size: f64,
    /// Whether it is bold.
    pub bold: bool,
}

impl Font {
    /// Letters of a size.
    pub const fn plain(size: f64) -> Font {
        Font { size, bold: false }
    }

    /// Bold letters of a size.
    pub const fn bold(size: f64) -> Font {
        Font { size, bold: true }
    }

    /// From one line of text to the next.
    pub fn line(self) -> f64 {
        1.25 * self.size
    }

    /// The space that a text takes, in points; see [`measure::ems`].
    pub fn width(self, text: &str) -> f64 {
        self.size * measure::ems(text, self.bold)
    }

    /// A text broken into lines no wider than `width`.
    pub fn broken(self, text: &str, width: f64) -> Vec<String> {
        measure::broken(text, width / self.size, self.bold)
    }
}

/// A picture being drawn.
#[derive(Clone, Debug)]
pub struct Picture {
    width: f64,
    body: String,
}

impl Picture {
    /// An empty picture of a width.
    pub fn new(width: f64) -> Picture {
        Picture { width, body: String::new() }
    }

    /// A box.
    pub fn area(&mut self, area: Area, look: Look) {
        let Area { x, y, w, h } = area;
        self.put(format_args!(
            r#"<rect x="{x:.2}" y="{y:.2}" width="{w:.2}" height="{h:.2}" {}/>"#,
            look.attributes()
        ));
    }

    /// A line from one point to another.
    pub fn line(&mut self, from: (f64, f64), to: (f64, f64), stroke: Stroke) {
        self.put(format_args!(
            r#"<line x1="{:.2}" y1="{:.2}" x2="{:.2}" y2="{:.2}" {}/>"#,
            from.0,
            from.1,
            to.0,
            to.1,
            stroke.attributes()
        ));
    }

    /// A black bar with round ends between two points: a shunt.
    pub fn bar(&mut self, from: (f64, f64), to: (f64, f64), thick: f64) {
        self.put(format_args!(
            r##"<line x1="{:.2}" y1="{:.2}" x2="{:.2}" y2="{:.2}" stroke="#000" stroke-width="{thick:.2}" stroke-linecap="round"/>"##,
            from.0, from.1, to.0, to.1
        ));
    }

    /// A black triangle that points to the right, in a square with this left edge and middle.
    pub fn pointer(&mut self, x: f64, middle: f64, size: f64) {
        let (top, bottom) = (middle - size / 2.0, middle + size / 2.0);
        self.put(format_args!(
            r##"<path d="M{x:.2} {top:.2}L{:.2} {middle:.2}L{x:.2} {bottom:.2}Z" fill="#000"/>"##,
            x + 0.85 * size
        ));
    }

    /// A line of text with its feet at `y`.
    pub fn text(&mut self, x: f64, y: f64, anchor: Anchor, font: Font, text: &str) {
        let anchor = match anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let weight = if font.bold { r#" font-weight="bold""# } else { "" };
        let size = font.size;
        self.put(format_args!(
            r#"<text x="{x:.2}" y="{y:.2}" font-size="{size}" text-anchor="{anchor}"{weight}>{}</text>"#,
            escaped(text)
        ));
    }

    /// A text broken into lines under one another from a top edge; the bottom edge they reach.
    pub fn lines(&mut self, x: f64, top: f64, width: f64, font: Font, text: &str) -> f64 {
        let mut y = top;
        for line in font.broken(text, width) {
            self.text(x, y + font.size, Anchor::Start, font, &line);
            y += font.line();
        }
        y
    }

    /// Lays another picture of the same width over this one.
    pub fn put_on(&mut self, other: Picture) {
        self.body += &other.body;
    }

    /// The finished picture down to a bottom edge, with a title for those who cannot see it.
    pub fn finish(self, height: f64, title: &str) -> String {
        let width = self.width;
        let mm = |points: f64| points * 25.4 / 72.0;
        let (wide, high) = (mm(width), mm(height));
        format!(
            r##"<?xml version="1.0" encoding="UTF-8"?>
<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{wide:.1}mm" height="{high:.1}mm" viewBox="0 0 {width:.2} {height:.2}" font-family="sans-serif">
<title>{}</title>
<defs>
<pattern id="hatch" width="3" height="3" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
<line x1="0" y1="0" x2="0" y2="3" stroke="#000" stroke-width="0.7"/>
</pattern>
</defs>
<rect x="0" y="0" width="{width:.2}" height="{height:.2}" fill="#fff"/>
{}</svg>
"##,
            escaped(title),
            self.body
        )
    }

    fn put(&mut self, element: std::fmt::Arguments<'_>) {
        // Writing to a string does not fail.
        let _ = writeln!(self.body, "{element}");
    }
}

/// A text as it may stand in XML 1.0: no markup, no characters that XML does not know.
pub fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out += "&amp;",
            '<' => out += "&lt;",
            '>' => out += "&gt;",
            '"' => out += "&quot;",
            '\'' => out += "&apos;",
            '\t' | '\n' | '\r' => out.push(' '),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::escaped;

    #[test]
    fn what_xml_does_not_know_never_gets_into_a_picture() {
        // XML 1.0, production 2: of the control characters only tab, LF and CR are characters.
        assert_eq!(escaped("R<1k & \"2k\"'s>"), "R&lt;1k &amp; &quot;2k&quot;&apos;s&gt;");
        assert_eq!(escaped("a\u{1}b\nc\u{ffff}"), "a\u{fffd}b c\u{fffd}");
    }
}
