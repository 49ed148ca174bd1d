//! The scale of a converter as the firmware cuts it up.

use super::Mismatch;
use crate::board::{Board, CodeWindow, Compare, Decoding};
use crate::window::{ChannelWindows, Class};

/// What the firmware calls no option.
pub(super) const NONE: &str = "none";

/// Something that the firmware reads, and the positions for which that is right.
#[derive(Clone, Debug)]
pub(super) struct Label {
    pub name: String,
    pub classes: Vec<usize>,
}

/// Neighbouring codes that the firmware takes for one thing.
#[derive(Clone, Copy, Debug)]
pub(super) struct Zone {
    pub low: u16,
    pub high: u16,
    /// Index of the label; `None` is no option.
    pub label: Option<usize>,
}

/// The whole scale, from code 0 up.
#[derive(Clone, Debug)]
pub(super) struct Zones {
    pub labels: Vec<Label>,
    pub zones: Vec<Zone>,
}

impl Zones {
    /// Whether a zone is right for a class.
    pub fn right(&self, zone: &Zone, class: usize) -> bool {
        zone.label.is_some_and(|l| self.labels[l].classes.contains(&class))
    }

    /// What the firmware reads in a zone.
    pub fn name(&self, zone: &Zone) -> &str {
        zone.label.map_or(NONE, |l| &self.labels[l].name)
    }
}

/// The zones that a statement about an analog channel makes.
pub(super) fn of(
    board: &Board,
    windows: &ChannelWindows,
    said: &Decoding,
) -> Result<Zones, Mismatch> {
    let id = &board.channels[windows.channel].id;
    match said {
        Decoding::Thresholds { codes, compare, options, .. } => {
            let (codes, options) = ascending(id, codes, options)?;
            let labels = range_labels(id, windows, &options, codes.len() + 1)?;
            let lasts: Vec<i64> = codes.iter().map(|&t| compare.last_below(t)).collect();
            Ok(paint(board, labels, |code| lasts.partition_point(|&last| last < code)))
        }
        Decoding::Windows { windows: taken, .. } => {
            let mut labels = taken
                .iter()
                .map(|w| label(id, windows, &w.option))
                .collect::<Result<Vec<_>, _>>()?;
            labels.push(None);
            Ok(paint(board, labels, |code| {
                taken.iter().position(|w| holds(w, code)).unwrap_or(taken.len())
            }))
        }
        Decoding::Bits { .. } | Decoding::Patterns { .. } => Err(Mismatch {
            what: format!("{id} is analog, but is said to be read as bits"),
            do_next: "give its thresholds in codes".into(),
        }),
    }
}

fn holds(window: &CodeWindow, code: i64) -> bool {
    let code = code as f64;
    window.low <= code && code <= window.high
}

/// Goes through every code; `at` gives the index of the label of a code.
fn paint(board: &Board, labels: Vec<Option<Label>>, at: impl Fn(i64) -> usize) -> Zones {
    let mut zones: Vec<Zone> = Vec::new();
    for code in 0..=board.chip.full_scale {
        let i = at(i64::from(code));
        let label = labels.get(i).is_some_and(Option::is_some).then_some(i);
        match zones.last_mut() {
            Some(last) if last.label == label => last.high = code,
            _ => zones.push(Zone { low: code, high: code, label }),
        }
    }
    let nothing = || Label { name: NONE.into(), classes: Vec::new() };
    Zones { labels: labels.into_iter().map(|l| l.unwrap_or_else(nothing)).collect(), zones }
}

/// The thresholds from below, with the options in the same order. Firmware may ask from above.
fn ascending(
    id: &str,
    codes: &[f64],
    options: &[String],
) -> Result<(Vec<f64>, Vec<String>), Mismatch> {
    let mut codes = codes.to_vec();
    let mut options = options.to_vec();
    if codes.windows(2).all(|p| p[0] > p[1]) && codes.len() > 1 {
        codes.reverse();
        options.reverse();
    }
    match codes.windows(2).find(|p| p[0] >= p[1]) {
        None => Ok((codes, options)),
        Some(pair) => Err(Mismatch {
            what: format!("{id}: threshold {} follows {}", pair[1], pair[0]),
            do_next: "list the thresholds from the lowest up or from the highest down".into(),
        }),
    }
}

