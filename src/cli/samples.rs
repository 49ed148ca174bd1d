//! `read BOARD --samples CHANNEL`: single conversions, for whoever looks for the cause of noise, or
//! at what a load does as it goes on.

use super::connection::nonce;
use super::written::Written;
use super::{Exit, Failure};
use crate::bench::Cut;
use crate::bench::sampling::{Plan, STEP_MAX, Sampler};
use crate::board::{Board, Kind};
use crate::probe::exchange::Opening;
use crate::record::Head;
use crate::record::fold::Folder;
use crate::report::samples;
use crate::report::table::Form;
use crate::screen::Silent;
use crate::session::Conductor;
use crate::session::live::{self, Line, NoRecord};
use jiff::Timestamp;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Options of single conversions.
#[derive(Debug, clap::Args)]
pub struct Samples {
    /// Take single conversions of this analog channel instead of a look; `supply` (with --load) is
    /// the supply
    #[arg(long, value_name = "CHANNEL", conflicts_with_all = ["expect", "unit"])]
    samples: Option<String>,
    /// Switch this load on between two conversions: as many are taken without it as with it
    #[arg(long, value_name = "LOAD", requires = "samples")]
    load: Option<String>,
    /// How many; with --load so many on either side, 1000 at most
    #[arg(long, value_name = "N", default_value_t = 961, requires = "samples",
          value_parser = clap::value_parser!(u16).range(1..))]
    conversions: u16,
    /// Write the conversions to a file; with --load those of the burst in which it goes on
    #[arg(long, value_name = "FILE", requires = "samples")]
    csv: Option<PathBuf>,
    /// Write over the file if it is there, and holds conversions
    #[arg(long, requires = "csv")]
    replace: bool,
}

impl Samples {
    /// What is to be taken, if single conversions are asked for.
    pub fn plan(&self, board: &Board) -> Result<Option<Plan>, Failure> {
        let Some(name) = &self.samples else { return Ok(None) };
        let channel = match name.as_str() {
            SUPPLY if board.channel(SUPPLY).is_none() => None,
            name => Some(analog(board, name)?),
        };
        let load = self.load.as_ref().map(|id| self::load(board, id)).transpose()?;
        if channel.is_none() && load.is_none() {
            return Err(Failure::input(
                "--samples supply: the supply is taken with a load alone: add --load".into(),
            ));
        }
        if let (None, Some(why)) = (channel, board.no_supply_reading()) {
            return Err(Failure::input(format!("--samples supply: {why}")));
        }
        if load.is_some() && self.conversions > STEP_MAX {
            return Err(Failure::input(format!(
                "--conversions {}: with --load the probe takes {STEP_MAX} at most on either side",
                self.conversions
            )));
        }
        Ok(Some(Plan { channel, n: self.conversions, load }))
    }

    /// Takes them and says what they are; `file` is the board's.
    pub fn run(
        &self,
        (file, board): (&Path, &Arc<Board>),
        plan: Plan,
        (line, opening): (Line, Opening),
        form: Form,
    ) -> Result<Exit, Failure> {
        let sampler = Sampler::new(board.clone(), plan);
        let folder = Folder::new(board.clone(), Head::default(), Timestamp::now());
        let exchange = opening.exchange(nonce());
        let mut conductor = Conductor::new(board.clone(), sampler, exchange, folder);
        let summary = live::run(&mut conductor, line, &mut Silent, &mut NoRecord, None)?;
        match summary.cut {
            Some(Cut::Stopped) => return Ok(Exit::Interrupted),
            Some(Cut::NoKeys) => return Ok(Exit::Incomplete),
            Some(Cut::Probe(why) | Cut::Command(why)) => return Err(Failure::lost(why)),
            None => {}
        }
        let Some(taken) = conductor.procedure().taken() else {
            return Err(Failure::lost("nothing was read".into()));
        };
        if let Some(path) = &self.csv {
            let table = samples::table(board, taken).print(Form::Csv);
            let header = table.lines().next().unwrap_or_default();
            let out = Written {
                path,
                replace: self.replace,
                inputs: &[file],
                kind: "table of conversions",
                is_kind: &|head: &[u8]| head.starts_with(header.as_bytes()),
            };
            out.write(table.as_bytes())?;
        }
        super::print(&samples::print(board, taken, form))?;
        Ok(if taken.missing() == 0 { Exit::Pass } else { Exit::Incomplete })
    }
}

/// The name that stands for the supply, where no channel has it.
const SUPPLY: &str = "supply";

fn analog(board: &Board, name: &str) -> Result<usize, Failure> {
    let analog = board.channels.iter().filter(|c| c.kind == Kind::Analog);
    board.channel(name).filter(|&c| board.channels[c].kind == Kind::Analog).ok_or_else(|| {
        let known: Vec<&str> = analog.map(|c| c.id.as_str()).collect();
        Failure::input(format!(
            "--samples {name}: the analog channels are {}; with --load also `supply`",
            known.join(", ")
        ))
    })
}

fn load(board: &Board, id: &str) -> Result<usize, Failure> {
    board.loads.iter().position(|load| load.id == id).ok_or_else(|| {
        let known: Vec<&str> = board.loads.iter().map(|load| load.id.as_str()).collect();
        Failure::input(match known.is_empty() {
            true => format!("--load {id}: the board file names no load"),
            false => format!("--load {id}: the loads are {}", known.join(", ")),
        })
    })
}
