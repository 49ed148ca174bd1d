//! `diagnose BOARD RECORD`: which part to lift.

use super::connection::Connection;
use super::diagnose_live::Live;
use super::diagnose_odds::{self, Odds};
use super::picture::PictureFile;
use super::{Exit, Failure, FormatArgument, load, read_bytes};
use crate::board::{Board, NetId, Setting};
use crate::diagnose::{self, Evidence, Look, Measurement, Meter, Suggestion};
use crate::record::csv;
use crate::record::{Head, Row};
use crate::report::table::Form;
use crate::report::{diagnosis, diagnosis_look, diagnosis_next, diagnosis_picture};
use crate::units::{Allow, Ohms, Volts, read};
use std::io::{BufRead, IsTerminal, stdin};
use std::path::{Path, PathBuf};

/// Options of `diagnose`.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub struct Options {
    /// Board file, for example protocols/vent-controller.toml
    board: PathBuf,
    /// Record of the unit; with --trust the records of several
    #[arg(required_unless_present = "port")]
    records: Vec<PathBuf>,
    /// What a meter showed: NET=VOLTS, or NET:NET=OHMS without power (`open` for none)
    #[arg(long, value_name = "READING")]
    meter: Vec<String>,
    /// What a look told: `second-shunt:J1=no`, `bridge:J1:1-3=yes`, `printed:R3:2k2=yes`
    #[arg(long, value_name = "WHAT:WHERE=yes|no")]
    look: Vec<String>,
    /// The units are known good by other means: say what of the board file they contradict
    #[arg(long, conflicts_with_all = ["meter", "look"])]
    trust: bool,
    /// How likely a kind of defect is beforehand, for example "resistor open=6"
    #[arg(long, value_name = "KIND=WEIGHT")]
    weight: Vec<String>,
    /// What was found in the unit, for example "resistor open: R3, cracked": kept in the lot's
    /// causes.csv, where it counts for the other units
    #[arg(long, value_name = "KIND: WORDS", conflicts_with_all = ["trust", "meter", "look"])]
    found: Option<String>,
    /// Form of the table
    #[arg(long, value_enum, default_value_t)]
    format: FormatArgument,
    #[command(flatten)]
    picture: PictureFile,
    #[command(flatten)]
    connection: Connection,
}

const EXAMPLES: &str = "Volts are against ground, power on, in the delivery setting; give those of \
the supply net as well, which they are shares of: VCC=5.02V. Ohms are with every shunt off. \
Another setting follows an @, with commas: TAP3@J1=2,J2=open=2.31V. Ohms with the supply net joined \
to ground: TAP2:TAP3+joined=2k7.\n\n\
What can be looked for: second-shunt:J1, bridge:J1:1-3, \
chip-bridge:CHANNEL:CHANNEL, other-value:R3 (printed on it), printed:R3:2k2 (in place of the \
board file's value), joint:R3 (bad), across:R3 (solder), pin-joint:CHANNEL, wrong-end:J3, mistaken:J1:J2, other-shunt:J4:on (reads right \
with another one), scraped:J1:1-3 (reads right after a blade), lifted:R3 (out of tolerance with one \
end lifted), answer:QUESTION and lamp:QUESTION:R30 (asked again in a test). A look may err, and is \
weighed so.\n\n\
Examples:\n  \
diagnose my.toml results/my/L1/U7-1.csv\n  \
diagnose my.toml results/my/L1/U7-1.csv --meter TAP3=2.31V --meter TAP2:TAP3=2k7\n  \
diagnose my.toml results/my/L1/U7-1.csv --look second-shunt:J1=no\n  \
diagnose my.toml --trust results/my/L1/U1-1.csv results/my/L1/U2-1.csv\n  \
diagnose my.toml results/my/L1/U7-1.csv --found \"resistor open: R3, cracked\"\n\n\
Exit codes: 0 one class of causes holds 95 %, 5 it is still open, 1 no modelled cause explains the \
readings, 2 usage or input. With --trust: 0 the units agree with the board file, 1 they do not.";

/// Extra-low voltage ends at 60 V of direct current (IEC 61140, from memory).
const MOST_VOLTS: f64 = 60.0;

/// A class as likely as this is the answer.
const SETTLED: f64 = 0.95;

