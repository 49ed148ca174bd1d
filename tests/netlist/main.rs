//! Boards whose parts come from a SPICE netlist or from a bill of materials.

mod against_ngspice;
mod bill;
mod mutation;
mod spice;

use strapwise::board::{self, Board, Problems};

/// A board file round a netlist `board.cir`; `more` goes into its tables.
pub fn board_file(more: &str) -> String {
    format!(
        r#"format = 1
[board]
name = "taps"
revision = "A"
chip = "atmega328p"
[supply]
net = "VCC"
ground = "GND"
volts = "5V"
tolerance = "5%"
source = "bench supply"
aref = "capacitor"
[delivery]
J1 = "1"
[[jumper]]
id = "J1"
positions = [
  {{ name = "1", pins = [1, 2], joins = ["TAP1", "PICK"] }},
  {{ name = "2", pins = [3, 4], joins = ["TAP2", "PICK"] }},
]
[[channel]]
id = "PICK"
net = "PICK"
pin = "PC0"
kind = "analog"
{more}
"#
    )
}

/// Reads a board file with the files given beside it.
pub fn read(board: &str, beside: &[(&str, &str)]) -> Result<Board, Problems> {
    let mut find = |name: &str| {
        let found = beside.iter().find(|(n, _)| *n == name);
        found.map(|(_, text)| text.as_bytes().to_vec()).ok_or_else(|| "not found".to_string())
    };
    board::parse_beside("boards/taps.toml", board.as_bytes(), &mut find)
}

/// The board of a netlist, read with a tolerance of 1 %.
pub fn with_netlist(netlist: &str) -> Result<Board, Problems> {
    let section = "[netlist]\nfile = \"board.cir\"\ntolerance = \"1%\"\n";
    read(&board_file(section), &[("board.cir", netlist)])
}

/// What is wrong, on one page.
pub fn complaint(read: Result<Board, Problems>) -> String {
    read.map(|_| ()).expect_err("no board").to_string()
}
