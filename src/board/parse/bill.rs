//! The bill of materials: values, tolerances and drift of parts from a table in CSV, as the schematic
//! editor or the spreadsheet wrote it.
//!
//! The second door of the `csv` crate: a bill is somebody else's table, with columns of their own
//! choice and lines that are none of ours, so nothing of the record's strict reader would serve.

use super::super::Drift;
use super::Reading;
use super::beside::Companion;
use super::drift::{ageing, drift, tempco};
use super::log::Log;
use super::table::{At, Fields};
use crate::units::{Allow, Misread, Quantity, Ratio, read};
use csv::{ReaderBuilder, StringRecord};
use std::collections::HashMap;
use std::fmt::Display;

/// Designators that a bill may name.
const MOST_DESIGNATORS: usize = 200_000;

/// Lines above the header that a bill may have.
const PREAMBLE: usize = 20;

/// Names that a column goes by when the board file gives none.
const DESIGNATORS: &[&str] = &["designators", "designator", "references", "reference", "refdes"];
const VALUES: &[&str] = &["value", "values"];
const TOLERANCES: &[&str] = &["tolerance", "tol"];
const TEMPCOS: &[&str] = &["tempco", "tcr", "temperature coefficient"];
const AGEINGS: &[&str] = &["ageing", "aging", "load life stability"];

/// The columns that are looked for: the key of `[bom]` that names one, and its usual names. The
/// first two must be there.
const COLUMNS: [(&str, &[&str]); 5] = [
    ("designators", DESIGNATORS),
    ("value", VALUES),
    ("tolerance", TOLERANCES),
    ("tempco", TEMPCOS),
    ("ageing", AGEINGS),
];

/// A cell of the bill.
#[derive(Clone, Debug, Default)]
struct Cell {
    text: String,
    at: usize,
}

/// What the bill says of one part.
#[derive(Clone, Debug)]
struct Line {
    number: usize,
    value: Cell,
    tolerance: Cell,
    tempco: Cell,
    ageing: Cell,
}

/// A bill of materials, looked into part by part.
pub(super) struct Bill {
    file: Companion,
    lines: HashMap<String, Line>,
    /// Parts that are not in the bill, and whether the board has them.
    without: Vec<(At<String>, bool)>,
    wrong: Vec<(usize, String, String)>,
}

/// What is wrong with a part, each with what to do.
pub(super) type Complaints = Vec<(String, String)>;

impl<'a> Reading<'a, '_> {
    /// Reads the bill that the board file names, if it names one.
    pub(super) fn bill(&mut self, root: &Fields<'a>) {
        let keys = ["file", "designators", "value", "tolerance", "tempco", "ageing", "without"];
        let Some(part) = self.single(root, "bom", &keys) else { return };
        let file = self.companion(&part, "\"bom.csv\"");
        let mut column = |key: &str, usual: &[&str]| -> Option<Vec<String>> {
            match part.get(key) {
                None => Some(usual.iter().map(|s| s.to_string()).collect()),
                Some(_) => {
                    let name = part.text(&mut self.log, key, &format!("\"{}\"", usual[0]))?;
                    Some(vec![name.it.trim().to_lowercase()])
                }
            }
        };
        let columns = COLUMNS.map(|(key, usual)| column(key, usual));
        let asked = COLUMNS.map(|(key, _)| part.get(key).is_some());
        let without = part.words(&mut self.log, "without", "[\"R30\"]");
        let columns: Option<Vec<Vec<String>>> = columns.into_iter().collect();
        let (Some(file), Some(columns), Some(without)) = (file, columns, without) else { return };
        let named = |w: At<&str>| (At { it: key(w.it), at: w.at }, false);
        let without = without.into_iter().map(named).collect();
        let mut bill = Bill { file, lines: HashMap::new(), without, wrong: Vec::new() };
        bill.read(&columns, asked);
        self.bill = Some(bill);
    }

    /// Reports what was found wrong in the bill while parts were looked up in it.
    pub(super) fn check_bill(&mut self) {
        let Some(bill) = self.bill.take() else { return };
        for (name, _) in bill.without.iter().filter(|(_, used)| !used) {
            let what = format!("[bom] leaves out `{}`, which is no part", name.it.escape_debug());
            self.log.add(name.at, what, "take it out of `without`");
        }
        let mut log = Log::new(&bill.file.name, &bill.file.text);
        for (at, what, do_next) in bill.wrong {
            log.add(at, what, do_next);
        }
        self.log.absorb(log);
    }

    /// Value and tolerance of a part: the file's, the bill's, or both where they agree. Without a
    /// bill what the file says stands.
    pub(super) fn figures<Q: Quantity + Display>(
        &mut self,
        id: &str,
        value: Option<Q>,
        tolerance: Option<Ratio>,
    ) -> Result<(Option<Q>, Option<Ratio>), Complaints> {
        match &mut self.bill {
            Some(bill) => bill.figures(id, value, tolerance),
            None => Ok((value, tolerance)),
        }
    }
}

