//! Arguments and wiring. The one door to `clap`.

mod bench;
mod bench_check;
mod c_header;
mod card;
mod check_thresholds;
mod connection;
mod demo;
mod design;
mod diagnose;
mod diagnose_found;
mod diagnose_kept;
mod diagnose_lead;
mod diagnose_live;
mod diagnose_odds;
mod diagnose_same;
mod diagnose_talk;
mod diagnose_trial;
mod diagnose_typed;
mod failure;
mod input;
mod limits;
mod lot_flow;
mod new;
mod orders;
mod own_header;
mod picture;
mod ports;
mod read;
mod release;
mod samples;
mod setting;
mod spread;
mod statements;
mod watch;
mod windows;
mod written;

use crate::board::{Board, Setting};
use crate::report::table::Form;
use crate::walk::{self, Walk};
use crate::window::{self, Windows};

use crate::screen::patience::patience;
use clap::{Parser, Subcommand, ValueEnum};
pub use failure::{Exit, Failure};
use input::{load, load_for_probe, parse, read_bytes};
use std::process::ExitCode;
use std::sync::Arc;

/// Prove that every jumper position of a board is read as the option it stands for
#[derive(Debug, Parser)]
#[command(version, after_help = AFTER, max_term_width = 100)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

const AFTER: &str = "Exit codes: 0 pass, 1 fail, 2 usage or input, 3 probe lost or I/O, 4 hold, \
                     5 incomplete, 130 interrupted.\n\nCautions: live equipment off the outputs, \
                     extra-low voltage only, ESD care; local codes and licensed practice come \
                     first. This tool does not certify a safety system.";

#[derive(Debug, Subcommand)]
enum Command {
    /// Run the main job on built-in virtual units: no hardware needed
    Demo(demo::Options),
    /// Write a board file from templates, to be edited
    New(Box<new::Options>),
    /// Choose the resistors of a jumper circuit: the largest margin that the values in stock give
    Design(Box<design::Options>),
    /// Print the windows of a board: what each position reads as, and with how much margin
    Windows(windows::Options),
    /// Hold the thresholds of the product's firmware against the circuit, position by position
    CheckThresholds(check_thresholds::Options),
    /// Write the C header with which the product's firmware decodes its options
    CHeader(c_header::Options),
    /// Print the jumper card: what each position of each header stands for
    Card(card::Options),
    /// List the serial ports, ask who is on them, and say what to do where nobody is
    Ports(ports::Options),
    /// Watch every channel of a board live, beside what its circuit predicts
    Watch(watch::Options),
    /// Read a unit as it lies there: each jumper's position, the options, the smallest margin
    Read(read::Options),
    /// Lead an operator through a unit, or a lot, and write a record of each
    Bench(bench::Options),
    /// Say which part to lift: every cause weighed against the record of a unit that failed
    Diagnose(diagnose::Options),
}

/// The form of a table on the command line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
enum FormatArgument {
    /// Aligned columns
    #[default]
    Text,
    /// RFC 4180
    Csv,
    /// An array of objects
    Json,
}

impl From<FormatArgument> for Form {
    fn from(format: FormatArgument) -> Form {
        match format {
            FormatArgument::Text => Form::Text,
            FormatArgument::Csv => Form::Csv,
            FormatArgument::Json => Form::Json,
        }
    }
}

/// Runs the program on the process's arguments.
pub fn run() -> ExitCode {
    // clap prints usage errors itself and exits with 2, which is this program's code for them too.
    let arguments = Arguments::parse();
    let result = limits::tell_of_large_files().and_then(|()| match arguments.command {
        Command::Demo(options) => demo::run(&options),
        Command::New(options) => new::run(&options),
        Command::Design(options) => design::run(&options),
        Command::Windows(options) => windows::run(&options),
        Command::CheckThresholds(options) => check_thresholds::run(&options),
        Command::CHeader(options) => c_header::run(&options),
        Command::Card(options) => card::run(&options),
        Command::Ports(options) => ports::run(&options),
        Command::Watch(options) => watch::run(&options),
        Command::Read(options) => read::run(&options),
        Command::Bench(options) => bench::run(&options),
        Command::Diagnose(options) => diagnose::run(&options),
    });
    match result {
        Ok(exit) => exit.into(),
        Err(failure) => {
            complain(&failure.to_string());
            failure.exit.into()
        }
    }
}

/// The windows of a board, or why it has none.
fn windows_of(board: &Board) -> Result<Arc<Windows>, Failure> {
    patience("computing the bands", || window::windows(board)).map(Arc::new).map_err(|problems| {
        let lines: Vec<String> = problems.iter().map(|p| p.to_string()).collect();
        let name = &board.name;
        Failure::input(format!("{name} cannot tell its positions apart:\n{}", lines.join("\n")))
    })
}

/// The sequence from a board without shunts to its delivery setting.
fn walk_of(board: &Board, windows: &Windows) -> Result<Arc<Walk>, Failure> {
    walk_to(board, windows, &board.delivery, false)
}

/// The sequence from a board without shunts to the setting that a unit leaves with; through every
/// combination where `all` of them are wanted.
fn walk_to(
    board: &Board,
    windows: &Windows,
    delivery: &Setting,
    all: bool,
) -> Result<Arc<Walk>, Failure> {
    let walk = patience("planning the sequence", || match all {
        true => walk::plan_every(board, windows, delivery),
        false => walk::plan(board, windows, delivery),
    });
    walk.map(Arc::new).map_err(|problem| Failure::input(format!("{}: {problem}", board.name)))
}

/// Writes a line to standard error. Where that cannot be, the exit code still tells.
fn complain(text: &str) {
    use std::io::Write;
    let _ = writeln!(std::io::stderr(), "strapwise: {text}");
}

/// Says something to a person: on a terminal broken between words, to a program a line each.
fn say(text: &str) -> Result<(), Failure> {
    use std::io::{IsTerminal, stdout};
    match stdout().is_terminal() {
        true => print(&crate::report::wrap::page(text, crate::screen::keys::columns())),
        false => print(text),
    }
}

/// Writes to standard output; a reader that has closed it is no failure.
fn print(text: &str) -> Result<(), Failure> {
    use std::io::{ErrorKind, Write, stdout};
    let mut out = stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() != ErrorKind::BrokenPipe => {
            Err(Failure::lost(format!("standard output: {e}")))
        }
        _ => Ok(()),
    }
}
