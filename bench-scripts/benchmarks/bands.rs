//! How long the bands of a large board take: all single-jumper settings, every channel, nominal
//! values and all bands.

#[macro_use]
mod tell;
mod boards;

use std::time::Instant;
use strapwise::board::{Setting, parse};
use strapwise::window::expect;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let board = parse("twelve-jumpers.toml", &boards::twelve_jumpers())?;
    let mut settings: Vec<Setting> = vec![board.delivery.clone()];
    for (j, jumper) in board.jumpers.iter().enumerate() {
        let places = jumper.places();
        settings.extend(places.iter().map(|&place| board.delivery.with(j, place)));
    }
    settings.sort();
    settings.dedup();
    let (jumpers, resistors) = (board.jumpers.len(), board.resistors.len());
    let channels = board.channels.len();
    tell!("{jumpers} jumpers, {resistors} resistors, {} settings", settings.len());
    let mut times: Vec<f64> = Vec::new();
    let mut sum = 0.0;
    for _ in 0..11 {
        let start = Instant::now();
        for setting in &settings {
            for channel in 0..channels {
                sum += expect(&board, setting, channel).design.high;
            }
        }
        times.push(start.elapsed().as_secs_f64() * 1e3);
    }
    times.sort_by(f64::total_cmp);
    let bands = settings.len() * channels * 3;
    tell!("{bands} bands in {:.1} ms (median of 11; best {:.1} ms)", times[5], times[0]);
    tell!("check sum {sum:.3}");
    Ok(())
}
