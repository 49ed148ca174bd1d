//! How likely each kind of defect is in the maker's shop, where the board file says it.

/// Kinds of defects, by the words of the list of modelled ones.
pub const KINDS: [&str; 21] = [
    "resistor open",
    "resistor shorted",
    "resistor of another value",
    "resistor out of tolerance",
    "resistors swapped",
    "shunt without contact",
    "shunt with poor contact",
    "header pins bridged",
    "headers bridged",
    "second shunt on a header",
    "positions counted from the wrong end",
    "headers taken for each other",
    "chip pin open",
    "chip pin stuck",
    "leak at a chip pin",
    "chip pins bridged",
    "pull-up missing",
    "switch never closes",
    "switch never opens",
    "load draws nothing",
    "load draws too much",
];

/// What may be wrong besides a unit's circuit, by the words of the coverage and, of the last two, for
/// what the check of the product's thresholds finds though every position is read right.
pub const BESIDES: [&str; 6] = [
    "supply wrong",
    "reference wrong",
    "shunt not the unit's own",
    "product threshold wrong",
    GAP,
    IN_RESET,
];

/// Two options of a channel that share a threshold.
pub const GAP: &str = "options without a gap";

/// An output that nothing holds off while the microcontroller is in reset.
pub const IN_RESET: &str = "load not held off in reset";

/// Weights that may be stated; those beyond are slips of the hand.
pub const WEIGHTS: std::ops::RangeInclusive<f64> = 0.001..=1000.0;

/// Odds that the board file states: kind and weight, for each part, joint or header that can have
/// it. Kinds that it does not name keep the weight of the program.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Odds(pub Vec<(&'static str, f64)>);

impl Odds {
    /// The weight of a kind, where it is stated.
    pub fn of(&self, kind: &str) -> Option<f64> {
        self.0.iter().find(|(k, _)| *k == kind).map(|&(_, weight)| weight)
    }
}
