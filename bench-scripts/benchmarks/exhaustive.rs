//! The shortest way through one group of jumpers by going through everything, move by move: what
//! the planner is held against. It asks the library what a setting shows, and nothing of its
//! planner.

use std::collections::{HashMap, HashSet};
use strapwise::board::{Board, Kind, Place, Setting};
use strapwise::circuit::{self, Group, Parts};
use strapwise::faults::{self, Views};
use strapwise::window::Windows;

/// What the exhaustive search found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shortest {
    /// So many moves, and no way is shorter.
    Moves(usize),
    /// More states than were to be gone through.
    TooMany,
}

/// Every setting of a group's jumpers, the others as delivered, that does not short the supply.
fn settings(board: &Board, group: &Group) -> Vec<Setting> {
    let mut all = vec![board.delivery.clone()];
    for &j in &group.jumpers {
        let positions = (0..board.jumpers[j].positions.len()).map(Place::At);
        let places: Vec<Place> = positions.chain([Place::Open]).collect();
        all = all.iter().flat_map(|s| places.iter().map(move |&p| s.with(j, p))).collect();
    }
    let parts = Parts::nominal(board);
    all.retain(|s| circuit::short(board, &parts, s, &[]).is_none());
    all
}

/// By want, the indices of the settings that meet it; sets that contain another are left out.
fn wants(board: &Board, windows: &Windows, group: &Group, settings: &[Setting]) -> Vec<Vec<usize>> {
    let which = |holds: &dyn Fn(&Setting) -> bool| -> Vec<usize> {
        (0..settings.len()).filter(|&s| holds(&settings[s])).collect()
    };
    let mut wants = Vec::new();
    for &j in &group.jumpers {
        for place in board.jumpers[j].places() {
            wants.push(which(&|s| s.0[j] == place));
        }
    }
    let inside = |&c: &usize| {
        let of = &board.channels[c];
        group.nets.contains(&of.net) && !matches!(of.kind, Kind::Meter { .. })
    };
    let channels: Vec<usize> = (0..board.channels.len()).filter(inside).collect();
    for &c in &channels {
        let w = &windows.channels[c];
        for class in 0..w.classes.len() {
            wants.push(which(&|s| w.class_of_setting(s) == Some(class)));
        }
    }
    let rails = [board.supply.net, board.supply.ground];
    let looks = settings.iter().map(|s| (s.clone(), channels.clone()));
    let views = Views::new(board, windows, looks);
    for fault in faults::modelled(board) {
        let reach = fault.reach(board);
        let mine = reach.touches(board, group)
            && reach.nets.iter().all(|n| rails.contains(n) || group.nets.contains(n))
            && reach.jumpers.iter().all(|j| group.jumpers.contains(j));
        if mine {
            wants.push(views.seen_in(fault));
        }
    }
    wants.retain(|w| !w.is_empty());
    wants.sort_by_key(Vec::len);
    let mut kept: Vec<Vec<usize>> = Vec::new();
    for want in wants {
        let all = |small: &Vec<usize>| small.iter().all(|s| want.contains(s));
        if !kept.iter().any(all) {
            kept.push(want);
        }
    }
    kept
}

/// What there is to see in one group, from where the shunts are to the delivery setting.
pub struct Aims {
    /// Places of the group's jumpers, by setting.
    at: Vec<Vec<Place>>,
    /// By want, the settings that meet it.
    wants: Vec<Vec<usize>>,
    start: usize,
    end: usize,
}

impl Aims {
    /// Of a group; none where the start or the delivery setting shorts the supply.
    pub fn new(board: &Board, windows: &Windows, group: &Group, start: &Setting) -> Option<Aims> {
        let settings = settings(board, group);
        let wants = wants(board, windows, group, &settings);
        let places =
            |s: &Setting| -> Vec<Place> { group.jumpers.iter().map(|&j| s.0[j]).collect() };
        let at: Vec<Vec<Place>> = settings.iter().map(places).collect();
        let find = |wanted: &Setting| at.iter().position(|p| *p == places(wanted));
        let (start, end) = (find(start)?, find(&board.delivery)?);
        Some(Aims { at, wants, start, end })
    }

    /// Whether a way meets every want and moves one shunt at a time.
    #[allow(dead_code)]
    pub fn met_by(&self, way: &[Vec<Place>]) -> bool {
        let passed: Vec<usize> =
            way.iter().filter_map(|w| self.at.iter().position(|p| p == w)).collect();
        let apart =
            |a: &Vec<Place>, b: &Vec<Place>| a.iter().zip(b).filter(|(x, y)| x != y).count();
        passed.len() == way.len()
            && way.windows(2).all(|pair| apart(&pair[0], &pair[1]) == 1)
            && self.wants.iter().all(|want| want.iter().any(|s| passed.contains(s)))
    }

