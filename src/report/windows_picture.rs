//! The windows of a board as a picture for an A4 sheet: a strip for each channel, a row for each
//! position that it sees. Hatching and line styles tell things apart, no colour does.

use super::card;
use super::positions::Names;
use super::svg::{A4_WIDTH, Anchor, Area, Font, Look, Picture, Stroke};
use super::windows::{advice, digits, gap_below, highs, meanings, position, whole, window};
use super::windows_scale::{Scale, Tick};
use crate::board::{Board, Channel, Kind};
use crate::window::{ChannelWindows, Class, Limits, Windows, assumptions};

/// Margin of the sheet at its sides.
const EDGE: f64 = 25.0;
/// The same at its head and foot.
const HEAD: f64 = 18.0;
/// Width between the margins.
const INNER: f64 = A4_WIDTH - 2.0 * EDGE;
/// Width of the column with positions and options.
const LABELS: f64 = 108.0;
/// Left edge and width of the strips.
const PLOT: (f64, f64) = (EDGE + LABELS + 6.0, 226.0);
/// Left edge and width of the figures.
const FIGURES: (f64, f64) = (PLOT.0 + PLOT.1 + 8.0, INNER - LABELS - PLOT.1 - 14.0);
/// Between two rows.
const ROW_GAP: f64 = 3.0;
/// Height of a strip.
const STRIP: f64 = 12.0;
/// Height of a design band in its strip.
const BAND: f64 = 6.0;

const TITLE: Font = Font::bold(14.0);
const HEADING: Font = Font::bold(10.0);
const NAME: Font = Font::bold(7.5);
const NUMBER: Font = Font::bold(6.5);
const SMALL: Font = Font::plain(7.0);

/// Draws the windows of every channel, with a legend and what the figures rest on.
pub fn picture(board: &Board, windows: &Windows) -> String {
    let mut p = Picture::new(A4_WIDTH);
    let title = format!("{}, revision {}: windows", board.name, board.revision);
    let mut y = p.lines(EDGE, HEAD, INNER, TITLE, &title);
    y = p.lines(EDGE, y, INNER, SMALL, &board.about);
    y = legend(&mut p, y + 8.0) + 8.0;
    for (channel, w) in board.channels.iter().zip(&windows.channels) {
        y = Strips::new(board, channel, w).draw(&mut p, y) + 6.0;
    }
    for note in meanings(board) {
        y = p.lines(EDGE, y, INNER, SMALL, &note);
    }
    y = p.lines(EDGE, y, INNER, SMALL, &assumptions(board).join("; "));
    for line in advice(board, windows) {
        y = p.lines(EDGE, y, INNER, SMALL, &line);
    }
    p.finish(y + HEAD, &title)
}

/// What the signs mean, as many beside one another as fit.
fn legend(p: &mut Picture, top: f64) -> f64 {
    type Sample = fn(&mut Picture, Area);
    let signs: [(Sample, &str); 5] = [
        (|p, a| p.area(a, Look::Outlined), "window: read as the option"),
        (|p, a| p.area(a, Look::Hatched), "gap: read as no option"),
        (band, "band of good units"),
        (|p, a| nominal(p, a.x + a.w / 2.0, a.y), "nominal unit"),
        (|p, a| margin(p, a.x, a.x + a.w, a.y), "margin"),
    ];
    let (mut x, mut y) = (EDGE, top);
    for (sample, text) in signs {
        let wide = 24.0 + SMALL.width(text);
        if x > EDGE && x + wide > EDGE + INNER {
            (x, y) = (EDGE, y + STRIP + 4.0);
        }
        sample(p, Area { x, y, w: 18.0, h: STRIP });
        p.text(x + 22.0, y + STRIP - 3.5, Anchor::Start, SMALL, text);
        x += wide + 14.0;
    }
    y + STRIP
}

fn band(p: &mut Picture, strip: Area) {
    let y = strip.y + (STRIP - BAND) / 2.0;
    p.area(Area { y, h: BAND, ..strip }, Look::Solid);
}

/// A tick that is black above and below a band and white on it.
fn nominal(p: &mut Picture, x: f64, top: f64) {
    let (inset, bottom) = ((STRIP - BAND) / 2.0, top + STRIP);
    p.line((x, top + inset), (x, bottom - inset), Stroke::White);
    p.line((x, top - 1.0), (x, top + inset), Stroke::Heavy);
    p.line((x, bottom - inset), (x, bottom + 1.0), Stroke::Heavy);
}

