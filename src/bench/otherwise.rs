//! What may be wrong that is no defect of a unit's circuit, so that no reading is held against it:
//! which check finds it, or what would.

use super::supply::{self, By};
use super::{Burst, Verdict};
use crate::board::chip::Probe;
use crate::board::{Board, Decoding, Kind, Part, Place, Reference, Task};
use crate::faults;
use crate::units::Volts;
use crate::walk::Walk;
use crate::window::{Windows, converter_error};

/// Halvings of the range in which the least wrong supply is looked for: far below a millivolt.
const HALVINGS: usize = 24;

/// One thing that may be wrong besides the circuit.
#[derive(Clone, Debug, PartialEq)]
pub struct Otherwise {
    /// What kind of fault it is.
    pub class: &'static str,
    /// The fault in a sentence.
    pub what: String,
    /// Whether a check of the test, or one of the board file, is sure to find it.
    pub found: bool,
    /// What finds it, or what would.
    pub by: String,
    /// The set of options that it is about, by index, where it is about one.
    pub set: Option<usize>,
    /// The entry of the board file by which the maker has accepted it, by index.
    pub accepted: Option<usize>,
}

impl Otherwise {
    fn of(class: &'static str, what: String, found: bool, by: impl Into<String>) -> Otherwise {
        Otherwise { class, what, found, by: by.into(), set: None, accepted: None }
    }

    /// What no check is sure to find may have been accepted.
    fn accept(&mut self, board: &Board) {
        let parts: Vec<Part> = self.set.into_iter().map(Part::Options).collect();
        let entry = || board.accepted.iter().position(|a| a.takes(self.class, &parts));
        self.accepted = if self.found { None } else { entry() };
        if let Some(entry) = self.accepted {
            self.by = format!("accepted: {}", board.accepted[entry].reason);
        }
    }
}

/// Everything of the kind on a board, led through a sequence.
pub fn otherwise(board: &Board, windows: &Windows, walk: &Walk) -> Vec<Otherwise> {
    let mut all = Vec::new();
    if board.chip.probe != Probe::None {
        of_supply(board, &mut all);
        of_reference(board, windows, walk, &mut all);
    }
    of_shunts(board, &mut all);
    of_thresholds(board, &mut all);
    all.iter_mut().for_each(|other| other.accept(board));
    all
}

fn of_supply(board: &Board, all: &mut Vec<Otherwise>) {
    let class = "supply wrong";
    let net = board.net_name(board.supply.net);
    let meter = format!("meter: {net} to {}", board.net_name(board.supply.ground));
    let (low, high) = supply::limits(board);
    let outside = format!("{net} is outside {low} to {high}");
    if board.supply.calibrate || board.supply.by_meter {
        let by = format!("{meter}, asked for before the first move");
        all.push(Otherwise::of(class, outside, true, by));
        return;
    }
    if !board.chip.reads_supply {
        all.push(Otherwise::of(class, outside, false, meter));
        return;
    }
    let [under, over] = [low.0 / 2.0, high.0 * 2.0].map(|far| {
        let limit = if far < low.0 { low.0 } else { high.0 };
        sure_from(board, limit, far)
    });
    let ends = [("under", under), ("over", over)];
    let sure: Vec<String> =
        ends.iter().filter_map(|(word, volts)| Some(format!("{word} {}", (*volts)?))).collect();
    if !sure.is_empty() {
        let (what, by) = (format!("{net} is {}", sure.join(" or ")), "the chip's own reference");
        all.push(Otherwise::of(class, what, true, by));
    }
    let what = format!("{outside} by less than that");
    all.push(Otherwise::of(class, what, false, meter));
}

/// From which voltage on, away from a limit, every good chip finds the supply wrong, rounded away
/// from it to 10 mV.
fn sure_from(board: &Board, limit: f64, far: f64) -> Option<Volts> {
    if !surely_fails(board, far) {
        return None;
    }
    let (mut near, mut sure) = (limit, far);
    for _ in 0..HALVINGS {
        let middle = (near + sure) / 2.0;
        if surely_fails(board, middle) { sure = middle } else { near = middle }
    }
    let steps = sure * 100.0;
    Some(Volts(if far < limit { steps.floor() } else { steps.ceil() } / 100.0))
}

