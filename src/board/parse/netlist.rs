//! Reads a SPICE netlist: parts with two nodes and a value. What the parts mean for the board is
//! decided in [`super::import`].
//!
//! The forms are those of SPICE 2G6 and 3F5 that every later program kept: the first line is the
//! title, `*` begins a comment line, `+` continues a line, letters count alike in either case, and
//! of the suffixes `m` is milli and `meg` mega (ngspice manual, "Syntax"; from memory).

use super::log::Log;
use super::table::At;

/// Parts that a netlist may have.
const MOST_PARTS: usize = 200_000;

/// What a part is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Kind {
    /// Ohms.
    Resistor(f64),
    /// Farads.
    Capacitor(f64),
    /// Volts of the first node against the second.
    Volts(f64),
    /// Amperes through the source from the first node to the second.
    Amperes(f64),
    /// Something with currents that no resistor has.
    Other,
}

/// A part of the netlist.
pub(super) struct Element<'t> {
    pub(super) name: At<&'t str>,
    /// Its first two nodes.
    pub(super) nodes: [At<&'t str>; 2],
    pub(super) kind: Kind,
}

/// Dot commands that ask for an analysis or for output and leave the circuit as it is.
const HARMLESS: &[&str] = &[
    ".ac", ".dc", ".disto", ".four", ".global", ".ic", ".meas", ".measure", ".model", ".nodeset",
    ".noise", ".op", ".option", ".options", ".plot", ".print", ".probe", ".pz", ".save", ".sens",
    ".temp", ".tf", ".title", ".tran", ".width",
];

/// Commands that span lines: what lies between the two belongs to no part of this board.
const BLOCKS: &[(&str, &str)] = &[(".control", ".endc"), (".subckt", ".ends")];

/// The parts of a netlist in its order; mistakes go to the log.
pub(super) fn elements<'t>(log: &mut Log<'_>, text: &'t str) -> Vec<Element<'t>> {
    let mut found = Vec::new();
    let mut closing: Option<&str> = None;
    for line in lines(log, text) {
        let Some(first) = line.first() else { continue };
        let word = first.it.to_ascii_lowercase();
        if let Some(end) = closing {
            closing = (word != end).then_some(end);
        } else if word == ".end" {
            break;
        } else if let Some((_, end)) = BLOCKS.iter().find(|(begin, _)| *begin == word) {
            closing = Some(end);
        } else if word.starts_with('.') {
            command(log, *first, &word);
        } else if found.len() == MOST_PARTS {
            let what = format!("the netlist has more than {MOST_PARTS} parts");
            log.add(first.at, what, "give the jumper circuits only, not the whole schematic");
            break;
        } else {
            found.extend(element(log, &line));
        }
    }
    found
}

fn command(log: &mut Log<'_>, first: At<&str>, word: &str) {
    if HARMLESS.contains(&word) {
        return;
    }
    let shown: String = word.chars().take(20).flat_map(char::escape_debug).collect();
    let do_next = "write the circuit out with its values; only R, C, V and I lines are read";
    log.add(first.at, format!("the command `{shown}` may change the circuit"), do_next);
}

/// A line with its continuations, in words.
type Line<'t> = Vec<At<&'t str>>;

/// The lines after the title without comments, those with a `+` joined to the one before.
fn lines<'t>(log: &mut Log<'_>, text: &'t str) -> Vec<Line<'t>> {
    let mut joined: Vec<Line<'t>> = Vec::new();
    let mut at = 0;
    for (number, raw) in text.split_inclusive('\n').enumerate() {
        let here = at;
        at += raw.len();
        if number == 0 {
            check_title(log, raw);
            continue;
        }
        let body = uncommented(raw);
        let more = body.trim_start().strip_prefix('+');
        let (start, body) = match more {
            Some(rest) => (here + body.len() - rest.len(), rest),
            None => (here, body),
        };
        let words = words(body, start);
        match (more, joined.last_mut()) {
            (Some(_), Some(last)) => last.extend(words),
            (Some(_), None) => {
                let do_next = "put the line that it continues before it, below the title";
                log.add(here, "this line continues nothing", do_next);
            }
            (None, _) if !words.is_empty() => joined.push(words),
            (None, _) => {}
        }
    }
    joined
}

/// A netlist that starts without a title would lose its first part.
fn check_title(log: &mut Log<'_>, raw: &str) {
    let words = words(uncommented(raw), 0);
    let letter = words.first().and_then(|w| w.it.chars().next());
    let part = letter.is_some_and(|c| "RCVI".contains(c.to_ascii_uppercase()));
    if part && words.len() == 4 && number(words[3].it).is_ok() {
        let do_next = "put a line with the name of the circuit before it";
        log.add(
            0,
            "the first line of a netlist is its title, and this one reads as a part",
            do_next,
        );
    }
}

