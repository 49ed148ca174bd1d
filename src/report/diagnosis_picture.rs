//! The readings of a unit beside what each leading cause predicts, as a picture for an A4 sheet.
//! Shapes and numbers tell things apart, no colour does.

use super::diagnosis::{NAMED, Strip, strips, unexplained};
use super::diagnosis_class::class_line;
use super::svg::{A4_WIDTH, Anchor, Area, Font, Look, Picture, Stroke};
use crate::board::Board;
use crate::diagnose::{Class, Diagnosis, Evidence};

const EDGE: f64 = 25.0;
const HEAD: f64 = 18.0;
const INNER: f64 = A4_WIDTH - 2.0 * EDGE;
/// Width of the column with channels and settings.
const LABELS: f64 = 150.0;
/// Left edge and width of the scale.
const PLOT: (f64, f64) = (EDGE + LABELS + 6.0, INNER - LABELS - 60.0);
const ROW: f64 = 18.0;
const STRIP: f64 = 10.0;
/// Room that a numeral needs.
const NUMERAL: f64 = 8.0;

/// Said where there is nothing to draw.
const ALL_GOOD: &str = "Every code is as a good unit gives it, so that there is none to draw.";
const NO_CODES: &str = "No code of the converter tells these causes from a good unit. Levels, a \
meter's values and answers that do are in the text.";

const TITLE: Font = Font::bold(14.0);
const SMALL: Font = Font::plain(7.0);
const STATED: Font = Font::bold(9.0);
const NUMBER: Font = Font::bold(7.5);

/// Draws every reading that tells the leading causes from a good unit or from each other.
pub fn picture(board: &Board, evidence: &Evidence, diagnosis: &Diagnosis, unit: &str) -> String {
    let mut p = Picture::new(A4_WIDTH);
    let unit = if unit.is_empty() { String::new() } else { format!(", unit {unit}") };
    let title = format!("{}, revision {}{unit}: causes", board.name, board.revision);
    let mut y = p.lines(EDGE, HEAD, INNER, TITLE, &title) + 4.0;
    if let Some(words) = unexplained(diagnosis) {
        y = p.lines(EDGE, y, INNER, STATED, &words) + 3.0;
    }
    let leading = diagnosis.classes.iter().take(3).enumerate();
    for (i, class) in leading {
        let line = class_line(board, class, diagnosis.explained, NAMED);
        let line = format!("{}: {line}", i + 1);
        y = p.lines(EDGE, y, INNER, SMALL, &line) + 2.0;
    }
    let rows = strips(board, evidence, diagnosis);
    if rows.is_empty() {
        let good = |class: &Class| class.causes.iter().any(|cause| cause.faults.is_empty());
        let why = if diagnosis.classes.first().is_some_and(good) { ALL_GOOD } else { NO_CODES };
        y = p.lines(EDGE, y + 4.0, INNER, SMALL, why);
        return p.finish(y + HEAD, &title);
    }
    y = legend(&mut p, y + 4.0);
    for row in &rows {
        draw(&mut p, y, row, f64::from(board.chip.full_scale));
        y += ROW;
    }
    y = ruler(&mut p, y, f64::from(board.chip.full_scale));
    p.finish(y + HEAD, &title)
}

fn legend(p: &mut Picture, y: f64) -> f64 {
    let middle = y + STRIP / 2.0;
    p.pointer(EDGE + 6.0, middle, 6.0);
    p.text(EDGE + 16.0, y + 8.0, Anchor::Start, SMALL, "read");
    p.line((EDGE + 46.0, y), (EDGE + 46.0, y + STRIP), Stroke::Heavy);
    p.text(EDGE + 52.0, y + 8.0, Anchor::Start, SMALL, "good unit");
    let numbers = "1 2 3  predicted by the cause of that number; at the right, what is open";
    p.text(EDGE + 100.0, y + 8.0, Anchor::Start, SMALL, numbers);
    y + STRIP + 8.0
}

fn draw(p: &mut Picture, y: f64, row: &Strip, full: f64) {
    let x = |code: f64| PLOT.0 + PLOT.1 * (code / full).clamp(0.0, 1.0);
    p.text(EDGE + LABELS, y + 8.0, Anchor::End, SMALL, &row.label);
    p.area(Area { x: PLOT.0, y, w: PLOT.1, h: STRIP }, Look::Bordered);
    let mut open = String::new();
    match row.good {
        Some(code) => p.line((x(code), y), (x(code), y + STRIP), Stroke::Heavy),
        None => open += " good",
    }
    let mut placed: Vec<f64> = Vec::new();
    for (i, cause) in row.causes.iter().enumerate() {
        let number = (i + 1).to_string();
        match cause {
            // Numbers that fall on one another stand side by side.
            Some(code) => {
                let mut at = x(*code);
                while let Some(taken) = placed.iter().find(|taken| (**taken - at).abs() < NUMERAL) {
                    at = taken + NUMERAL;
                }
                placed.push(at);
                p.text(at, y - 1.0, Anchor::Middle, NUMBER, &number);
            }
            None => open += &format!(" {number}"),
        }
    }
    match row.read {
        Some(code) => p.pointer(x(code), y + STRIP / 2.0, 6.0),
        None => open += " read",
    }
    if !open.is_empty() {
        p.text(PLOT.0 + PLOT.1 + 4.0, y + 8.0, Anchor::Start, SMALL, &format!("open:{open}"));
    }
}

fn ruler(p: &mut Picture, y: f64, full: f64) -> f64 {
    for step in 0..=4 {
        // Quarters of the converter's codes, the last one its end.
        let code = ((full + 1.0) * f64::from(step) / 4.0).min(full);
        let x = PLOT.0 + PLOT.1 * code / full;
        p.text(x, y + 4.0, Anchor::Middle, SMALL, &format!("{code:.0}"));
    }
    y + 8.0
}