impl Reading<'_, '_> {
    /// How a resistor drifts: by the file, by the bill, or both where they agree.
    pub(super) fn drift_billed(&mut self, id: &str, drift: Drift) -> Result<Drift, Complaints> {
        match &mut self.bill {
            Some(bill) => bill.drift(id, drift),
            None => Ok(drift),
        }
    }
}

/// Notes what is wrong with a part in the file that the part is from.
pub(super) fn complain(log: &mut Log<'_>, at: usize, complaints: Complaints) {
    for (what, do_next) in complaints {
        log.add(at, what, do_next);
    }
}

/// Designators count alike in either case.
fn key(id: &str) -> String {
    id.trim().to_ascii_uppercase()
}

impl Bill {
    /// Reads the lines under the header. `columns`: the names of each of [`COLUMNS`] in lower
    /// case; `asked`: which of them the board file names.
    fn read(&mut self, columns: &[Vec<String>], asked: [bool; 5]) {
        let text = std::mem::take(&mut self.file.text);
        let mark = text.len() - text.trim_start_matches('\u{feff}').len();
        let mut reader = ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .delimiter(separator(&text))
            .from_reader(&text.as_bytes()[mark..]);
        let mut header: Option<[Option<usize>; 5]> = None;
        for (n, record) in reader.records().enumerate() {
            let Ok(record) = record else { break };
            let at = mark + record.position().map_or(0, |p| p.byte() as usize);
            match header {
                Some(found) => self.line(&text, at, &record, found),
                None if n > PREAMBLE => break,
                None => header = columns_of(&record, columns),
            }
        }
        match header {
            None => {
                let [d, v] = [0, 1].map(|c| columns[c].join("` or `"));
                let what = format!("no line names the columns `{d}` and `{v}`");
                let do_next = "name them in [bom]: `designators = \"…\"`, `value = \"…\"`";
                self.wrong.push((0, what, do_next.into()));
            }
            Some(found) => {
                for (c, (key, _)) in COLUMNS.iter().enumerate() {
                    if asked[c] && found[c].is_none() {
                        let what = format!("there is no column `{}`", columns[c].join("` or `"));
                        self.wrong.push((0, what, format!("correct `{key}` of [bom]")));
                    }
                }
            }
        }
        self.file.text = text;
    }

    fn line(
        &mut self,
        text: &str,
        start: usize,
        record: &StringRecord,
        columns: [Option<usize>; 5],
    ) {
        // The reader gives no places of cells; their texts are looked for one after the other.
        let mut at = start;
        let mut cells = Vec::with_capacity(record.len());
        for it in record.iter().map(str::trim) {
            at += text.get(at..).and_then(|rest| rest.find(it)).unwrap_or(0);
            cells.push(Cell { text: it.to_string(), at });
            at += it.len();
        }
        let cell =
            |column: Option<usize>| column.and_then(|c| cells.get(c)).cloned().unwrap_or_default();
        let [designators, value, tolerance, tempco, ageing] = columns.map(cell);
        let number = text.get(..designators.at).map_or(0, |t| t.matches('\n').count()) + 1;
        for id in expand(&designators.text) {
            if self.lines.len() >= MOST_DESIGNATORS {
                return;
            }
            let line = Line {
                number,
                value: value.clone(),
                tolerance: tolerance.clone(),
                tempco: tempco.clone(),
                ageing: ageing.clone(),
            };
            if let Some(first) = self.lines.get(&id) {
                let what = format!("{} stands here a second time", id.escape_debug());
                let do_next = format!("line {} names it first; take one out", first.number);
                self.wrong.push((designators.at, what, do_next));
            } else {
                self.lines.insert(id, line);
            }
        }
    }

