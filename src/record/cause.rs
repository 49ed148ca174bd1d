//! What was found to be wrong with a unit, once somebody has looked: a line for each cause in the
//! lot's `causes.csv`.

use jiff::Timestamp;

use super::column::{Format, columns};

/// The kind of a line which says that somebody looked, and found nothing.
pub const NOTHING: &str = "nothing";

columns! {
    /// A cause that a person has confirmed.
    pub struct Confirmed {
        /// Version of the file.
        format: Format,
        /// Board.
        board: String,
        /// Unit.
        unit: String,
        /// The attempt whose readings it explains.
        attempt: u64,
        /// Kind of defect, by the words of the list of modelled ones.
        kind: String,
        /// What was found, in the owner's words.
        found: String,
        /// When it was written down.
        at: Timestamp,
    }
}