/// A line without its comment: the whole line after `*`, the rest of it after `;`, `//` or a `$`
/// that follows a space.
fn uncommented(raw: &str) -> &str {
    if raw.trim_start().starts_with('*') {
        return "";
    }
    let ends = [raw.find(';'), raw.find("//"), raw.find(" $"), raw.find("\t$")];
    &raw[..ends.into_iter().flatten().min().unwrap_or(raw.len())]
}

fn words(body: &str, start: usize) -> Line<'_> {
    let between = |c: char| c.is_whitespace() || c == ',';
    let mut found = Vec::new();
    let mut at = 0;
    for word in body.split_inclusive(between) {
        let it = word.trim_end_matches(between);
        if !it.is_empty() {
            found.push(At { it, at: start + at });
        }
        at += word.len();
    }
    found
}

/// Reads the line of a part; `None` when it is wrong.
fn element<'t>(log: &mut Log<'_>, line: &Line<'t>) -> Option<Element<'t>> {
    let (name, rest) = (line[0], &line[1..]);
    let letter = name.it.chars().next().map_or(' ', |c| c.to_ascii_uppercase());
    if !letter.is_ascii_alphabetic() {
        let what = format!("`{}` names no part", shown(name.it));
        log.add(name.at, what, "begin the line with R, C, V or I and a number, or with `*`");
        return None;
    }
    let like = format!("{} node node value", name.it);
    let nodes = match rest {
        [a, b, ..] => [*a, *b],
        _ if "RCVI".contains(letter) => {
            let what = format!("{} has not its two nodes and its value", shown(name.it));
            log.add(name.at, what, format!("write `{}`", shown(&like)));
            return None;
        }
        // Refused by name or left open in any case; its nodes are not looked at.
        _ => [name, name],
    };
    let values = rest.get(2..).unwrap_or_default();
    let kind = match letter {
        'R' => Kind::Resistor(above_zero(log, name, values, "r=", RESISTANCE)?),
        'C' => Kind::Capacitor(above_zero(log, name, values, "c=", CAPACITANCE)?),
        'V' => Kind::Volts(constant(log, name, values, VOLTAGE)?),
        'I' => Kind::Amperes(constant(log, name, values, CURRENT)?),
        _ => Kind::Other,
    };
    Some(Element { name, nodes, kind })
}

/// How a value is called, and the units that may follow it.
struct Measure {
    called: &'static str,
    units: &'static [&'static str],
}

const RESISTANCE: Measure = Measure { called: "resistance", units: &["ohm", "ohms", "ω"] };
const CAPACITANCE: Measure = Measure { called: "capacitance", units: &["f", "farad", "farads"] };
const VOLTAGE: Measure = Measure { called: "voltage", units: &["v", "volt", "volts"] };
const CURRENT: Measure = Measure { called: "current", units: &["a", "amp", "amps"] };

fn above_zero(
    log: &mut Log<'_>,
    name: At<&str>,
    values: &[At<&str>],
    key: &str,
    measure: Measure,
) -> Option<f64> {
    let Some((first, rest)) = values.split_first() else {
        let what = format!("{} has no value", shown(name.it));
        log.add(name.at, what, "write it after the two nodes, like `4.7k`");
        return None;
    };
    let keyed = first.it.get(..key.len()).is_some_and(|k| k.eq_ignore_ascii_case(key));
    let it = if keyed { &first.it[key.len()..] } else { first.it };
    let value = measured(log, name, At { it, at: first.at }, &measure)?;
    nothing_more(log, name, rest)?;
    if value > 0.0 {
        return Some(value);
    }
    let what = format!("{} has a {} of {}", shown(name.it), measure.called, shown(first.it));
    let do_next = match value == 0.0 && measure.called == RESISTANCE.called {
        true => "a link of 0 Ω is no resistor: give its two nodes one name",
        false => "write a value above zero",
    };
    log.add(first.at, what, do_next);
    None
}

