//! A bill of materials.

use super::table::{Cell, Form, Table};
use crate::board::template::{Part, PartKind};
use crate::units::Ratio;

/// The bill as CSV: a line for each kind and value of parts, in the order in which they first
/// come. A shunt has no designator; it goes with any header.
pub fn csv(parts: &[Part]) -> String {
    let alike =
        |a: &Part, b: &Part| a.kind == b.kind && a.value == b.value && a.tolerance == b.tolerance;
    let mut groups: Vec<Vec<&Part>> = Vec::new();
    for part in parts {
        match groups.iter_mut().find(|g| alike(g[0], part)) {
            Some(group) => group.push(part),
            None => groups.push(vec![part]),
        }
    }
    let mut table = Table::new(&["designators", "quantity", "kind", "value", "tolerance"]);
    for group in groups {
        let ids: Vec<&str> = match group[0].kind {
            PartKind::Shunt => Vec::new(),
            _ => group.iter().map(|p| p.id.as_str()).collect(),
        };
        table.rows.push(vec![
            ids.join(" ").into(),
            Cell::number(Some(group.len() as f64), 0),
            group[0].kind.word().into(),
            group[0].value.as_str().into(),
            group[0].tolerance.map_or(Cell::Missing, |t| share(t).into()),
        ]);
    }
    table.print(Form::Csv)
}

fn share(tolerance: Ratio) -> String {
    tolerance.to_string().replace(' ', "")
}
