//! `emulated-board`: the probe's firmware on an emulated chip, on a described board, on a port.
//!
//! SPDX-License-Identifier: GPL-3.0-or-later

use emulated_board::{Assembled, Emulator, HERTZ, Hands, Image, Pace, Part, serve};
use std::io::{BufRead, stdin, stdout};
use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::mpsc::channel;

const USAGE: &str = "usage: emulated-board --board FILE.toml --firmware FILE.hex [--seed N] \
                     [--clock HERTZ] [--pace real|free] [--plant 'DEFECT']...\n\
                     prints `port NAME`, then reads commands: J1=3, reset, unplug, quit";

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(what) => {
            eprintln!("emulated-board: {what}");
            ExitCode::from(2)
        }
    }
}

fn run() -> Result<(), String> {
    let (mut board, mut firmware, mut seed, mut pace) = (None, None, 1, Pace::Free);
    let mut clock = HERTZ;
    let mut defects = Vec::new();
    let mut arguments = std::env::args().skip(1);
    while let Some(name) = arguments.next() {
        let value = arguments.next().ok_or(USAGE)?;
        match name.as_str() {
            "--board" => board = Some(value),
            "--firmware" => firmware = Some(value),
            "--seed" => seed = value.parse().map_err(|_| format!("--seed {value}: no number"))?,
            "--clock" => {
                clock = value.parse().map_err(|_| format!("--clock {value}: no number"))?
            }
            "--pace" if value == "real" => pace = Pace::Real,
            "--pace" if value == "free" => pace = Pace::Free,
            "--plant" => defects.push(value),
            _ => return Err(USAGE.into()),
        }
    }
    let board = board.ok_or(USAGE)?;
    let text = std::fs::read_to_string(&board).map_err(|e| format!("{board}: {e}"))?;
    let board = strapwise::board::parse(&board, &text).map_err(|e| e.to_string())?;
    let mut unit = Assembled::new(Arc::new(board), seed);
    for defect in defects {
        unit.command(&format!("plant {defect}"))?;
    }
    let image = Image::read(Path::new(&firmware.ok_or(USAGE)?)).map_err(|e| e.to_string())?;
    let emulator =
        Emulator::at(clock, Part::Atmega328p, &image, unit).map_err(|e| e.to_string())?;
    let (send, commands) = channel();
    std::thread::spawn(move || {
        for line in stdin().lock().lines().map_while(Result::ok) {
            if send.send(line).is_err() {
                return;
            }
        }
    });
    serve(emulator, pace, &commands, &mut stdout()).map_err(|e| e.to_string())
}
