//! A setting on the command line: `J1=3 J2=open`.

use super::Failure;
use crate::board::{Board, Place, Setting};

/// `J1=3 J2=open`, with blanks or commas between, or `delivery`. `option` is what messages call it.
///
/// # Errors
/// A jumper or a place that the board has not, and a jumper named twice.
pub fn places(board: &Board, option: &str, text: &str) -> Result<Vec<(usize, Place)>, Failure> {
    if text == "delivery" {
        return Ok(board.delivery.0.iter().copied().enumerate().collect());
    }
    let words = text.split([' ', ',']).filter(|w| !w.is_empty());
    let mut named: Vec<(usize, Place)> = Vec::new();
    for word in words {
        let (jumper, place) = place(board, option, word)?;
        if named.iter().any(|(earlier, _)| *earlier == jumper) {
            let id = &board.jumpers[jumper].id;
            return Err(Failure::input(format!(
                "{option} '{text}': {id} is named twice; take one of the two out"
            )));
        }
        named.push((jumper, place));
    }
    Ok(named)
}

fn place(board: &Board, option: &str, word: &str) -> Result<(usize, Place), Failure> {
    let wrong = |advice: String| Failure::input(format!("{option} '{word}': {advice}"));
    let (id, name) =
        word.split_once('=').ok_or_else(|| wrong("write jumper=place, for example J1=3".into()))?;
    let jumper = board.jumper(id).ok_or_else(|| {
        let known: Vec<&str> = board.jumpers.iter().map(|j| j.id.as_str()).collect();
        wrong(format!("no jumper {id}; there are {}", known.join(", ")))
    })?;
    let place = board.jumpers[jumper]
        .place(name)
        .ok_or_else(|| wrong(format!("{id} has the places {}", known_places(board, jumper))))?;
    Ok((jumper, place))
}

fn known_places(board: &Board, jumper: usize) -> String {
    let j = &board.jumpers[jumper];
    let known: Vec<&str> = j.places().into_iter().map(|p| j.place_name(p)).collect();
    known.join(", ")
}

/// How a unit leaves: the board file's delivery setting with the places named put over it.
///
/// # Errors
/// A jumper named twice, or left where the board file has no place for its shunt.
pub fn delivery(board: &Board, option: &str, text: &str) -> Result<Setting, Failure> {
    let named = places(board, option, text)?;
    if named.is_empty() {
        return Err(Failure::input(format!("{option} '{text}': name a jumper, for example J1=3")));
    }
    let mut setting = board.delivery.clone();
    for &(jumper, place) in &named {
        let j = &board.jumpers[jumper];
        let wrong = |advice: String| Err(Failure::input(format!("{option} '{text}': {advice}")));
        if !j.places().contains(&place) {
            let known = known_places(board, jumper);
            return wrong(format!(
                "{} is never without a shunt in the board file; its places are {known}",
                j.id
            ));
        }
        setting = setting.with(jumper, place);
    }
    Ok(setting)
}
