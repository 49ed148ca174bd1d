//! An order list: which unit leaves with which setting.

use super::{Failure, read_bytes, setting};
use crate::board::{Board, Setting, ids};
use crate::record::csv;
use std::path::Path;

/// Longest note in characters.
const LONGEST: usize = 200;

/// One line of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Order {
    /// Line in the file, from 1.
    pub line: u64,
    /// Serial number.
    pub unit: String,
    /// How the unit leaves.
    pub setting: Setting,
    /// What else is said of it; empty when nothing is.
    pub note: String,
}

/// The list, and what messages call it.
#[derive(Clone, Debug)]
pub struct Orders {
    name: String,
    orders: Vec<Order>,
}

impl Orders {
    /// Reads a list: a header line that names the columns `unit`, `setting` and, where wanted,
    /// `note`; then a line for each unit. A setting is as for `--deliver`; an empty one is the board
    /// file's.
    ///
    /// # Errors
    /// The first line that cannot be used, with its number.
    pub fn read(board: &Board, path: &Path) -> Result<Orders, Failure> {
        let name = path.display().to_string();
        let bytes = read_bytes(path, "an order list")?;
        let column = |column: &'static str| {
            csv::column(&name, &bytes, column).map_err(|e| Failure::input(e.to_string()))
        };
        let (units, settings) = (column("unit")?, column("setting")?);
        // Lines are no CSV at all, or this column is not there: the first two told the former.
        let notes = column("note").unwrap_or_default();
        let at = |cells: &[(u64, String)], line: u64| {
            cells.iter().find(|(l, _)| *l == line).map(|(_, cell)| cell.clone())
        };
        let mut list = Orders { name, orders: Vec::new() };
        for (line, unit) in &units {
            let (setting, note) = (at(&settings, *line), at(&notes, *line).unwrap_or_default());
            let order = list.order(board, *line, unit, setting.as_deref(), note)?;
            list.orders.push(order);
        }
        let nameless = settings.iter().find(|(line, _)| at(&units, *line).is_none());
        if let Some((line, _)) = nameless {
            return Err(list.wrong(*line, "a setting without a unit; write its serial number"));
        }
        if list.orders.is_empty() {
            let what = format!("{}: it lists no unit; write a line for each", list.name);
            return Err(Failure::input(what));
        }
        Ok(list)
    }

    fn order(
        &self,
        board: &Board,
        line: u64,
        unit: &str,
        setting: Option<&str>,
        note: String,
    ) -> Result<Order, Failure> {
        if let Err(why) = ids::check_file_id(unit) {
            return Err(self.wrong(line, &format!("unit '{unit}': {why}")));
        }
        let taken = self.orders.iter().find(|order| order.unit.eq_ignore_ascii_case(unit));
        if let Some(order) = taken {
            let first = order.line;
            let what =
                format!("unit '{unit}' stands in line {first} already; take one of them out");
            return Err(self.wrong(line, &what));
        }
        if note.chars().count() > LONGEST || note.chars().any(char::is_control) {
            let what = format!("write the note in one line of {LONGEST} characters at most");
            return Err(self.wrong(line, &what));
        }
        let setting = match setting {
            None => board.delivery.clone(),
            Some(text) => setting::delivery(board, &format!("{}, line {line}", self.name), text)?,
        };
        Ok(Order { line, unit: unit.to_string(), setting, note })
    }

    fn wrong(&self, line: u64, what: &str) -> Failure {
        Failure::input(format!("{}, line {line}: {what}", self.name))
    }

    /// The order for a unit.
    ///
    /// # Errors
    /// When the list has none.
    pub fn of(&self, unit: &str) -> Result<&Order, Failure> {
        self.orders.iter().find(|order| order.unit == unit).ok_or_else(|| {
            Failure::input(format!(
                "unit '{unit}' is not in {}; look at the serial number, or add a line for it",
                self.name
            ))
        })
    }
}