/// A line with a stop at each end.
fn margin(p: &mut Picture, from: f64, to: f64, top: f64) {
    let middle = top + STRIP / 2.0;
    p.line((from, middle), (to, middle), Stroke::Thin);
    for x in [from, to] {
        p.line((x, middle - 2.0), (x, middle + 2.0), Stroke::Thin);
    }
}

/// The strips of one channel.
struct Strips<'a> {
    board: &'a Board,
    channel: &'a Channel,
    windows: &'a ChannelWindows,
    scale: Scale<'a>,
    names: Names,
    /// Left and right edge of each class's window.
    spans: Vec<(f64, f64)>,
    /// Left and right edge of what belongs to no window.
    gaps: Vec<(f64, f64)>,
}

impl<'a> Strips<'a> {
    fn new(board: &'a Board, channel: &'a Channel, windows: &'a ChannelWindows) -> Strips<'a> {
        let scale = Scale::new(board, channel, windows, PLOT);
        let spans: Vec<(f64, f64)> = windows.classes.iter().map(|c| scale.span(c)).collect();
        let mut order = spans.clone();
        order.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut gaps = Vec::new();
        let mut reached = PLOT.0;
        for (from, to) in order.into_iter().chain([(PLOT.0 + PLOT.1, PLOT.0 + PLOT.1)]) {
            // A channel that no option is read from has no codes that mean none.
            if from - reached > 1e-6 && windows.set.is_some() {
                gaps.push((reached, from));
            }
            reached = reached.max(to);
        }
        // The places of many jumpers are told as in the table: what they have in common once.
        let crowded = windows.classes.iter().any(|c| c.places.len() > MOST_PLACES);
        let names = match crowded {
            true => Names::new(board, windows),
            false => Names {
                classes: windows.classes.iter().map(|c| position(c).to_string()).collect(),
                note: None,
            },
        };
        Strips { board, channel, windows, scale, names, spans, gaps }
    }

    fn draw(&self, p: &mut Picture, top: f64) -> f64 {
        let c = self.channel;
        p.line((EDGE, top), (EDGE + INNER, top), Stroke::Thin);
        let heading = super::windows::heading(self.board, c);
        let y = p.lines(EDGE, top + 3.0, INNER, HEADING, &heading) + 3.0;
        let y = match &self.names.note {
            Some(note) => p.lines(EDGE, y - 3.0, INNER, SMALL, note) + 3.0,
            None => y,
        };
        let ticks = self.scale.ticks(SMALL);
        let mut rows = Picture::new(A4_WIDTH);
        let mut bottom = self.together(&mut rows, y) + ROW_GAP;
        for i in 0..self.windows.classes.len() {
            bottom = self.row(&mut rows, bottom, i) + ROW_GAP;
        }
        // Under the rows, so that nothing is crossed out.
        for tick in &ticks {
            p.line((tick.x, y + STRIP), (tick.x, bottom), Stroke::Dotted);
        }
        p.put_on(rows);
        axis(p, bottom, &ticks)
    }

    /// All windows on one strip, each with the number of its row where it is wide enough.
    fn together(&self, p: &mut Picture, y: f64) -> f64 {
        p.text(EDGE, y + STRIP - 3.5, Anchor::Start, SMALL, "all windows");
        for &gap in &self.gaps {
            p.area(strip(gap, y), Look::Hatched);
        }
        for (i, &span) in self.spans.iter().enumerate() {
            p.area(strip(span, y), Look::Outlined);
            let number = (i + 1).to_string();
            if NUMBER.width(&number) + 1.0 < span.1 - span.0 {
                let middle = (span.0 + span.1) / 2.0;
                p.text(middle, y + STRIP - 3.6, Anchor::Middle, NUMBER, &number);
            }
        }
        y + STRIP
    }

    fn row(&self, p: &mut Picture, y: f64, i: usize) -> f64 {
        let class = &self.windows.classes[i];
        let name = format!("{}. {}", i + 1, self.names.classes[i]);
        let mut bottom = p.lines(EDGE, y, LABELS, NAME, &name);
        let option = options(self.board, class);
        if !option.is_empty() {
            bottom = p.lines(EDGE, bottom, LABELS, SMALL, &option);
        }
        let (from, to) = self.spans[i];
        let touches = |g: &&(f64, f64)| (g.1 - from).abs() < 1e-6 || (g.0 - to).abs() < 1e-6;
        for &gap in self.gaps.iter().filter(touches) {
            p.area(strip(gap, y + 1.0), Look::Hatched);
        }
        p.area(strip((from, to), y + 1.0), Look::Outlined);
        let (low, high) = (self.scale.at(class.design.low), self.scale.at(class.design.high));
        if from > PLOT.0 + 1e-6 && low > from {
            margin(p, from, low, y + 1.0);
        }
        if to < PLOT.0 + PLOT.1 - 1e-6 && to > high {
            margin(p, high, to, y + 1.0);
        }
        // A band of no width is still to be seen.
        band(p, Area { w: (high - low).max(1.0), ..strip((low, high), y + 1.0) });
        nominal(p, self.scale.at(class.code), y + 1.0);
        let mut figures = y;
        for line in self.figures(class) {
            figures = p.lines(FIGURES.0, figures, FIGURES.1, SMALL, &line);
        }
        bottom.max(figures).max(y + STRIP + 2.0)
    }

    /// The figures of a class in codes; of a digital channel in volts, of a meter's in ohms.
    fn figures(&self, class: &Class) -> [String; 2] {
        if let Limits::Ohms { low, high } = class.limits {
            let band = (digits(class.design.low, 4), digits(class.design.high, 4));
            let margin = digits(class.margin_code, 3);
            return [
                format!("{} Ω, band {}..{} Ω", digits(class.code, 6), band.0, band.1),
                format!(
                    "window {}..{} Ω, margin {margin} Ω ({:.0} %)",
                    digits(low.0, 4),
                    digits(high.0, 4),
                    class.margin_pct
                ),
            ];
        }
        let volts = class.volts.map_or("joined to nothing".into(), |v| format!("{:.3} V", v.0));
        let margin = match class.margin() {
            Some((codes, percent)) => format!(", margin {codes:.1} codes ({percent:.0} %)"),
            None => String::new(),
        };
        if self.channel.kind == Kind::Digital && matches!(class.limits, Limits::Level(_)) {
            let lsb = self.board.supply.volts.0 / self.board.chip.scale;
            let (low, high) = (class.design.low * lsb, class.design.high * lsb);
            let margin =
                format!("margin {:.2} V ({:.0} %)", lsb * class.margin_code, class.margin_pct);
            return [
                format!("{volts}, band {low:.2}..{high:.2} V"),
                format!("reads {}, {margin}", window(&class.limits)),
            ];
        }
        let full = self.board.chip.full_scale;
        let (low, high) = whole(class, full);
        let gap = match gap_below(&class.limits, &highs(self.windows)) {
            Some(gap) => format!(", gap {gap}"),
            None => String::new(),
        };
        [
            format!("{volts}, code {:.1}, band {low}..{high}", class.code.min(f64::from(full))),
            format!("window {}{gap}{margin}", window(&class.limits)),
        ]
    }
}

/// Places of a position told one by one.
const MOST_PLACES: usize = 4;

/// Options listed by name; of more only their number is told.
const MOST_NAMED: usize = 8;

/// The option that a class is read as; where several channels make it, those that it agrees with.
fn options(board: &Board, class: &Class) -> String {
    if let Some(option) = &class.means {
        return option.clone();
    }
    let Some(&(first, _)) = class.rows.first() else { return String::new() };
    let set = &board.options[first];
    let mut names: Vec<&str> = Vec::new();
    for &(_, row) in class.rows.iter().filter(|r| r.0 == first) {
        let name = set.when[row].means.as_str();
        if !names.contains(&name) {
            names.push(name);
        }
    }
    let label = card::set_name(set);
    match names.len() {
        n if n > MOST_NAMED => format!("{label}: {n} options"),
        _ => format!("{label}: {}", names.join(", ")),
    }
}

fn axis(p: &mut Picture, y: f64, ticks: &[Tick]) -> f64 {
    p.line((PLOT.0, y), (PLOT.0 + PLOT.1, y), Stroke::Thin);
    let mut bottom = y;
    for tick in ticks {
        p.line((tick.x, y), (tick.x, y + 3.0), Stroke::Thin);
        let mut feet = y + 3.0;
        for label in &tick.labels {
            feet += SMALL.line();
            p.text(tick.x, feet, tick.anchor, SMALL, label);
        }
        bottom = bottom.max(feet + 2.0);
    }
    bottom
}

fn strip((from, to): (f64, f64), y: f64) -> Area {
    Area { x: from, y, w: (to - from).max(0.4), h: STRIP }
}
