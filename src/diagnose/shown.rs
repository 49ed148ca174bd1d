//! What a channel shows of a voltage at its pin.

use crate::board::{Board, Level};
use crate::units::Volts;
use crate::window::{adc, level_of};

/// The mean of many conversions, as far as the converter goes: truncation takes half a code off.
pub(super) fn mean_code(board: &Board, volts: Volts) -> f64 {
    (adc::code_at(volts, board) - 0.5).clamp(0.0, f64::from(board.chip.full_scale))
}

/// The level of a voltage by the input levels of the chip, which are shares of its supply, whatever the
/// converter's reference; none between them.
pub(super) fn level(board: &Board, volts: Volts) -> Option<Level> {
    level_of(volts.0 / board.supply.volts.0 * board.chip.scale, &board.chip)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::{Reference, parse};

    #[test]
    fn a_level_is_a_share_of_the_supply_even_where_codes_are_of_a_small_reference() {
        let text = include_str!("../../protocols/vent-controller.toml");
        let mut board = parse("demo", text).expect("a board");
        let fifth = Volts(board.supply.volts.0 / 5.0);
        assert_eq!(level(&board, fifth), Some(Level::Low));
        let before = mean_code(&board, fifth);
        board.firmware.reference = Reference::External(Volts(1.1), Volts(1.1), Volts(1.1));
        assert_eq!(level(&board, fifth), Some(Level::Low));
        assert!(mean_code(&board, fifth) > before, "the codes are of the reference");
    }
}
