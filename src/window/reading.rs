//! From the ratio at a pin to a code, error by error: what the root sum of squares and drawn units
//! read with. The worst case has the same errors from `converter`.

use super::settle;
use crate::board::chip::{Chip, Figure, Provenance};
use crate::board::{Board, Channel, Kind, Reference, Setting};

/// A figure that may be off either way.
#[derive(Clone, Copy, Debug)]
pub(super) struct Half {
    /// By how many counts.
    pub counts: f64,
    /// Whether that is less than a limit of the data sheet.
    pub assumed: bool,
}

impl Half {
    fn of(figure: Figure) -> Half {
        Half { counts: figure.worst(), assumed: figure.from != Provenance::Max }
    }
}

/// How one channel is read in one setting.
#[derive(Clone, Debug)]
pub(super) struct Reading {
    chip: std::sync::Arc<Chip>,
    /// Smallest and largest fixed reference, and whether that is a limit; `None` where the
    /// converter refers to the supply.
    pub reference: Option<(f64, f64, bool)>,
    /// Share that is left of the channel read before, and the code up to which that may have been.
    pub left: (f64, f64),
    /// The same error at every code of a unit.
    pub offset: Half,
    /// Error at full scale, in proportion to the code.
    pub gain: Half,
    /// Errors that differ from code to code.
    pub each: Vec<Half>,
}

/// What is not nominal in one reading.
#[derive(Clone, Copy, Debug)]
pub(super) struct Input {
    /// Ratio of the pin to the supply.
    pub ratio: f64,
    /// Supply in volts.
    pub supply: f64,
    /// Fixed reference in volts; not looked at where there is none.
    pub reference: f64,
    /// Where the channel read before was, from 0 to 1.
    pub before: f64,
}

impl Reading {
    /// How a channel is read by the converter; `None` for channels that it does not read.
    pub fn new(board: &Board, setting: &Setting, channel: &Channel) -> Option<Reading> {
        if channel.kind != Kind::Analog {
            return None;
        }
        let chip = &board.chip;
        let none = Half { counts: 0.0, assumed: false };
        let (offset, gain, mut each) = match chip.total {
            Some(total) => (none, none, vec![Half::of(total)]),
            None => {
                let each = vec![Half::of(chip.inl), Half::of(chip.dnl)];
                (Half::of(chip.offset), Half::of(chip.gain), each)
            }
        };
        each.extend(chip.extra.map(Half::of));
        let reference = match board.firmware.reference {
            Reference::Supply => None,
            Reference::Internal(i) => Some((i.low.0, i.high.0, i.from != Provenance::Max)),
            Reference::External(low, _, high) => Some((low.0, high.0, false)),
        };
        let left = settle::settling(board, setting, channel).map_or(0.0, |s| s.left);
        let (_, supply) = board.supply_range();
        let top = chip.scale * (supply.0 / board.reference().0).max(1.0);
        let chip = std::sync::Arc::clone(chip);
        Some(Reading { chip, reference, left: (left, top), offset, gain, each })
    }

    /// The code without errors, neither floored nor held within the scale.
    pub fn code(&self, input: &Input) -> f64 {
        self.chip.reads(self.settled(input))
    }

    fn settled(&self, input: &Input) -> f64 {
        let over = self.reference.map_or(1.0, |_| input.supply / input.reference);
        let meant = input.ratio * over * self.chip.scale;
        let (left, top) = self.left;
        meant + left * (input.before * top - meant)
    }

    /// Share of the gain error at a code.
    pub fn gain_at(&self, code: f64) -> f64 {
        (code / f64::from(self.chip.full_scale)).clamp(0.0, 1.0)
    }

    /// The code, and its slopes in the ratio, the supply, the reference and the channel before.
    pub fn slopes(&self, input: &Input) -> (f64, [f64; 4]) {
        let settled = self.settled(input);
        // A correction is made of straight lines; half a count either way is across a corner at
        // most.
        let steep = self.chip.reads(settled + 0.5) - self.chip.reads(settled - 0.5);
        let kept = steep * (1.0 - self.left.0) * self.chip.scale;
        let (by_ratio, by_supply, by_reference) = match self.reference {
            None => (kept, 0.0, 0.0),
            Some(_) => {
                let over = input.supply / input.reference;
                let by_volt = kept * input.ratio / input.reference;
                (kept * over, by_volt, -by_volt * over)
            }
        };
        let before = steep * self.left.0 * self.left.1;
        (self.chip.reads(settled), [by_ratio, by_supply, by_reference, before])
    }
}
