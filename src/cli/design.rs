//! `design`.

use super::{Exit, Failure, FormatArgument, new};
use crate::board::template::{Ends, Rail};
use crate::record::csv;
use crate::report::design as report;
use crate::report::table::Form;
use crate::screen::patience::patience;
use crate::units::{Allow, Amperes, Ohms, Quantity, Ratio, Series, Volts, read};
use crate::window::design::{Network, Outcome, Request, design};
use clap::ValueEnum;
use std::path::{Path, PathBuf};

/// Source resistance up to which the ATmega328P's converter is optimized (its data sheet, "Analog
/// Input Circuitry"), the usual figure of such converters.
pub(super) const SOURCE_LIMIT: Ohms = Ohms(10e3);

/// Options of `design`.
#[derive(Debug, clap::Args)]
#[command(group = clap::ArgGroup::new("network").required(true))]
pub struct Options {
    /// A ladder with so many positions, `open` not counted
    #[arg(long, group = "network", value_name = "POSITIONS")]
    ladder: Option<usize>,
    /// A weighted network of so many shunts, all settings told apart
    #[arg(long, group = "network", value_name = "SHUNTS")]
    weighted: Option<usize>,
    /// Which rails are positions of the ladder
    #[arg(long, value_enum, default_value_t)]
    ends: EndsArgument,
    /// No shunt is an option of the ladder too: a resistor to this rail
    #[arg(long, value_enum)]
    open: Option<RailArgument>,
    /// How the weighted network is switched
    #[arg(long, value_enum, default_value_t)]
    form: FormArgument,
    /// The rail that the shunts of a two-pin weighted network join
    #[arg(long, value_enum, default_value_t = RailArgument::Supply)]
    to: RailArgument,
    /// The pull of the network, if it is given; else it is chosen too
    #[arg(long, value_name = "OHMS")]
    pull: Option<String>,
    #[command(flatten)]
    stock: StockArguments,
    #[command(flatten)]
    in_use: new::UseArguments,
    /// A given resistor between the network and the pin
    #[arg(long, value_name = "OHMS")]
    input: Option<String>,
    /// Nominal supply
    #[arg(long, default_value = "5V")]
    supply: String,
    /// Tolerance of the supply
    #[arg(long, default_value = "5%")]
    supply_tolerance: String,
    /// Chip whose converter reads it: its name, or a file with its `[chip]` table
    #[arg(long, default_value = "atmega328p")]
    chip: String,
    /// Largest current that the network may draw at worst
    #[arg(long, default_value = "1mA")]
    current: String,
    /// Largest source resistance at worst; else the 10 kΩ that converters are made for
    #[arg(long, value_name = "OHMS")]
    source_limit: Option<String>,
    /// Sets to list beside the best
    #[arg(long, default_value_t = 4, value_parser = clap::value_parser!(u8).range(0..=50))]
    runners_up: u8,
    /// Write a board file with the best set; it must not exist
    #[arg(long, value_name = "FILE")]
    board: Option<PathBuf>,
    /// Write its bill of materials too; it must not exist
    #[arg(long, value_name = "FILE", requires = "board")]
    bom: Option<PathBuf>,
    /// Name of the network on the board
    #[arg(long, default_value = "setting")]
    name: String,
    /// Form of the table
    #[arg(long, value_enum, default_value_t)]
    format: FormatArgument,
}

/// Where values come from.
#[derive(Clone, Debug, clap::Args)]
pub struct StockArguments {
    /// E series to choose from: E3, E6, E12, E24, E48, E96, E192
    #[arg(long, default_value = "E24", conflicts_with = "stock")]
    series: String,
    /// Smallest and largest value of the series to use
    #[arg(long, default_value = "10R..1M0", value_name = "OHMS..OHMS")]
    range: String,
    /// The values in stock: a list like 1k,2k2,4k7, or a CSV file with a column `value`
    #[arg(long, value_name = "LIST|FILE")]
    stock: Option<String>,
    /// Initial tolerance of the resistors
    #[arg(long, default_value = "1%")]
    tolerance: String,
}

/// Which rails are positions.
#[derive(Clone, Copy, Debug, Default, ValueEnum)]
pub enum EndsArgument {
    /// Supply and ground
    #[default]
    Both,
    /// The supply only
    Supply,
    /// Ground only
    Ground,
    /// Neither
    None,
}

/// A rail.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum RailArgument {
    /// The supply
    Supply,
    /// Ground
    Ground,
}

/// How a weighted network is switched.
#[derive(Clone, Copy, Debug, Default, ValueEnum)]
pub enum FormArgument {
    /// A shunt fitted or left off, against a pull
    #[default]
    TwoPin,
    /// A shunt to the supply or to ground
    ThreePin,
}