    fn figures<Q: Quantity + Display>(
        &mut self,
        id: &str,
        value: Option<Q>,
        tolerance: Option<Ratio>,
    ) -> Result<(Option<Q>, Option<Ratio>), Complaints> {
        let id = key(id);
        if let Some((_, used)) = self.without.iter_mut().find(|(name, _)| name.it == id) {
            *used = true;
            return Ok((value, tolerance));
        }
        let Some(line) = self.lines.get(&id).cloned() else {
            let what = format!("{id} is not in {}", self.file.name);
            let do_next = "add it to the bill, or name it in `without` of [bom] if it is not \
                           one of the board's own parts";
            return Err(vec![(what, do_next.into())]);
        };
        let known = self.wrong.len();
        let billed = self.value::<Q>(&id, &line);
        let share = self.tolerance(&id, &line);
        if self.wrong.len() > known {
            return Err(Complaints::new()); // told in the bill itself
        }
        let place = format!("in line {} of {}", line.number, self.file.name);
        let mut complaints = Complaints::new();
        let mut differs = |here: String, there: String| {
            let what = format!("{id} is {here} here and {there} {place}");
            complaints.push((what, "correct the one that is wrong".into()));
        };
        if let (Some(a), Some(b)) = (value, billed)
            && !alike(a.si(), b.si())
        {
            // Digits enough that two values that differ are shown to.
            differs(format!("{a:.6}"), format!("{b:.6}"));
        }
        if let (Some(a), Some(b)) = (tolerance, share)
            && !alike(a.0, b.0)
        {
            differs(format!("±{a}"), format!("±{b}"));
        }
        match complaints.is_empty() {
            true => Ok((value.or(billed), tolerance.or(share))),
            false => Err(complaints),
        }
    }

    /// The drift of a resistor; a part that the bill has not is told where its value is asked for.
    fn drift(&mut self, id: &str, file: Drift) -> Result<Drift, Complaints> {
        let id = key(id);
        let left_out = self.without.iter().any(|(name, _)| name.it == id);
        let Some(line) = self.lines.get(&id).filter(|_| !left_out).cloned() else {
            return Ok(file);
        };
        let known = self.wrong.len();
        let bill =
            drift(self.cell(&id, &line.tempco, tempco), self.cell(&id, &line.ageing, ageing));
        if self.wrong.len() > known {
            return Err(Complaints::new()); // told in the bill itself
        }
        let place = format!("in line {} of {}", line.number, self.file.name);
        let mut complaints = Complaints::new();
        let mut differs = |what: &str, here: String, there: String| {
            let what = format!("{what} of {id} is {here} here and {there} {place}");
            complaints.push((what, "correct the one that is wrong".into()));
        };
        if let (Some(a), Some(b)) = (file.tempco, bill.tempco)
            && !(alike(a.0.0, b.0.0) && alike(a.1.0, b.1.0))
        {
            let shown = |(low, high): (Ratio, Ratio)| {
                format!("{:.0} to {:.0} ppm/K", 1e6 * low.0, 1e6 * high.0)
            };
            differs("the temperature coefficient", shown(a), shown(b));
        }
        if let (Some(a), Some(b)) = (file.ageing, bill.ageing)
            && !alike(a.0, b.0)
        {
            differs("the ageing", format!("{a}"), format!("{b}"));
        }
        if !complaints.is_empty() {
            return Err(complaints);
        }
        let mut found = file;
        if file.tempco.is_none() {
            (found.tempco, found.assumed.tempco) = (bill.tempco, bill.assumed.tempco);
        }
        if file.ageing.is_none() {
            (found.ageing, found.assumed.ageing) = (bill.ageing, bill.assumed.ageing);
        }
        Ok(found)
    }

    /// What a cell says, `±` before it or not; nothing where it is empty or says `-`.
    fn cell<T>(
        &mut self,
        id: &str,
        cell: &Cell,
        read: impl Fn(&str) -> Result<T, Misread>,
    ) -> Option<T> {
        let text = cell.text.trim_start_matches("+/-").trim_start_matches('±').trim_start();
        if matches!(text, "" | "-") {
            return None;
        }
        // The sign of the degree as one character, as some data sheets have it.
        match read(&text.replace('℃', "°C")) {
            Ok(found) => Some(found),
            Err(misread) => {
                self.wrong.push((cell.at, format!("{id}: {}", misread.what), misread.do_next));
                None
            }
        }
    }

