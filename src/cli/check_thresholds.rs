//! `check-thresholds BOARD`: the thresholds of the product's firmware against the circuit.

use super::own_header::stated;
use super::statements::{Statements, add};
use super::{Exit, Failure, FormatArgument, load};
use crate::c_header::{CHeader, LARGEST};
use crate::report::table::Form;
use crate::report::thresholds;
use crate::window::{self, Grade};
use std::path::{Path, PathBuf};

/// Options of `check-thresholds`.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub struct Options {
    /// Board file, for example protocols/vent-controller.toml
    board: PathBuf,
    #[command(flatten)]
    statements: Statements,
    /// C header from which names in place of numbers are read
    #[arg(long, value_name = "FILE")]
    header: Option<PathBuf>,
    /// Form of the table
    #[arg(long, value_enum, default_value_t)]
    format: FormatArgument,
}

const EXAMPLES: &str = "What the firmware does is taken from `[[thresholds]]` in the board file; \
options on the command line take the place of the entry for their channel or set. A header that \
`c-header` wrote needs no options but --header.\n\n\
Examples:\n  \
check-thresholds my.toml --thresholds PROFILE=128,384,640,896\n  \
check-thresholds my.toml --header product.h --thresholds PROFILE=profile_limits --compare '<='\n  \
check-thresholds my.toml --window 'PROFILE:herbs=669..889' --window 'PROFILE:cacti=0..68'\n  \
check-thresholds my.toml --bits address=ADDR0,ADDR1,ADDR2 --low address=1\n\n\
Exit codes: 0 all is well, 1 a position can be misread, 4 read right but something is to be put \
right (a gap is missing, a load pin floats), 5 nothing is said of some channel, 2 usage or input.";

/// Checks the thresholds.
pub fn run(options: &Options) -> Result<Exit, Failure> {
    let board = load(&options.board)?;
    let header = options.header.as_deref().map(read_header).transpose()?;
    let mut decodings = options.statements.decodings(&board, header.as_ref())?;
    if let Some(header) = &header {
        // What stands on the command line goes before what the header's own names say.
        for decoding in stated(&board, header)? {
            add(&mut decodings, decoding);
        }
    }
    for decoding in &board.thresholds {
        add(&mut decodings, decoding.clone());
    }
    let check = window::check(&board, &decodings).map_err(|mismatches| {
        let lines: Vec<String> = mismatches.iter().map(|m| m.to_string()).collect();
        Failure::input(lines.join("\n"))
    })?;
    let text = match Form::from(options.format) {
        Form::Text => thresholds::text(&board, &check),
        form => thresholds::table(&board, &check).print(form),
    };
    super::print(&text)?;
    Ok(match check.grade() {
        Grade::Pass => Exit::Pass,
        Grade::Marginal => Exit::Hold,
        Grade::NotTested => Exit::Incomplete,
        Grade::Fail => Exit::Fail,
    })
}

fn read_header(path: &Path) -> Result<CHeader, Failure> {
    let name = path.display().to_string();
    let unusable = |what: String| Failure::input(format!("{name}: {what}"));
    let size = std::fs::metadata(path)
        .map_err(|e| unusable(format!("{e}; give the path of a C header")))?
        .len();
    if size > LARGEST as u64 {
        return Err(unusable(format!("{size} bytes long, a header has at most {LARGEST}")));
    }
    let bytes = std::fs::read(path).map_err(|e| unusable(e.to_string()))?;
    // Comments in another encoding do no harm: only names and numbers are read.
    let text = String::from_utf8_lossy(&bytes);
    CHeader::read(&name, &text).map_err(|e| Failure::input(e.to_string()))
}
