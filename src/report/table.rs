//! One table, printed for people, for spreadsheets or for programs.

use serde_json::{Map, Value};
use std::borrow::Cow;

/// How a table is printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Form {
    /// Aligned columns.
    #[default]
    Text,
    /// RFC 4180.
    Csv,
    /// A JSON array of objects.
    Json,
}

/// A cell: numbers stay numbers in JSON, a missing figure is empty and `null`.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    /// Words.
    Text(String),
    /// A number with the decimals to print.
    Number(f64, usize),
    /// Nothing is known.
    Missing,
}

impl Cell {
    /// A number, or a missing figure; infinite is missing too.
    pub fn number(x: Option<f64>, decimals: usize) -> Cell {
        match x {
            Some(x) if x.is_finite() => Cell::Number(x, decimals),
            _ => Cell::Missing,
        }
    }

    /// Words; none at all are missing.
    pub fn text(text: impl Into<String>) -> Cell {
        match text.into() {
            none if none.is_empty() => Cell::Missing,
            some => Cell::Text(some),
        }
    }

    /// As printed, a missing figure by a sign of the reader's.
    fn printed(&self, missing: &str) -> String {
        match self {
            Cell::Text(text) => text.clone(),
            Cell::Number(x, decimals) => format!("{x:.decimals$}"),
            Cell::Missing => missing.to_string(),
        }
    }

    /// Characters that it takes in a column.
    pub fn width(&self) -> usize {
        self.printed("-").chars().count()
    }

    fn json(&self) -> Value {
        match self {
            Cell::Text(text) => Value::from(text.clone()),
            Cell::Number(x, decimals) => {
                let scale = 10f64.powi(*decimals as i32);
                Value::from((x * scale).round() / scale)
            }
            Cell::Missing => Value::Null,
        }
    }
}

impl From<&str> for Cell {
    fn from(text: &str) -> Cell {
        Cell::Text(text.to_string())
    }
}

impl From<String> for Cell {
    fn from(text: String) -> Cell {
        Cell::Text(text)
    }
}

/// Column names and rows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Table {
    /// Names for programs; people see them with spaces for underscores.
    pub columns: Vec<Cow<'static, str>>,
    /// As many cells in each as there are columns.
    pub rows: Vec<Vec<Cell>>,
}

impl Table {
    /// An empty table.
    pub fn new(columns: &[&'static str]) -> Table {
        Table { columns: columns.iter().map(|&c| c.into()).collect(), rows: Vec::new() }
    }

    /// The table as text in the form asked for, with a line end after the last row.
    pub fn print(&self, form: Form) -> String {
        match form {
            Form::Text => self.aligned(),
            Form::Csv => self.csv(),
            Form::Json => {
                let object = |row: &Vec<Cell>| {
                    let pairs = self.columns.iter().zip(row);
                    let map: Map<String, Value> =
                        pairs.map(|(name, cell)| (name.to_string(), cell.json())).collect();
                    Value::from(map)
                };
                let rows: Vec<Value> = self.rows.iter().map(object).collect();
                format!("{:#}\n", Value::from(rows))
            }
        }
    }

    fn csv(&self) -> String {
        let header: Vec<String> = self.columns.iter().map(|c| c.to_string()).collect();
        let rows = self.rows.iter().map(|row| row.iter().map(|c| c.printed("")).collect());
        let bytes = crate::record::csv::lines(std::iter::once(header).chain(rows));
        String::from_utf8_lossy(&bytes).into_owned()
    }

    fn aligned(&self) -> String {
        let names: Vec<String> = self.columns.iter().map(|c| c.replace('_', " ")).collect();
        // People take an empty place for a slip of the printer's.
        let row = |row: &Vec<Cell>| row.iter().map(|c| c.printed("-")).collect();
        let cells: Vec<Vec<String>> = self.rows.iter().map(row).collect();
        let wide = |c: usize| {
            let lengths = cells.iter().map(|row| row[c].chars().count());
            lengths.chain([names[c].chars().count()]).max().unwrap_or(0)
        };
        let widths: Vec<usize> = (0..names.len()).map(wide).collect();
        let right = |c: usize| self.rows.iter().any(|row| matches!(row[c], Cell::Number(..)));
        let mut text = line(&names, &widths, &|_| false);
        for (row, kinds) in cells.iter().zip(&self.rows) {
            text += &line(row, &widths, &|c| right(c) && !matches!(kinds[c], Cell::Text(_)));
        }
        text
    }
}

fn line(cells: &[String], widths: &[usize], right: &dyn Fn(usize) -> bool) -> String {
    let mut text = String::new();
    for (c, cell) in cells.iter().enumerate() {
        let pad = " ".repeat(widths[c].saturating_sub(cell.chars().count()));
        match right(c) {
            true => text += &format!("{pad}{cell}"),
            false => text += &format!("{cell}{pad}"),
        }
        text += "  ";
    }
    format!("{}\n", text.trim_end())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_missing_is_an_empty_cell_to_programs_and_a_sign_to_people() {
        let mut table = Table::new(&["option", "gap"]);
        table.rows.push(vec![Cell::text(""), Cell::number(None, 0)]);
        table.rows.push(vec![Cell::text("herbs"), Cell::number(Some(21.0), 0)]);
        assert_eq!(table.print(Form::Csv), "option,gap\r\n,\r\nherbs,21\r\n");
        let json: Value = serde_json::from_str(&table.print(Form::Json)).expect("it is JSON");
        assert!(json[0]["option"].is_null() && json[0]["gap"].is_null(), "{json}");
        assert_eq!(table.print(Form::Text), "option  gap\n-         -\nherbs    21\n");
    }
}