/// Weighs the causes.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let board = load(&options.board)?;
    if options.trust {
        return trust(options, &board);
    }
    if let Some(found) = &options.found {
        let [record] = &options.records[..] else {
            let what = "--found: give the record of the unit that it was found in";
            return Err(Failure::input(what.into()));
        };
        return diagnose_odds::keep(&board, record, &evidence(&board, record)?.2, found);
    }
    let mut of = None;
    let (mut evidence, head) = match &options.records[..] {
        [record] => {
            let (evidence, text, head) = evidence(&board, record)?;
            of = Some((record.as_path(), head));
            (evidence, text)
        }
        [] => (Evidence::default(), format!("{} {}\n\n", board.name, board.revision)),
        _ => {
            let what = "one record at a time; several are for units known good, with --trust";
            return Err(Failure::input(what.into()));
        }
    };
    for text in &options.meter {
        evidence.meter.push(meter(&board, text)?);
    }
    for text in &options.look {
        let (look, yes) = looked(&board, text)?;
        match evidence.looks.iter().find(|(known, _)| known.same(&look)) {
            Some((_, said)) if *said != yes => {
                let what = "is yes and no at once; look again, and give one of them";
                return Err(Failure::input(format!("--look '{text}': {what}")));
            }
            Some(_) => {}
            None => evidence.looks.push((look, yes)),
        }
    }
    let odds = Odds::of(&board, &options.weight, of.as_ref().map(|(p, h)| (*p, h)))?;
    let weights = &odds.weights;
    let mut live = match options.connection.given() {
        true => Some(Live::new(&board, &options.board, &options.connection)?),
        false => None,
    };
    // A unit on the bench is looked at as it is delivered, when there is no record of it.
    if let (Some(live), true) = (&mut live, evidence.is_empty())
        && let Err(exit) = live.look(&board.delivery.clone(), &mut evidence)?
    {
        return Ok(exit);
    }
    loop {
        let found = diagnose::diagnose(&board, &evidence, weights);
        let next = diagnose::suggest(&board, &evidence, &found);
        if let (Some(live), Some(setting)) = (&mut live, setting_to_try(&next)) {
            if let Some(cause) = found.classes.first().and_then(|class| class.causes.first()) {
                let percent = 100.0 * cause.probability;
                let sentence = diagnosis::sentence(&board, cause);
                super::print(&format!("so far {percent:.0} %: {sentence}\n"))?;
            }
            match live.look(setting, &mut evidence)? {
                Ok(()) => continue,
                Err(exit) => return Ok(exit),
            }
        }
        let text = match Form::from(options.format) {
            Form::Text => {
                let text = diagnosis::text(&board, &evidence, &found, &next);
                head.clone() + &text + &odds.text(&board)
            }
            form => diagnosis::table(&board, &found).print(form),
        };
        super::print(&text)?;
        let by_hand = |s: &&Suggestion| !matches!(s.measurement, Measurement::Reading { .. });
        let asked = next.iter().find(by_hand);
        let asked = asked.map(|s| s.supply_first.as_ref().unwrap_or(&s.measurement));
        let people = matches!(options.format, FormatArgument::Text) && stdin().is_terminal();
        if let (true, Some(asked)) = (people, asked)
            && ask(&board, asked, &mut evidence)?
        {
            continue;
        }
        let unit = head.lines().next().unwrap_or_default();
        let unit = unit.split("unit ").nth(1).and_then(|u| u.split(',').next()).unwrap_or("");
        options.picture.write(|| diagnosis_picture::picture(&board, &evidence, &found, unit))?;
        let first = found.classes.first().map_or(0.0, |c| c.probability);
        return Ok(match (found.explained, first > SETTLED) {
            (false, _) => Exit::Fail,
            (true, true) => Exit::Pass,
            (true, false) => Exit::Incomplete,
        });
    }
}

/// The setting that settles most: with the unit on the bench a shunt is moved sooner than a tip is
/// held.
fn setting_to_try(next: &[Suggestion]) -> Option<&Setting> {
    next.iter().find_map(|suggestion| match &suggestion.measurement {
        Measurement::Reading { setting, .. } => Some(setting),
        Measurement::Volts { .. } | Measurement::Ohms { .. } | Measurement::Look(_) => None,
    })
}

/// Asks for the outcome of a measurement at the keyboard; false when the person has enough.
fn ask(board: &Board, asked: &Measurement, evidence: &mut Evidence) -> Result<bool, Failure> {
    loop {
        let what = diagnosis_next::measurement(board, asked);
        let prompt = match asked {
            Measurement::Look(_) => format!("\n{what}\nyes or no? (Enter ends) "),
            _ => format!("\n{what}\nwhat does it show? (Enter ends) "),
        };
        super::print(&prompt)?;
        let mut line = String::new();
        let length = stdin().lock().read_line(&mut line).unwrap_or(0);
        if length == 0 || line.trim().is_empty() {
            return Ok(false);
        }
        let taken = match asked {
            Measurement::Look(look) => {
                yes_or_no(&line).map(|yes| evidence.looks.push((*look, yes)))
            }
            _ => value(line.trim(), matches!(asked, Measurement::Ohms { .. }))
                .map(|value| evidence.meter.extend(Meter::of(asked, value))),
        };
        match taken {
            Ok(()) => return Ok(true),
            Err(why) => super::print(&format!("{why}\n"))?,
        }
    }
}

fn yes_or_no(text: &str) -> Result<bool, String> {
    match text.trim().to_lowercase().as_str() {
        "yes" | "y" => Ok(true),
        "no" | "n" => Ok(false),
        other => Err(format!("`{other}` is neither yes nor no")),
    }
}

