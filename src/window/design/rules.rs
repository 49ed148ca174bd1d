//! What a choice is judged by: corners of the parts, codes of the converter, limits.

use super::Request;
use crate::board::Board;
use crate::board::chip::Point;
use crate::window::{Band, converter, converter_error, design_spread};

/// A ratio that leaves no doubt: leakage may take this share of the supply at most, so that it
/// never decides which corner of the parts is the extreme.
const MOST_LEAKAGE: f64 = 0.1;

/// The corners and limits of a request.
#[derive(Clone, Debug)]
pub(super) struct Rules {
    board: Board,
    /// Smallest and largest value of a resistor over its nominal one.
    pub low: f64,
    pub high: f64,
    /// Largest resistance of a seated contact, in ohms.
    pub contact: f64,
    /// Largest shift of the ratio for each ohm that leakage flows through.
    leak: f64,
    /// Largest value of the resistor at the pin, in ohms.
    input: f64,
    /// Least nominal resistance between the rails, in ohms, by the current limit.
    pub least: f64,
    /// Most nominal source resistance ahead of the resistor at the pin, in ohms.
    pub source: f64,
    /// The values in stock, in ohms, ascending, each once.
    pub stock: Vec<f64>,
}

impl Rules {
    /// Takes the corners from a board of the kind asked for, as its bands will have them.
    pub fn new(request: &Request, board: &Board) -> Result<Rules, String> {
        let spread = design_spread(board, false);
        let nominal = board.resistors.first().map_or(1.0, |r| r.ohms.0);
        let (low, high) = spread.resistors.first().map_or((1.0, 1.0), |r| (r.0.0, r.1.0));
        let (low, high) = (low / nominal, high / nominal);
        let input = request.input.map_or(0.0, |r| r.0 * high);
        let limit = request.source.0;
        let leak = spread.leakage.0 / spread.supply.0.0;
        if input >= limit {
            return Err(format!(
                "the resistor at the pin alone has {input:.0} ohm at worst, the source resistance \
                 may be {limit:.0} ohm; take a smaller one or raise the limit"
            ));
        }
        if leak * limit > MOST_LEAKAGE {
            return Err(format!(
                "leakage through a source resistance of {limit:.0} ohm moves the pin by {:.0} % of \
                 the supply; lower the limit",
                100.0 * leak * limit
            ));
        }
        let least = spread.supply.1.0 / request.current.0 / low;
        if leak * least > MOST_LEAKAGE {
            return Err(format!(
                "leakage through the {least:.0} ohm that the current limit asks for moves the pin \
                 by {:.0} % of the supply; raise the limit",
                100.0 * leak * least
            ));
        }
        let mut stock: Vec<f64> = request.stock.iter().map(|r| r.0).collect();
        stock.sort_by(f64::total_cmp);
        stock.dedup();
        Ok(Rules {
            board: board.clone(),
            low,
            high,
            contact: spread.contact.1.0,
            leak,
            input,
            least,
            source: (limit - input) / high,
            stock,
        })
    }

    /// Lowest code of a pin whose voltage over the supply is `ratio` from `ohms` ahead of the
    /// resistor at the pin, both at the corner.
    pub fn low_code(&self, ratio: f64, ohms: f64) -> f64 {
        let shifted = ratio - self.leak * (ohms + self.input);
        edges(&self.board, shifted, shifted).0
    }

    /// The highest.
    pub fn high_code(&self, ratio: f64, ohms: f64) -> f64 {
        let shifted = ratio + self.leak * (ohms + self.input);
        edges(&self.board, shifted, shifted).1
    }

    /// Codes of a pin joined to ground and to the supply directly: the edge towards the other.
    pub fn rail_codes(&self) -> (f64, f64) {
        (edges(&self.board, 0.0, 0.0).1, edges(&self.board, 1.0, 1.0).0)
    }

    /// Whether a code grows otherwise than in proportion to the voltage.
    fn bent(&self) -> bool {
        let chip = &self.board.chip;
        !chip.correction.is_empty() || chip.usable.0.0 > 0.0 || chip.usable.1.0 < 1.0
    }

    /// More codes than can lie between the bands of two ratios, `low` lowered and `high` raised to
    /// their corners, where the converter is not straight; `None` where it is.
    ///
    /// As if the steepest stretch of the converter were all of it, with the smallest of its errors
    /// and no leakage. Holds where the result is above zero.
    pub fn majorant(&self, raised: f64, lowered: f64) -> Option<f64> {
        let chip = &self.board.chip;
        let slope = |p: &[Point]| (p[1].read - p[0].read) / (p[1].meant - p[0].meant);
        // Beyond its points a converter is as far off as at the last, so it is straight there.
        let steepest = chip.correction.windows(2).map(slope).fold(1.0, f64::max);
        let errors = 2.0 * converter_error(0.0, chip) + 1.0;
        self.bent().then(|| steepest * (lowered - raised) * chip.scale - errors)
    }

    /// Codes from one end of the scale to the other.
    pub fn span(&self) -> f64 {
        f64::from(self.board.chip.full_scale)
    }
}

/// Lowest and highest code of a voltage between two ratios of the supply, as the design bands have
/// it: the converter's errors and the truncation included.
pub(super) fn edges(board: &Board, low: f64, high: f64) -> (f64, f64) {
    let scale = board.chip.scale;
    let band = converter::read(board, Band { low: low * scale, high: high * scale });
    (band.low, band.high)
}