/// The constant value of a source: `5`, `DC 5`, also with an `AC` part, which is no constant.
fn constant(
    log: &mut Log<'_>,
    name: At<&str>,
    values: &[At<&str>],
    measure: Measure,
) -> Option<f64> {
    let is = |w: &At<&str>, word: &str| w.it.eq_ignore_ascii_case(word);
    let values = match values {
        [first, rest @ ..] if is(first, "dc") => rest,
        all => all,
    };
    let Some((first, rest)) = values.split_first() else {
        let what = format!("{} has no constant value", shown(name.it));
        log.add(name.at, what, "write it after the two nodes, like `DC 5`");
        return None;
    };
    let value = measured(log, name, *first, &measure)?;
    if !rest.first().is_some_and(|w| is(w, "ac")) {
        nothing_more(log, name, rest)?;
    }
    Some(value)
}

fn measured(log: &mut Log<'_>, name: At<&str>, text: At<&str>, m: &Measure) -> Option<f64> {
    let unit = |rest: &str| rest.is_empty() || m.units.contains(&&*rest.to_lowercase());
    let (what, do_next) = match number(text.it) {
        Ok((value, rest)) if unit(rest) && value.is_finite() => return Some(value),
        Ok(_) => {
            (format!("`{}` is no {}", shown(text.it), m.called), "write it like `4.7k`".into())
        }
        Err(why) => why,
    };
    log.add(text.at, format!("{}: {what}", shown(name.it)), do_next);
    None
}

fn nothing_more(log: &mut Log<'_>, name: At<&str>, rest: &[At<&str>]) -> Option<()> {
    let Some(more) = rest.first() else { return Some(()) };
    let what = format!("{} has `{}` after its value", shown(name.it), shown(more.it));
    let do_next = "take it out: a part has a name, two nodes and one value; \
                   its tolerance stands in the board file or in the bill of materials";
    log.add(more.at, what, do_next);
    None
}

/// A number with its suffix applied, and what follows the suffix.
fn number(text: &str) -> Result<(f64, &str), (String, String)> {
    let wrong = |why: &str, do_next: String| Err((format!("`{}` {why}", shown(text)), do_next));
    let digits = |s: &str| s.len() - s.trim_start_matches(|c: char| c.is_ascii_digit()).len();
    let mut end = usize::from(text.starts_with(['+', '-']));
    let whole = digits(&text[end..]);
    end += whole;
    let mut fraction = 0;
    if text[end..].starts_with('.') {
        fraction = digits(&text[end + 1..]);
        end += 1 + fraction;
    }
    if whole + fraction == 0 || text.len() > 40 {
        return wrong("is no number", "write it like `4.7k`".into());
    }
    if let Some(exponent) = text[end..].strip_prefix(['e', 'E']) {
        let sign = usize::from(exponent.starts_with(['+', '-']));
        let length = digits(&exponent[sign..]);
        end += if length > 0 { 1 + sign + length } else { 0 };
    }
    let Ok(value) = text[..end].parse::<f64>() else {
        return wrong("is no number", "write it like `4.7k`".into());
    };
    let rest = &text[end..];
    let (factor, length) = suffix(rest);
    let unit = &rest[length..];
    if rest.eq_ignore_ascii_case("a") {
        // Atto to ngspice, nothing to older programs.
        let do_next = format!("write `{}` without a unit", &text[..end]);
        return wrong("means 10⁻¹⁸ to some programs and amperes to others", do_next);
    }
    if unit.starts_with(|c: char| c.is_ascii_digit()) {
        let do_next = "write it with a point and the suffix behind: `4.7k`".into();
        return wrong("has digits after its suffix, which SPICE programs leave out", do_next);
    }
    Ok((value * factor, unit))
}

/// Factor of the suffix that a text starts with, and its length.
fn suffix(text: &str) -> (f64, usize) {
    let lower: String = text.chars().take(3).collect::<String>().to_lowercase();
    match lower.as_str() {
        "meg" => return (1e6, 3),
        "mil" => return (25.4e-6, 3),
        _ => {}
    }
    match text.chars().next().map(|c| c.to_ascii_lowercase()) {
        Some('t') => (1e12, 1),
        Some('g') => (1e9, 1),
        Some('k') => (1e3, 1),
        Some('m') => (1e-3, 1),
        Some('u') => (1e-6, 1),
        Some(c @ ('µ' | 'μ')) => (1e-6, c.len_utf8()),
        Some('n') => (1e-9, 1),
        Some('p') => (1e-12, 1),
        Some('f') => (1e-15, 1),
        _ => (1.0, 0),
    }
}

/// A word of the netlist as messages show it: one line, not too long.
pub(super) fn shown(word: &str) -> String {
    let short: String = word.chars().take(40).flat_map(char::escape_debug).collect();
    if word.chars().count() > 40 { format!("{short}…") } else { short }
}
