//! The record of one attempt at a unit: rows, their columns, and the CSV they are kept in.
//!
//! Plain data and bytes. Times are handed in; files are the store's.

pub mod calibration;
pub mod cause;
pub mod column;
pub mod csv;
pub mod fold;
pub mod former;
pub mod led;
pub mod live;
pub mod release;
pub mod resume;
pub mod row;

pub use self::csv::Problem;
pub use row::{Head, Row, RowKind};

/// What is known of one attempt: its file's name and what could be read of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    /// Board, by the file's folder.
    pub board: String,
    /// Lot, by the file's folder.
    pub lot: String,
    /// Name of the file.
    pub file: String,
    /// Unit, by the file's name.
    pub unit: String,
    /// Attempt, by the file's name.
    pub attempt: u64,
    /// The rows, in the order written.
    pub rows: Vec<Row>,
    /// Why the rows could not be read, if so; then `rows` is empty.
    pub problem: Option<Problem>,
}