/// `WHAT:WHERE=yes` or `=no`.
fn looked(board: &Board, text: &str) -> Result<(Look, bool), Failure> {
    let wrong = |why: String| {
        Failure::input(format!("--look '{text}': {why}; write it like second-shunt:J1=no"))
    };
    let (what, said) = text.rsplit_once('=').ok_or_else(|| wrong("there is no =".into()))?;
    Ok((diagnosis_look::named(board, what).map_err(wrong)?, yes_or_no(said).map_err(wrong)?))
}

fn value(text: &str, ohms: bool) -> Result<f64, String> {
    let open = ["open", "OL", "ol", "inf"].contains(&text);
    match ohms {
        true if open => Ok(f64::INFINITY),
        true => read::<Ohms>(text, Allow::NonNegative).map(|o| o.0).map_err(|e| e.to_string()),
        false => match read::<Volts>(text, Allow::Any) {
            Ok(volts) if volts.0.abs() > MOST_VOLTS => {
                Err(format!("`{text}` is more than {MOST_VOLTS:.0} V, which no such board has"))
            }
            read => read.map(|v| v.0).map_err(|e| e.to_string()),
        },
    }
}

fn trust(options: &Options, board: &Board) -> Result<Exit, Failure> {
    let each = options.records.iter().map(|record| evidence(board, record).map(|(e, ..)| e));
    let trusted = each.collect::<Result<Vec<Evidence>, Failure>>()?;
    let found = diagnose::corrections(board, &trusted);
    super::print(&diagnosis::corrections(board, trusted.len(), &found))?;
    Ok(if found.is_empty() { Exit::Pass } else { Exit::Fail })
}

/// The evidence of a record, and what it is a record of, in words and in full.
fn evidence(board: &Board, path: &Path) -> Result<(Evidence, String, Head), Failure> {
    let name = path.display().to_string();
    let bytes = read_bytes(path, "a record")?;
    let parsed = csv::read::<Row>(&name, &bytes).map_err(|e| Failure::input(e.to_string()))?;
    let Some(first) = parsed.rows.first() else {
        let what = "holds no rows; give a record that `bench` wrote";
        return Err(Failure::input(format!("{name}: {what}")));
    };
    let of = &first.head;
    if of.board != board.name {
        return Err(Failure::input(format!(
            "{name}: a record of the board {}, the board file is of {}; give the file of that board",
            of.board, board.name
        )));
    }
    let mut evidence = Evidence::of(board, &parsed.rows);
    if evidence.is_empty() {
        let why = evidence.left_out.first().map_or(String::new(), |w| format!(" ({w})"));
        return Err(Failure::input(format!(
            "{name}: there is no reading in it to conclude from{why}; test the unit again"
        )));
    }
    let verdict = parsed.rows.iter().rev().find(|r| r.row == crate::record::RowKind::Unit);
    let verdict = verdict.map_or("cut short", |r| r.verdict.as_str());
    let mut head = format!(
        "{} {}, unit {}, attempt {}: {verdict}\n",
        board.name, of.revision, of.unit, of.attempt
    );
    if of.revision != board.revision {
        head += &format!(
            "note: the record is of revision {}, the board file of {}\n",
            of.revision, board.revision
        );
    } else if of.board_sha256 != board.sha256 {
        head += "note: the board file has been changed since this record was made\n";
    }
    if parsed.whole < bytes.len() {
        head += "note: the record ends in half a line, which is left out\n";
    }
    evidence.left_out.truncate(5);
    Ok((evidence, head + "\n", of.clone()))
}

/// `NET=VOLTS`, `NET:NET=OHMS`, with `+joined` and `@SETTING` before the equals sign.
fn meter(board: &Board, text: &str) -> Result<Meter, Failure> {
    let wrong = |why: String| {
        Failure::input(format!(
            "--meter '{text}': {why}; write it like TAP3=2.31V or TAP2:TAP3=2k7"
        ))
    };
    let (what, shown) = text.rsplit_once('=').ok_or_else(|| wrong("there is no =".into()))?;
    let (nets, at) = match what.split_once('@') {
        Some((nets, at)) => (nets, Some(at)),
        None => (what, None),
    };
    let (nets, joined) = match nets.strip_suffix("+joined") {
        Some(nets) => (nets, true),
        None => (nets, false),
    };
    let net = |name: &str| -> Result<NetId, Failure> {
        let found = board.nets.iter().position(|n| n == name);
        found.map(NetId).ok_or_else(|| wrong(format!("the board has no net {name}")))
    };
    let setting = |usual: Setting| match at {
        None => Ok(usual),
        Some(text) => super::setting::places(board, "--meter", text)
            .map(|places| places.into_iter().fold(usual, |s, (j, p)| s.with(j, p))),
    };
    match nets.split_once(':') {
        Some((a, b)) => Ok(Meter::Ohms {
            between: [net(a)?, net(b)?],
            setting: setting(Setting::all_open(board))?,
            joined,
            ohms: Ohms(value(shown, true).map_err(wrong)?),
        }),
        None if joined => Err(wrong("volts are measured with the power on".into())),
        None => Ok(Meter::Volts {
            net: net(nets)?,
            setting: setting(board.delivery.clone())?,
            volts: Volts(value(shown, false).map_err(wrong)?),
        }),
    }
}
