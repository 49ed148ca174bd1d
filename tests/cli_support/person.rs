//! A unit on a pseudo-terminal, and a person who does with it what `diagnose --port` asks.

#![allow(dead_code, reason = "each test file uses its own part of this")]

use super::cli_support::{Bench, Ended, PROGRAM, board};
use super::served::Served;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use strapwise::board::{Board, Place, Setting};
use strapwise::faults::Fault;
use strapwise::probe::virtual_board::VirtualBoard;
use strapwise::probe::world::World;
use tempfile::TempDir;

pub fn parsed(path: &Path) -> Arc<Board> {
    let text = std::fs::read_to_string(path).unwrap();
    Arc::new(strapwise::board::parse("board", &text).unwrap())
}

pub fn demo() -> Arc<Board> {
    parsed(&board())
}

pub fn rp2040() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/examples/vent-rp2040.toml")
}

/// A unit with defects, all its shunts off, without power.
pub fn unit(board: &Arc<Board>, seed: u64, faults: &[Fault]) -> VirtualBoard {
    let mut world = World::new(board.clone(), seed);
    faults.iter().for_each(|&fault| world.plant(fault));
    let mut unit = VirtualBoard::new(world);
    unit.power(false);
    unit
}

/// The same on a port; a virtual board stays in the thread that serves it.
pub fn served_unit(board: &Arc<Board>, seed: u64, faults: &[Fault]) -> Served {
    let (board, faults) = (board.clone(), faults.to_vec());
    Served::start(move || unit(&board, seed, &faults))
}

pub fn silent_contact(board: &Board) -> Fault {
    let switch = board.switches.iter().position(|s| s.id == "K1").unwrap();
    Fault::SwitchStaysOpen { switch }
}

/// A person who is led.
pub struct Person {
    pub bench: Bench,
    pub board: Arc<Board>,
    pub unit: Served,
    pub setting: Setting,
    /// What was said since the last answer.
    pub text: String,
    /// Where the program runs, and keeps what it is told.
    pub folder: TempDir,
}

impl Person {
    /// The demo's unit, which shorts its supply with the first move and is said to be silent.
    pub fn at_one_that_goes_silent() -> Person {
        let board_of = demo();
        let resistor = board_of.resistors.iter().position(|r| r.id == "R12").unwrap();
        let mut person = Person::at(&board(), &board_of, 3, &[Fault::ResistorShorted { resistor }]);
        let moved = person.until(asks_for("read PROFILE with"));
        person.do_it(&moved);
        person.unit.with(|unit| unit.power(false));
        person.bench.press("");
        person.until(asks_for("type `silent`"));
        person.bench.press("silent");
        person
    }

    pub fn at(file: &Path, board: &Arc<Board>, seed: u64, faults: &[Fault]) -> Person {
        Person::with(file, board, seed, faults, &[])
    }

    /// The same with more arguments, a record to go on from for one.
    pub fn with(
        file: &Path,
        board: &Arc<Board>,
        seed: u64,
        faults: &[Fault],
        more: &[&str],
    ) -> Person {
        let unit = served_unit(board, seed, faults);
        let folder = tempfile::tempdir().unwrap();
        let bench = Person::led(file, &unit, &folder, more);
        let setting = Setting::all_open(board);
        Person { bench, board: board.clone(), unit, setting, text: String::new(), folder }
    }

    pub fn led(file: &Path, unit: &Served, folder: &TempDir, more: &[&str]) -> Bench {
        let mut command = Command::new(PROGRAM);
        command.current_dir(folder).arg("diagnose").arg(file).args(["--port", &unit.name]);
        command.args(["--quiet", "0.1", "--baud", "250000"]).args(more);
        Bench::spawn(&mut command)
    }

    /// What was kept of it.
    pub fn kept(&self, number: u32) -> PathBuf {
        let name = format!("diagnosis{number}.csv");
        self.folder.path().join("results").join(&self.board.name).join(name)
    }

    /// Reads on to the next question, with blanks in place of line ends; none at the end.
    pub fn asked(&mut self) -> Option<String> {
        self.text.clear();
        while let Some(line) = self.bench.line() {
            self.text += line.trim();
            self.text.push(' ');
            if line.ends_with("end)") || line.ends_with("yes or no") {
                return Some(self.text.clone());
            }
        }
        None
    }

