//! `new FILE`.

mod in_use;
mod spec;
mod templates;

use super::design::{SOURCE_LIMIT, share, value};
use super::{Exit, Failure};
use crate::board::template::{Microcontroller, Plan, Written};
use crate::board::{parse, parse_chip};
use crate::report::bill;
use crate::store;
use crate::units::{Amperes, Volts};
use crate::window::design::{Network, Request};
pub use in_use::UseArguments;
use std::path::{Path, PathBuf};

const AFTER: &str = "A template is NAME or \"NAME: key=value; key=value\"; each flag may be given \
several times. Keys:
  --ladder    values=1k8,2k7,… from supply to ground, or positions=5 (chosen as `design` does:
              series=E24, source-limit=10k, current=1mA); ends=both|supply|ground|none; tolerance=1%; input=1k; capacitor=10n;
              open=ground|supply, pull=10k; options=red,green,… from supply to ground, `open` last
  --weighted  values=… bit 0 first, or shunts=3; form=two-pin|three-pin; to=supply|ground;
              pull=4k7; tolerance, series, input, capacitor as above
  --address   bits=3; to=ground|supply; pull=10k|internal; tolerance=5%
  --select    on=1R..50R; wire=10k; rest=47k; tolerance=1%
  --isolate   lamps=470R,470R; on=1R..50R; tolerance=5%
  --output    dummy=15 ohm, 5 W resistor; sag=15mV..120mV; off=low|high";

/// Options of `new`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub struct Options {
    /// Board file to write; it must not exist
    file: PathBuf,
    /// Name of the design; else that of the file
    #[arg(long)]
    name: Option<String>,
    /// Revision, as printed on the board
    #[arg(long, default_value = "A")]
    revision: String,
    /// One sentence on what the board is for
    #[arg(long, default_value = "Set by jumpers")]
    about: String,
    /// The microcontroller: its name, or a file with its `[chip]` table
    #[arg(long, default_value = "atmega328p")]
    chip: String,
    /// Nominal supply
    #[arg(long, default_value = "5V")]
    supply: String,
    /// Tolerance of the supply
    #[arg(long, default_value = "5%")]
    supply_tolerance: String,
    /// What feeds the unit on the bench, in words
    #[arg(long)]
    source: Option<String>,
    /// AREF is joined to the supply; else it has a capacitor to ground and nothing else
    #[arg(long)]
    aref_at_supply: bool,
    /// Share of the distance between two bands that is left as no option
    #[arg(long, default_value = "25%")]
    gap: String,
    #[command(flatten)]
    in_use: UseArguments,
    /// A ladder with one shunt that picks a tap
    #[arg(long, value_name = "TEMPLATE")]
    ladder: Vec<String>,
    /// A weighted network, all settings told apart
    #[arg(long, value_name = "TEMPLATE")]
    weighted: Vec<String>,
    /// Address bits against pull-ups or pull-downs
    #[arg(long, value_name = "TEMPLATE")]
    address: Vec<String>,
    /// A three-pin header that feeds a switched output, looped back
    #[arg(long, value_name = "TEMPLATE")]
    select: Vec<String>,
    /// A jumper in the common return of lamps
    #[arg(long, value_name = "TEMPLATE")]
    isolate: Vec<String>,
    /// An output that draws current
    #[arg(long, value_name = "TEMPLATE")]
    output: Vec<String>,
    /// Write a bill of materials to this file too; it must not exist
    #[arg(long, value_name = "FILE")]
    bom: Option<PathBuf>,
}

/// Writes a board file.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let plan = options.plan()?;
    let said = save(&plan, &options.file, options.bom.as_deref())?;
    super::print(&said)?;
    Ok(Exit::Pass)
}

