//! `ports`: the serial ports of this machine, and who is on them.

use super::connection::{nonce, seconds};
use super::{Exit, Failure, FormatArgument};
use crate::probe::inquiry::Heard;
use crate::probe::port::{self, PortError};
use crate::report::ports::{self, Line, State};
use crate::session::roll_call::{self, Entry, Found};

/// Options of `ports`.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER)]
pub struct Options {
    /// Ask this port, whatever is on it; may be given several times
    #[arg(long, value_name = "PORT")]
    ask: Vec<String>,
    /// Ask none of the others: opening a port resets many boards
    #[arg(long)]
    no_ask: bool,
    /// Seconds of silence after opening a port, for the boot loader
    #[arg(long, value_name = "SECONDS", default_value_t = 2.0)]
    quiet: f64,
    /// Seconds for each port; all are asked at once
    #[arg(long, value_name = "SECONDS", default_value_t = 6.0)]
    limit: f64,
    /// Form of the table
    #[arg(long, value_enum, default_value_t)]
    format: FormatArgument,
}

const AFTER: &str = "Ports with a USB-serial chip that is known are asked `*IDN?`, at 250,000 baud \
                     and then at 38,400; the others are only listed. Opening a port resets many \
                     boards, whatever the program: leave ports of running equipment out with \
                     --no-ask and --ask PORT. Nothing is ever opened at 1200 baud.\n\nExit codes: \
                     0 a probe answered, or nothing is asked by --no-ask; 2 usage; 3 no probe \
                     answered.";

/// Lists the ports and says who is on them.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let quiet = seconds("--quiet", options.quiet, 0.0)?;
    let limit = seconds("--limit", options.limit, 0.1)?;
    if limit <= quiet {
        return Err(Failure::input(format!(
            "--limit {}: it must be longer than --quiet, {} seconds",
            options.limit, options.quiet
        )));
    }
    let listed = port::list().map_err(|e| Failure::lost(e.to_string()))?;
    let ask = |name: &str| roll_call::ask(name, nonce(), quiet, limit);
    let entries = roll_call::call(listed, &options.ask, !options.no_ask, ask);
    let lines: Vec<Line> = entries.iter().map(line).collect();
    super::print(&ports::print(&lines, options.format.into()))?;
    let answered = lines.iter().any(|l| l.state == State::Probe);
    let nothing_asked = options.no_ask && options.ask.is_empty();
    Ok(if answered || nothing_asked { Exit::Pass } else { Exit::Lost })
}

fn line(entry: &Entry) -> Line {
    let listed = &entry.listed;
    let name = &listed.name;
    let mut line = Line {
        port: name.clone(),
        location: listed.location.clone(),
        usb: listed.usb,
        serial: listed.serial.clone(),
        chip: entry.chip.map(|c| c.part),
        product: listed.product.clone(),
        state: State::NotAsked,
        model: String::new(),
        firmware: String::new(),
        baud: None,
        identity: String::new(),
        unit: String::new(),
        note: String::new(),
    };
    match &entry.found {
        Found::NotAsked => {
            line.note = match entry.chip {
                Some(_) => format!("{name}: not asked; --ask {name} asks it"),
                None => format!("{name}: no USB-serial chip known here; --ask {name} asks it"),
            };
        }
        Found::Closed(error) => {
            line.state = match error {
                PortError::Absent { .. } => State::Absent,
                PortError::Busy { .. } => State::Busy,
                PortError::Forbidden { .. } => State::Forbidden,
                PortError::Rate(_) | PortError::NoLine { .. } | PortError::Other { .. } => {
                    State::Failed
                }
            };
            line.note = error.to_string();
        }
        Found::Heard(Heard::Silent) => {
            line.state = State::Silent;
            line.note = format!(
                "{name}: nothing answers: the board has no probe on it, no supply, or its boot \
                 loader takes longer than --quiet"
            );
        }
        Found::Heard(Heard::Other(said)) => {
            line.state = State::Other;
            line.note = format!(
                "{name}: something sends (\"{said}\"), but not as the probe does: another \
                 program is on the board, or it is no board of yours"
            );
        }
        Found::Heard(Heard::Probe { model, firmware, identity, unit, rate }) => {
            line.state = State::Probe;
            line.baud = Some(*rate);
            line.model.clone_from(model);
            line.firmware.clone_from(firmware);
            line.unit.clone_from(unit);
            line.identity = if *identity == 0 { String::new() } else { format!("{identity:08X}") };
        }
    }
    line
}
