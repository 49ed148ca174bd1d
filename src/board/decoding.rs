//! How the product's firmware turns codes and levels into options, as its source says it.
//!
//! Claims of the maker's, to be held against the circuit; nothing else rests on them.

/// One decision of the firmware.
#[derive(Clone, Debug, PartialEq)]
pub enum Decoding {
    /// An analog channel, its scale cut into ranges by thresholds.
    Thresholds {
        /// Channel index.
        channel: usize,
        /// The thresholds in raw counts; a fraction compares as it stands.
        codes: Vec<f64>,
        /// How a code is compared with each of them.
        compare: Compare,
        /// What each range stands for, in the order of `codes`: an option, a position such as
        /// `J1=3`, or `none`. Empty: the positions in the order of their nominal codes.
        options: Vec<String>,
    },
    /// An analog channel with a window for each option; what no window holds is no option.
    Windows {
        /// Channel index.
        channel: usize,
        /// In the order in which the firmware asks; of two that overlap the first one takes.
        windows: Vec<CodeWindow>,
    },
    /// Digital channels that make a number.
    Bits {
        /// Index of the option set.
        set: usize,
        /// Channel indices, the one of least weight first.
        channels: Vec<usize>,
        /// Whether a low pin counts as 1.
        low_is_one: bool,
        /// The options in the order of the numbers from 0. Empty: the options are the numbers.
        options: Vec<String>,
    },
    /// Digital channels compared with a pattern for each row of the option set.
    Patterns {
        /// Index of the option set.
        set: usize,
        /// By row of the option set. Bit `i` is the level, high for 1, of the `i`-th digital
        /// channel of the set; a bit that is 0 in `mask` does not matter.
        rows: Vec<Pattern>,
    },
}

impl Decoding {
    /// The analog channel that it is about.
    pub fn channel(&self) -> Option<usize> {
        match self {
            Decoding::Thresholds { channel, .. } | Decoding::Windows { channel, .. } => {
                Some(*channel)
            }
            Decoding::Bits { .. } | Decoding::Patterns { .. } => None,
        }
    }

    /// The set of options whose digital channels it is about.
    pub fn set(&self) -> Option<usize> {
        match self {
            Decoding::Bits { set, .. } | Decoding::Patterns { set, .. } => Some(*set),
            Decoding::Thresholds { .. } | Decoding::Windows { .. } => None,
        }
    }
}

/// A comparison of a code with a threshold, the code on the left.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Compare {
    /// `code < threshold` (or `>=`): the threshold belongs to the range above it.
    #[default]
    Below,
    /// `code <= threshold` (or `>`): the threshold belongs to the range beneath it.
    UpTo,
}

impl Compare {
    /// From the operator that stands in the firmware's source.
    pub fn from_operator(operator: &str) -> Option<Compare> {
        match operator {
            "<" | ">=" => Some(Compare::Below),
            "<=" | ">" => Some(Compare::UpTo),
            _ => None,
        }
    }

    /// The last whole code beneath a threshold; -1 when there is none.
    pub fn last_below(self, threshold: f64) -> i64 {
        let last = match self {
            Compare::Below => threshold.ceil() - 1.0,
            Compare::UpTo => threshold.floor(),
        };
        last.max(-1.0) as i64
    }
}

/// Codes that the firmware takes for an option, both ends belonging to them.
#[derive(Clone, Debug, PartialEq)]
pub struct CodeWindow {
    /// An option or a position such as `J1=3`.
    pub option: String,
    /// Lowest code.
    pub low: f64,
    /// Highest code.
    pub high: f64,
}

/// Levels that the firmware looks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pattern {
    /// Bits that matter.
    pub mask: u64,
    /// The levels of these.
    pub bits: u64,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_at_the_threshold_goes_where_the_operator_puts_it() {
        for (operator, threshold, last) in [
            ("<", 128.0, 127),
            (">=", 128.0, 127),
            ("<=", 128.0, 128),
            (">", 128.0, 128),
            ("<", 127.875, 127),
            ("<=", 127.875, 127),
            ("<", 0.0, -1),
            ("<=", -3.0, -1),
        ] {
            let compare = Compare::from_operator(operator).expect("an operator of C");
            assert_eq!(compare.last_below(threshold), last, "code {operator} {threshold}");
        }
        assert_eq!(Compare::from_operator("=="), None);
    }
}