/// The label of each range. Without a list the positions follow in the order of their codes, one
/// range each, or with a range that is none between every two.
fn range_labels(
    id: &str,
    windows: &ChannelWindows,
    options: &[String],
    ranges: usize,
) -> Result<Vec<Option<Label>>, Mismatch> {
    if !options.is_empty() && options.len() != ranges {
        return Err(Mismatch {
            what: format!(
                "{id}: {} thresholds make {ranges} ranges, but {} options are listed",
                ranges - 1,
                options.len()
            ),
            do_next: "list one option for each range, `none` for a gap".into(),
        });
    }
    if !options.is_empty() {
        return options.iter().map(|o| label(id, windows, o)).collect();
    }
    let found = in_order(windows);
    let count = found.len();
    if count == ranges {
        return Ok(found.into_iter().map(Some).collect());
    }
    if 2 * count == ranges + 1 {
        let with_gap =
            |(i, l): (usize, Label)| if i == 0 { vec![Some(l)] } else { vec![None, Some(l)] };
        return Ok(found.into_iter().enumerate().flat_map(with_gap).collect());
    }
    let names: Vec<&str> = found.iter().map(|l| l.name.as_str()).collect();
    Err(Mismatch {
        what: format!(
            "{id}: {} thresholds make {ranges} ranges for {count} options ({})",
            ranges - 1,
            names.join(", ")
        ),
        do_next: format!(
            "give {} thresholds, {} for gaps too, or list what each range stands for",
            count.saturating_sub(1),
            2 * count.saturating_sub(1)
        ),
    })
}

/// Options from code 0 up; positions of one option that follow each other are one.
fn in_order(windows: &ChannelWindows) -> Vec<Label> {
    let mut order: Vec<usize> = (0..windows.classes.len()).collect();
    order.sort_by(|&a, &b| windows.classes[a].code.total_cmp(&windows.classes[b].code));
    let mut found: Vec<Label> = Vec::new();
    for class in order {
        let name = option(&windows.classes[class]);
        match found.last_mut() {
            Some(last) if last.name == name => last.classes.push(class),
            _ => found.push(Label { name: name.to_string(), classes: vec![class] }),
        }
    }
    found
}

/// What a class is called: its option, or its places where the option takes several channels.
pub(super) fn option(class: &Class) -> &str {
    class.means.as_deref().unwrap_or(&class.name)
}

/// The classes that a name stands for; `None` for `none`.
fn label(id: &str, windows: &ChannelWindows, name: &str) -> Result<Option<Label>, Mismatch> {
    let named = |class: &Class| {
        option(class) == name || class.name == name || class.name.split(" or ").any(|n| n == name)
    };
    let classes: Vec<usize> =
        (0..windows.classes.len()).filter(|&c| named(&windows.classes[c])).collect();
    if !classes.is_empty() {
        return Ok(Some(Label { name: name.to_string(), classes }));
    }
    if name == NONE {
        return Ok(None);
    }
    let known: Vec<String> = windows.classes.iter().map(|c| format!("`{}`", option(c))).collect();
    Err(Mismatch {
        what: format!("{id} has no option or position `{name}`"),
        do_next: format!("use {}, or `none`", known.join(", ")),
    })
}

/// Every number of a statement, in the order of the file.
pub(super) fn numbers(said: &Decoding) -> Vec<f64> {
    match said {
        Decoding::Thresholds { codes, .. } => codes.clone(),
        Decoding::Windows { windows, .. } => windows.iter().flat_map(|w| [w.low, w.high]).collect(),
        Decoding::Bits { .. } | Decoding::Patterns { .. } => Vec::new(),
    }
}

/// The same statement with every number through `f`.
pub(super) fn mapped(said: &Decoding, f: impl Fn(f64) -> f64) -> Decoding {
    let mut said = said.clone();
    match &mut said {
        Decoding::Thresholds { codes, .. } => codes.iter_mut().for_each(|c| *c = f(*c)),
        Decoding::Windows { windows, .. } => windows.iter_mut().for_each(|w| {
            w.low = f(w.low);
            w.high = f(w.high);
        }),
        Decoding::Bits { .. } | Decoding::Patterns { .. } => {}
    }
    said
}

/// Whether a statement compares with the threshold itself beneath it.
pub(super) fn compare(said: &Decoding) -> Compare {
    match said {
        Decoding::Thresholds { compare, .. } => *compare,
        _ => Compare::UpTo,
    }
}