/// Prints the sets with the largest worst-case margin.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let request = options.request()?;
    let outcome = choose(&request)?;
    let text = match Form::from(options.format) {
        Form::Text => report::text(&request, &outcome),
        form => report::table(&outcome).print(form),
    };
    super::print(&text)?;
    if let (Some(file), Some(best)) = (&options.board, outcome.choices.first()) {
        let template = request.template(&options.name, &best.ohms, best.pull);
        let plan = request.plan(&new::name_of(file), template);
        let said = new::save(&plan, file, options.bom.as_deref())?;
        if options.format == FormatArgument::Text {
            super::print(&format!("\n{said}"))?;
        }
    }
    Ok(if outcome.choices.is_empty() { Exit::Fail } else { Exit::Pass })
}

/// Runs the search.
fn choose(request: &Request) -> Result<Outcome, Failure> {
    patience("choosing resistors", || design(request)).map_err(Failure::input)
}

impl Options {
    fn request(&self) -> Result<Request, Failure> {
        let pull = self.pull.as_deref().map(|p| value::<Ohms>("--pull", p)).transpose()?;
        let network = match (self.ladder, self.weighted, self.form) {
            (Some(positions), ..) => {
                let open = self.open.map(|rail| (Rail::from(rail), pull));
                Network::Ladder { positions, ends: self.ends.into(), open }
            }
            (None, shunts, FormArgument::TwoPin) => {
                let shunts = shunts.unwrap_or(0);
                Network::TwoPin { shunts, to: self.to.into(), pull }
            }
            (None, shunts, FormArgument::ThreePin) => {
                Network::ThreePin { shunts: shunts.unwrap_or(0) }
            }
        };
        let optional = |flag, text: &Option<String>| {
            text.as_deref().map(|t| value::<Ohms>(flag, t)).transpose()
        };
        Ok(Request {
            network,
            chip: new::microcontroller(&self.chip)?,
            supply: value::<Volts>("--supply", &self.supply)?,
            supply_tolerance: share("--supply-tolerance", &self.supply_tolerance)?,
            stock: self.stock.values()?,
            tolerance: share("--tolerance", &self.stock.tolerance)?,
            in_use: self.in_use.read()?,
            input: optional("--input", &self.input)?,
            current: value::<Amperes>("--current", &self.current)?,
            source: optional("--source-limit", &self.source_limit)?.unwrap_or(SOURCE_LIMIT),
            runners_up: usize::from(self.runners_up),
        })
    }
}

impl StockArguments {
    /// The values to choose from.
    fn values(&self) -> Result<Vec<Ohms>, Failure> {
        match &self.stock {
            Some(stock) => in_stock(stock),
            None => {
                let series = Series::named(&self.series).ok_or_else(|| {
                    let known: Vec<&str> = Series::ALL.iter().map(|s| s.name()).collect();
                    let what = format!("--series: `{}` is no E series", self.series.escape_debug());
                    Failure::input(format!("{what}; take one of {}", known.join(", ")))
                })?;
                let (low, high) = crate::units::range::<Ohms>(&self.range, Allow::Positive)
                    .map_err(|e| Failure::input(format!("--range: {e}")))?;
                Ok(series.between(low, high))
            }
        }
    }
}

/// A list of values, or a CSV file with a column `value`.
fn in_stock(stock: &str) -> Result<Vec<Ohms>, Failure> {
    let path = Path::new(stock);
    if !path.is_file() {
        return stock.split(',').map(|v| value("--stock", v.trim())).collect();
    }
    let bytes = super::read_bytes(path, "a list of values")?;
    let cells = csv::column(stock, &bytes, "value").map_err(|e| Failure::input(e.to_string()))?;
    let value = |(line, cell): &(u64, String)| {
        read::<Ohms>(cell, Allow::Positive)
            .map_err(|e| Failure::input(format!("{stock}, line {line}: {e}")))
    };
    cells.iter().map(value).collect()
}

/// A value above zero given by a flag.
pub(super) fn value<Q: Quantity>(flag: &str, text: &str) -> Result<Q, Failure> {
    read::<Q>(text, Allow::Positive).map_err(|e| Failure::input(format!("{flag}: {e}")))
}

/// A share given by a flag.
pub(super) fn share(flag: &str, text: &str) -> Result<Ratio, Failure> {
    Ratio::read(text, Allow::NonNegative).map_err(|e| Failure::input(format!("{flag}: {e}")))
}

impl From<EndsArgument> for Ends {
    fn from(ends: EndsArgument) -> Ends {
        match ends {
            EndsArgument::Both => Ends::Both,
            EndsArgument::Supply => Ends::Supply,
            EndsArgument::Ground => Ends::Ground,
            EndsArgument::None => Ends::None,
        }
    }
}

impl From<RailArgument> for Rail {
    fn from(rail: RailArgument) -> Rail {
        match rail {
            RailArgument::Supply => Rail::Supply,
            RailArgument::Ground => Rail::Ground,
        }
    }
}
