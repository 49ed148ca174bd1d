//! A board with what the bench works out of it again and again.
//!
//! Bands and waiting times take long to compute and are the same for every reading of a setting and
//! for every unit of a lot, so they are worked out once. Nothing here differs from what
//! [`window::expect`] says.

use super::sweep::Waits;
use crate::board::{Board, Setting};
use crate::circuit;
use crate::window::{self, Expected, Windows};
use std::collections::HashMap;
use std::ops::Deref;
use std::sync::{Arc, Mutex, PoisonError};

/// A board and its windows, made once for all units of a lot.
#[derive(Debug)]
pub struct Design {
    board: Arc<Board>,
    windows: Arc<Windows>,
    /// Channels that each jumper has a part in.
    sees: Vec<Vec<usize>>,
    /// How long each channel takes to rest.
    waits: Vec<Waits>,
    expected: Mutex<HashMap<Setting, Shown>>,
}

/// By channel: what it shows in one setting, first with its switches closed, then at rest.
type Shown = Vec<[Option<Arc<Expected>>; 2]>;

impl Design {
    /// A board with the windows that were computed for it.
    pub fn new(board: Arc<Board>, windows: Arc<Windows>) -> Design {
        let groups = circuit::groups(&board);
        let sees = (0..board.jumpers.len()).map(|jumper| {
            let nets = groups.iter().filter(|g| g.jumpers.contains(&jumper));
            let nets: Vec<_> = nets.flat_map(|g| g.nets.iter().copied()).collect();
            let with = |&c: &usize| nets.contains(&board.channels[c].net);
            (0..board.channels.len()).filter(with).collect()
        });
        let sees = sees.collect();
        let waits = (0..board.channels.len()).map(|c| Waits::of(&board, c)).collect();
        Design { board, windows, sees, waits, expected: Mutex::default() }
    }

    /// The board alone.
    pub fn board(&self) -> &Arc<Board> {
        &self.board
    }

    /// The windows of the board.
    pub fn windows(&self) -> &Arc<Windows> {
        &self.windows
    }

    /// Channels that a jumper has a part in.
    pub(super) fn sees(&self, jumper: usize) -> &[usize] {
        &self.sees[jumper]
    }

    /// Whether a jumper has a part in a channel.
    pub(super) fn is_moved(&self, channel: usize) -> bool {
        self.sees.iter().any(|channels| channels.contains(&channel))
    }

    /// How long a channel takes to rest.
    pub(super) fn waits(&self, channel: usize) -> &Waits {
        &self.waits[channel]
    }

    /// What a channel shows in a setting, with its switches closed; see [`window::expect`].
    pub(super) fn expect(&self, setting: &Setting, channel: usize) -> Arc<Expected> {
        self.known(setting, channel, false)
    }

    /// The same while its switches rest.
    pub(super) fn expect_at_rest(&self, setting: &Setting, channel: usize) -> Arc<Expected> {
        self.known(setting, channel, true)
    }

    fn known(&self, setting: &Setting, channel: usize, rests: bool) -> Arc<Expected> {
        let mut known = self.expected.lock().unwrap_or_else(PoisonError::into_inner);
        if !known.contains_key(setting) {
            known.insert(setting.clone(), vec![[None, None]; self.board.channels.len()]);
        }
        let anew = || {
            Arc::new(match rests {
                true => window::expect_closed(&self.board, setting, channel, &[]),
                false => window::expect(&self.board, setting, channel),
            })
        };
        match known.get_mut(setting) {
            Some(channels) => {
                channels[channel][usize::from(rests)].get_or_insert_with(anew).clone()
            }
            None => anew(),
        }
    }
}

impl Deref for Design {
    type Target = Board;

    fn deref(&self) -> &Board {
        &self.board
    }
}