/// Whether a supply is judged wrong whatever a good chip's reference and converter are.
fn surely_fails(board: &Board, volts: f64) -> bool {
    let Some(internal) = board.chip.internal.first() else { return false };
    [internal.low, internal.high].into_iter().all(|reference| {
        // The reference is read against the supply: the code that a supply makes of it.
        let code = reference.0 * board.chip.scale / volts;
        let off = converter_error(code, &board.chip) + 0.5;
        [code - off, code + off].into_iter().all(|mean| {
            let burst = Burst { n: 961, mean, ..Burst::default() };
            supply::judge(board, Some(burst), By::DataSheet).verdict == Verdict::Fail
        })
    })
}

/// A reference other than the supply shifts every code; the readings show it beyond some factor.
fn of_reference(board: &Board, windows: &Windows, walk: &Walk, all: &mut Vec<Otherwise>) {
    let (what, meter) = match board.firmware.reference {
        Reference::Supply => return,
        Reference::Internal(_) => ("the chip's reference", "the test and the product share it"),
        Reference::External(..) => ("the voltage at AREF", "meter: AREF to ground"),
    };
    let class = "reference wrong";
    let (high, low) = faults::reference_off(board, windows, walk.looks());
    let ends = [(high, "more"), (low, "less")];
    let sure: Vec<String> = ends
        .iter()
        .filter_map(|(factor, word)| Some(format!("{:.1} % {word}", 100.0 * (*factor)?)))
        .collect();
    if !sure.is_empty() {
        let what = format!("{what} is {} than nominal", sure.join(" or "));
        all.push(Otherwise::of(class, what, true, "the readings"));
    }
    let what = format!("{what} is off by less than that");
    all.push(Otherwise::of(class, what, false, meter));
}

fn of_shunts(board: &Board, all: &mut Vec<Otherwise>) {
    let leaves = |(j, place): (usize, &Place)| {
        matches!(place, Place::At(_)).then(|| board.jumpers[j].id.as_str())
    };
    let with: Vec<&str> = board.delivery.0.iter().enumerate().filter_map(leaves).collect();
    if !with.is_empty() {
        let what = format!("a shunt of the tester's is left on {}", with.join(", "));
        all.push(Otherwise::of("shunt not the unit's own", what, false, "look"));
    }
}

fn of_thresholds(board: &Board, all: &mut Vec<Otherwise>) {
    let class = "product threshold wrong";
    let reported = board.commands.get(Task::Report).is_some();
    let mut add = |set: usize, id: &str, known: bool| {
        let what = format!("the product takes {id} for another option than is meant");
        let (found, by) = match (known, reported) {
            (true, _) => (true, "check-thresholds, on what `[[thresholds]]` says".to_string()),
            (false, true) => {
                (false, "the product's report, in the delivery setting only".to_string())
            }
            (false, false) => {
                (false, "check-thresholds, once `[[thresholds]]` says what they are".to_string())
            }
        };
        all.push(Otherwise { set: Some(set), ..Otherwise::of(class, what, found, by) });
    };
    let of_channel = |c: usize| board.thresholds.iter().any(|d| d.channel() == Some(c));
    for (s, set) in board.options.iter().enumerate() {
        let of_set = |d: &Decoding| d.set() == Some(s);
        let analog = |c: &usize| board.channels[*c].kind == Kind::Analog;
        if set.channels.iter().any(|&c| matches!(board.channels[c].kind, Kind::Meter { .. })) {
            continue;
        }
        let known = board.thresholds.iter().any(of_set)
            || (set.channels.iter().all(analog) && set.channels.iter().all(|&c| of_channel(c)));
        add(s, &set.id, known);
    }
}