/// Writes the board file of a plan, and its bill; returns what to say. Nothing is overwritten,
/// and nothing is written that `windows` would refuse.
pub fn save(plan: &Plan, file: &Path, bom: Option<&Path>) -> Result<String, Failure> {
    let Written { text, parts } = plan.write().map_err(Failure::input)?;
    let name = file.display().to_string();
    let board = parse(&format!("{name} as it would be"), &text).map_err(|problems| {
        Failure::input(format!("{name} is not written, it could not be used:\n{problems}"))
    })?;
    super::windows_of(&board)?;
    if bom == Some(file) {
        let what = format!("{name}: board file and bill in one; give the bill another name");
        return Err(Failure::input(what));
    }
    for path in std::iter::once(file).chain(bom) {
        if path.exists() {
            return Err(there(path));
        }
    }
    store::write_file(file, text.as_bytes(), false)?;
    let mut said =
        format!("{name}: board file with {}\n", counted(board.channels.len(), "channel"));
    if let Some(bom) = bom {
        store::write_file(bom, bill::csv(&parts).as_bytes(), false)?;
        said += &format!("{}: bill of {}\n", bom.display(), counted(parts.len(), "part"));
    }
    said += &format!("next: strapwise windows {name}\n");
    Ok(said)
}

/// A chip that is known by name, or the one that a file describes.
pub fn microcontroller(text: &str) -> Result<Microcontroller, Failure> {
    let path = Path::new(text);
    if !path.is_file() {
        return Ok(text.into());
    }
    let bytes = super::read_bytes(path, "a file with a `[chip]` table")?;
    let found =
        parse_chip(text, &bytes).map_err(|problems| Failure::input(problems.to_string()))?;
    Ok(Microcontroller::Described(found))
}

/// The name of a design after its file; what cannot stand in a name becomes a hyphen.
pub fn name_of(file: &Path) -> String {
    let fits = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '-');
    let stem = file.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    stem.chars().map(|c| if fits(c) { c } else { '-' }).collect()
}

/// A number of things, in words.
fn counted(n: usize, thing: &str) -> String {
    if n == 1 { format!("one {thing}") } else { format!("{n} {thing}s") }
}

fn there(path: &Path) -> Failure {
    let name = path.display();
    Failure::input(format!("{name} is there already; nothing is overwritten, take another name"))
}

impl Options {
    fn plan(&self) -> Result<Plan, Failure> {
        let chip = microcontroller(&self.chip)?;
        let supply = value::<Volts>("--supply", &self.supply)?;
        let supply_tolerance = share("--supply-tolerance", &self.supply_tolerance)?;
        // Templates without values are chosen for the limits that `design` starts from.
        let request = Request {
            network: Network::ThreePin { shunts: 1 },
            chip: chip.clone(),
            supply,
            supply_tolerance,
            stock: Vec::new(),
            tolerance: crate::units::Ratio(0.01),
            in_use: self.in_use.read()?,
            input: None,
            current: Amperes(1e-3),
            source: SOURCE_LIMIT,
            runners_up: 0,
        };
        let common = templates::Common { request };
        let mut templates = Vec::new();
        for text in &self.ladder {
            templates.push(common.ladder(text)?);
        }
        for text in &self.weighted {
            templates.push(common.weighted(text)?);
        }
        for (texts, make) in [
            (&self.address, templates::address as fn(&str) -> _),
            (&self.select, templates::select),
            (&self.isolate, templates::isolate),
            (&self.output, templates::output),
        ] {
            for text in texts {
                templates.push(make(text)?);
            }
        }
        if self.ladder.len() + self.weighted.len() + self.address.len() + self.select.len() == 0 {
            return Err(Failure::input(
                "no template that a pin reads; add --ladder, --weighted, --address or --select \
                 (strapwise new --help lists their keys)"
                    .to_string(),
            ));
        }
        Ok(Plan {
            name: self.name.clone().unwrap_or_else(|| name_of(&self.file)),
            revision: self.revision.clone(),
            about: self.about.clone(),
            chip,
            supply,
            supply_tolerance,
            source: self.source.clone().unwrap_or_else(|| format!("bench supply, {supply}")),
            aref_at_supply: self.aref_at_supply,
            gap: share("--gap", &self.gap)?,
            in_use: self.in_use.read()?,
            templates,
        })
    }
}