    /// Does with the unit what a text asks for.
    pub fn do_it(&mut self, text: &str) {
        let place = |id: &str, name: &str| {
            let jumper = self.board.jumper(id).unwrap_or_else(|| panic!("{id} in {text}"));
            (jumper, self.board.jumpers[jumper].place(name).unwrap_or(Place::Open))
        };
        let words: Vec<&str> = text.split_whitespace().collect();
        let word = |i: usize| words.get(i).map_or("", |w| w.trim_matches([',', '(', ')', '.']));
        for i in 0..words.len() {
            let here = [word(i), word(i + 1), word(i + 2), word(i + 3), word(i + 4), word(i + 5)];
            let moved = match here {
                ["move", id, "to", name, ..] => vec![place(id, name)],
                // A header with one position is named by its pins alone.
                ["put", "the", "shunt", "of", id, "on"] => match word(i + 6) {
                    "pins" => vec![(place(id, "open").0, Place::At(0))],
                    name => vec![place(id, name)],
                },
                ["take", "the", "shunt", "off", id, ..] => vec![place(id, "open")],
                ["take", "the", "shunts", "off", ..] => {
                    let ids = (i + 4..words.len()).map(word);
                    let ids = ids.take_while(|id| self.board.jumper(id).is_some());
                    ids.map(|id| place(id, "open")).collect()
                }
                ["take", "every", "shunt", "off", ..] => {
                    (0..self.board.jumpers.len()).map(|j| (j, Place::Open)).collect()
                }
                ["set", ..] => {
                    let pairs = words[i + 1..].iter().map_while(|w| w.split_once('='));
                    pairs.map(|(id, name)| place(id, name)).collect()
                }
                ["unplug", ..] => {
                    self.unit.with(|unit| unit.power(false));
                    continue;
                }
                ["plug", "the", "unit", "in", ..] => {
                    self.unit.with(|unit| unit.power(true));
                    continue;
                }
                _ => continue,
            };
            for (jumper, place) in moved {
                self.setting = self.setting.with(jumper, place);
                self.unit.with(move |unit| unit.place(jumper, place));
            }
        }
    }

    /// Reads on, doing what is asked, until something `wanted` is asked, which is left to the
    /// caller; panics where it never is.
    pub fn until(&mut self, wanted: impl Fn(&str) -> bool) -> String {
        while let Some(text) = self.asked() {
            if wanted(&text) {
                return text;
            }
            self.answer(&text);
        }
        panic!("never asked: {:#?}", self.bench.said);
    }

    /// Does what is asked; leaves out what has to be measured or looked at.
    pub fn answer(&mut self, text: &str) {
        if text.contains("is its shunt") || text.contains("is it the same unit") {
            self.bench.press("yes");
        } else if text.contains("press Enter") && !text.contains("will be closed") {
            self.do_it(text);
            self.bench.press("");
        } else {
            self.bench.press("s");
        }
    }

    /// The end of it, with whatever is still asked left out.
    pub fn end(mut self) -> Ended {
        while let Some(text) = self.asked() {
            self.answer(&text);
        }
        self.bench.end()
    }
}

pub fn asks_for(what: &'static str) -> impl Fn(&str) -> bool {
    move |text| text.contains(what)
}

pub fn diagnosed(record: &Path) -> Ended {
    let file = board();
    super::cli_support::strapwise(&["diagnose", file.to_str().unwrap(), record.to_str().unwrap()])
}

/// The causes: the text behind the line that says of which unit. What is measured next depends on
/// where the unit lies.
pub fn conclusion(text: &str) -> &str {
    let (_, last) = text.rsplit_once("vent-controller B").unwrap_or_else(|| panic!("{text}"));
    let causes = last.split_once("\n\n").unwrap_or_else(|| panic!("{text}")).1;
    ["\nMeasure next", "\nNext", "\nodds beforehand"]
        .iter()
        .fold(causes, |causes, end| causes.split(end).next().unwrap())
}
