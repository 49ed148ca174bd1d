//! Circuits of the nominal unit, each solved once: group by group, since what one group of jumpers
//! holds does not depend on the places of the others.

use crate::board::{Board, Place, Setting};
use crate::circuit::{Group, Parts, Response};
use std::cell::RefCell;
use std::collections::HashMap;
use std::rc::Rc;

/// Places of a group's jumpers and the switches closed, with the number of the group.
type Wiring = (usize, Vec<Place>, Vec<usize>);

/// Solved circuits by what they depend on.
#[derive(Debug)]
pub(super) struct Solved {
    by_group: RefCell<HashMap<Wiring, Rc<Response>>>,
    /// Several groups as one circuit, the last that was asked for: the next question is mostly of
    /// another defect in the same setting.
    last: RefCell<Option<(Vec<Wiring>, Rc<Response>)>>,
}

impl Solved {
    pub fn new() -> Solved {
        Solved { by_group: RefCell::default(), last: RefCell::default() }
    }

    /// The circuit of one group in a setting; nets outside it are not in it.
    pub fn of_group(
        &self,
        board: &Board,
        (number, group): (usize, &Group),
        setting: &Setting,
        closed: &[usize],
    ) -> Rc<Response> {
        let key = wiring((number, group), setting, closed);
        self.of_wiring(board, group, setting, key)
    }

    /// The circuit of several groups, which a defect joins; their parts are put together, none is
    /// solved again.
    pub fn of_groups<'g>(
        &self,
        board: &Board,
        groups: impl Iterator<Item = (usize, &'g Group)>,
        setting: &Setting,
        closed: &[usize],
    ) -> Option<Rc<Response>> {
        let groups: Vec<(usize, &Group)> = groups.collect();
        if let [one] = groups[..] {
            return Some(self.of_group(board, one, setting, closed));
        }
        let keys: Vec<Wiring> = groups.iter().map(|&g| wiring(g, setting, closed)).collect();
        if let Some((known, response)) = &*self.last.borrow()
            && *known == keys
        {
            return Some(response.clone());
        }
        let each = groups.iter().zip(&keys);
        let one = |((_, group), key): (&(usize, &Group), &Wiring)| {
            self.of_wiring(board, group, setting, key.clone())
        };
        let joined = each.map(one).reduce(|a, b| Rc::new(a.beside(&b)))?;
        *self.last.borrow_mut() = Some((keys, joined.clone()));
        Some(joined)
    }

    fn of_wiring(
        &self,
        board: &Board,
        group: &Group,
        setting: &Setting,
        key: Wiring,
    ) -> Rc<Response> {
        if let Some(known) = self.by_group.borrow().get(&key) {
            return known.clone();
        }
        let parts = Parts::nominal(board);
        let new = Rc::new(Response::within(board, &parts, setting, &key.2, &group.nets));
        self.by_group.borrow_mut().insert(key, new.clone());
        new
    }
}

fn wiring((number, group): (usize, &Group), setting: &Setting, closed: &[usize]) -> Wiring {
    (number, group.jumpers.iter().map(|&j| setting.0[j]).collect(), closed.to_vec())
}