    /// The value in a line: the whole cell, or what begins it, as in `10k 1%` or `4.7 kΩ/0.1W`.
    fn value<Q: Quantity>(&mut self, id: &str, line: &Line) -> Option<Q> {
        let cell = &line.value;
        let words: Vec<&str> = cell.text.split([' ', '/', ',', ';']).collect();
        let two = words.get(..2).map(|w| w.join(" "));
        let tries = [Some(cell.text.clone()), two, words.first().map(|w| w.to_string())];
        let found = tries.iter().flatten().find_map(|t| read::<Q>(t, Allow::Positive).ok());
        if found.is_none() {
            let (what, do_next) = match read::<Q>(&cell.text, Allow::Positive) {
                Err(misread) => (misread.what, misread.do_next),
                Ok(_) => return None,
            };
            self.wrong.push((cell.at, format!("{id}: {what}"), do_next));
        }
        found
    }

    /// The tolerance in a line: the cell of its own, or the percentage in that of the value.
    fn tolerance(&mut self, id: &str, line: &Line) -> Option<Ratio> {
        let cell = &line.tolerance;
        if cell.text.is_empty() {
            let share = |w: &str| Ratio::read(w, Allow::NonNegative).ok();
            return line.value.text.split([' ', '/', ',', ';']).find_map(share);
        }
        match Ratio::read(&cell.text, Allow::NonNegative) {
            Ok(share) if share.0 < 1.0 => return Some(share),
            Ok(_) => {
                let what = format!("{id}: a tolerance of `{}`", cell.text.escape_debug());
                self.wrong.push((cell.at, what, "write it like `1%`".into()));
            }
            Err(misread) => {
                self.wrong.push((cell.at, format!("{id}: {}", misread.what), misread.do_next));
            }
        }
        None
    }
}

/// Equal but for rounding: `4k7` and `4700.0` are one value.
fn alike(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(b.abs())
}

/// What separates the cells: what the first line has most of.
fn separator(text: &str) -> u8 {
    let first = text.lines().find(|l| !l.trim().is_empty()).unwrap_or_default();
    let count = |c: &u8| first.bytes().filter(|b| b == c).count();
    // Of equals the last wins: the comma.
    [b'\t', b';', b','].into_iter().max_by_key(count).unwrap_or(b',')
}

/// Where the columns are, if this line is the header.
fn columns_of(record: &StringRecord, columns: &[Vec<String>]) -> Option<[Option<usize>; 5]> {
    let find = |names: &[String]| {
        record.iter().position(|cell| names.contains(&cell.trim().to_lowercase()))
    };
    let found = std::array::from_fn(|c| columns.get(c).and_then(|names| find(names)));
    (found[0].is_some() && found[1].is_some()).then_some(found)
}

/// The designators of a cell like `R1,R2, R5-R8`.
fn expand(cell: &str) -> Vec<String> {
    let mut found = Vec::new();
    for word in cell.split([',', ';', ' ']).map(str::trim).filter(|w| !w.is_empty()) {
        match range(word) {
            Some((stem, first, last)) => {
                let room = (MOST_DESIGNATORS - found.len().min(MOST_DESIGNATORS)) as u64;
                let last = last.min(first.saturating_add(room));
                found.extend((first..=last).map(|n| key(&format!("{stem}{n}"))));
            }
            None => found.push(key(word)),
        }
    }
    found
}

/// `R5-R8` or `R5-8` as stem, first and last number.
fn range(word: &str) -> Option<(&str, u64, u64)> {
    let (first, last) = word.split_once("..").or_else(|| word.split_once(['-', '–']))?;
    let digits = first.len() - first.trim_end_matches(|c: char| c.is_ascii_digit()).len();
    let (stem, number) = first.split_at(first.len() - digits);
    let last = last.strip_prefix(stem).unwrap_or(last);
    let plain = |n: &str| !n.is_empty() && (n == "0" || !n.starts_with('0'));
    if stem.is_empty() || !plain(number) || !plain(last) {
        return None;
    }
    let (a, b) = (number.parse().ok()?, last.parse().ok()?);
    (a <= b).then_some((stem, a, b))
}