    /// Moves that no way can do without, counted jumper by jumper: each goes at least to a set of
    /// places of which every want has one, and those are tried out, all subsets.
    pub fn bound(&self) -> usize {
        (0..self.at[self.start].len()).map(|j| self.bound_of(j)).sum()
    }

    fn bound_of(&self, jumper: usize) -> usize {
        let place = |s: usize| self.at[s][jumper];
        let mut places: Vec<Place> = self.at.iter().map(|p| p[jumper]).collect();
        places.sort();
        places.dedup();
        let bit = |p: Place| 1_u32 << places.iter().position(|q| *q == p).unwrap_or(0);
        let wants: Vec<u32> = self
            .wants
            .iter()
            .map(|want| want.iter().map(|&s| bit(place(s))).fold(0, |a, b| a | b))
            .collect();
        let (from, to) = (bit(place(self.start)), bit(place(self.end)));
        let sets = (0_u32..1 << places.len()).filter(|set| set & from != 0 && set & to != 0);
        let hits = sets.filter(|set| wants.iter().all(|want| want & set != 0));
        let moves = |set: u32| match set.count_ones() as usize {
            1 => 0,
            n if from == to => n,
            n => n - 1,
        };
        hits.map(moves).min().unwrap_or(0)
    }

    /// Fewest moves through all that the group has to show, looked for breadth first over at most
    /// `most` states.
    pub fn shortest(&self, most: usize) -> Shortest {
        if self.wants.len() > 128 {
            return Shortest::TooMany;
        }
        let bits = |s: usize| {
            let meets = self.wants.iter().enumerate().filter(|(_, want)| want.contains(&s));
            meets.map(|(bit, _)| 1_u128 << bit).sum::<u128>()
        };
        let met: Vec<u128> = (0..self.at.len()).map(bits).collect();
        let all = met.iter().fold(0, |a, b| a | b);
        let apart =
            |a: usize, b: usize| self.at[a].iter().zip(&self.at[b]).filter(|(x, y)| x != y).count();
        let beside: Vec<Vec<usize>> = (0..self.at.len())
            .map(|a| (0..self.at.len()).filter(|&b| apart(a, b) == 1).collect())
            .collect();
        let mut edge = vec![(self.start, met[self.start])];
        let mut known: HashSet<(usize, u128)> = edge.iter().copied().collect();
        for moves in 0.. {
            if edge.contains(&(self.end, all)) {
                return Shortest::Moves(moves);
            }
            if known.len() > most || edge.is_empty() {
                break;
            }
            let mut next = Vec::new();
            for &(stop, done) in &edge {
                for &to in &beside[stop] {
                    let state = (to, done | met[to]);
                    if known.insert(state) {
                        next.push(state);
                    }
                }
            }
            edge = next;
        }
        Shortest::TooMany
    }

    /// Fewest changes of header on any way of so many moves, whatever power cycles it takes, layer
    /// by layer over at most `most` states; none where there are more.
    pub fn fewest_headers(&self, moves: usize, most: usize) -> Option<usize> {
        if self.wants.len() > 128 {
            return None;
        }
        let met = |s: usize| {
            let meets = self.wants.iter().enumerate().filter(|(_, want)| want.contains(&s));
            meets.map(|(bit, _)| 1_u128 << bit).sum::<u128>()
        };
        let met: Vec<u128> = (0..self.at.len()).map(met).collect();
        let all = met.iter().fold(0, |a, b| a | b);
        // By stop: the stops one move away and the jumper that is moved.
        let moved = |a: usize, b: usize| {
            let mut differ = (0..self.at[a].len()).filter(|&j| self.at[a][j] != self.at[b][j]);
            let jumper = differ.next()?;
            differ.next().is_none().then_some((b, jumper))
        };
        let beside: Vec<Vec<(usize, usize)>> = (0..self.at.len())
            .map(|a| (0..self.at.len()).filter_map(|b| moved(a, b)).collect())
            .collect();
        let mut layer = HashMap::from([((self.start, met[self.start], usize::MAX), 0)]);
        let mut seen = 0;
        for _ in 0..moves {
            let mut next: HashMap<(usize, u128, usize), usize> = HashMap::new();
            for (&(stop, done, last), &headers) in &layer {
                for &(to, jumper) in &beside[stop] {
                    let other = usize::from(last != usize::MAX && last != jumper);
                    let state = (to, done | met[to], jumper);
                    let known = next.entry(state).or_insert(usize::MAX);
                    *known = (*known).min(headers + other);
                }
            }
            seen += next.len();
            if seen > most {
                return None;
            }
            layer = next;
        }
        let there = layer.iter().filter(|((stop, done, _), _)| (*stop, *done) == (self.end, all));
        there.map(|(_, &headers)| headers).min()
    }
}
