//! Resistor choice: the values of a jumper ladder or a weighted network with the largest
//! worst-case margin that a stock of values gives.
//!
//! Margin here is the smallest distance between neighbouring design bands, in codes. An end of
//! the scale that is no position counts as a neighbour too: a pin at the rail is a short or a
//! lifted part and must not read as a position. Within a margin printed alike, a tenth of a code,
//! fewer different values win.
//!
//! A beam of good sets is improved by exchange first; branch and bound then finds what is better
//! still, or that nothing is. That makes the outcome exact as long as it ends within
//! [`MOST_NODES`]; beyond that the outcome says that it rests on the beam.

mod beam;
mod best;
mod chain;
mod ladder;
mod levels;
mod rules;
mod weighted;

use crate::board::template::{Ends, Form, Ladder, Microcontroller, Plan, Rail, Template, Weighted};
use crate::board::{Board, InUse, Place, Setting};
use crate::circuit::{Circuit, Node, Parts};
use crate::units::{Amperes, Ohms, Ratio, Volts};
use best::{Best, Set};
use rules::Rules;

/// Steps of the exact search before it gives up.
pub const MOST_NODES: u64 = 20_000_000;
/// Codes by which search and windows may differ and count as agreed.
const AGREE: f64 = 0.01;
/// Most values in stock.
pub const MOST_STOCK: usize = 2000;
/// Most positions of a ladder that is searched for, `open` not counted.
pub const MOST_POSITIONS: usize = 64;
/// Most shunts of a weighted network that is searched for.
pub const MOST_SHUNTS: usize = 8;

/// What is to be chosen.
#[derive(Clone, Debug, PartialEq)]
pub struct Request {
    /// Which network.
    pub network: Network,
    /// The chip whose converter reads it.
    pub chip: Microcontroller,
    /// Nominal supply.
    pub supply: Volts,
    /// How far it may be off.
    pub supply_tolerance: Ratio,
    /// The values to choose from; each may be used any number of times.
    pub stock: Vec<Ohms>,
    /// Initial tolerance of every resistor.
    pub tolerance: Ratio,
    /// What the board goes through, as in [`Plan::in_use`].
    pub in_use: InUse,
    /// A given resistor between the network and the pin.
    pub input: Option<Ohms>,
    /// Largest current that the network may draw at worst, in any setting.
    pub current: Amperes,
    /// Largest source resistance at the pin at worst, in any setting.
    pub source: Ohms,
    /// Sets listed beside the best.
    pub runners_up: usize,
}

/// The network to choose values for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Network {
    /// A ladder with a shunt that picks a tap.
    Ladder {
        /// Positions of the header; having no shunt is not among them.
        positions: usize,
        /// Which rails are positions.
        ends: Ends,
        /// No shunt is one more option: the rail that it is pulled to, and the resistor if it is
        /// given.
        open: Option<(Rail, Option<Ohms>)>,
    },
    /// Shunts that join resistors to a rail or are left off, against a pull to the other rail.
    TwoPin {
        /// How many shunts.
        shunts: usize,
        /// The rail that the shunts join.
        to: Rail,
        /// The pull, if it is given.
        pull: Option<Ohms>,
    },
    /// Shunts on three-pin headers that join resistors to the supply or to ground.
    ThreePin {
        /// How many shunts.
        shunts: usize,
    },
}

/// How the sets were found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum How {
    /// Every set was gone through or ruled out: no set of the stock is better.
    Exact,
    /// A beam search: better sets may exist, up to the bound.
    Beam,
}

/// One set of values.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    /// A ladder: from supply to ground. A weighted network: bit 0, the largest value, first.
    pub ohms: Vec<Ohms>,
    /// The pull, where the network has one.
    pub pull: Option<Ohms>,
    /// Smallest distance between neighbouring design bands, in codes, as `windows` computes them.
    pub margin: f64,
    /// How many different values it takes.
    pub different: usize,
    /// Largest current over all settings, at worst.
    pub current: Amperes,
    /// Largest source resistance at the pin over all settings, at worst.
    pub source: Ohms,
}

/// A limit of the request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Limit {
    /// On the current.
    Current,
    /// On the source resistance.
    Source,
}

/// How many times a limit is widened to see whether it is what leaves no choice.
const WIDENED: f64 = 10.0;

/// What the search found.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// The best set, then the runners-up. Empty when no set of the stock tells every setting
    /// apart within the limits.
    pub choices: Vec<Choice>,
    /// No set of real resistors within the limits has a larger margin, in codes. At or below 0,
    /// none can tell every setting apart.
    pub bound: f64,
    /// How they were found.
    pub how: How,
    /// Codes from 0 V to the supply.
    pub scale: f64,
    /// Where there is no set: the limit that, ten times as wide, would leave some.
    pub held_by: Option<Limit>,
}

/// Chooses resistors.
///
/// # Errors
/// A request that makes no sense: counts out of range, an empty stock, limits that contradict each
/// other, an unknown chip.
pub fn design(request: &Request) -> Result<Outcome, String> {
    let mut outcome = search(request)?;
    if outcome.choices.is_empty() {
        let current = Amperes(WIDENED * request.current.0);
        let source = Ohms(WIDENED * request.source.0);
        let wider = [
            (Limit::Current, Request { current, ..request.clone() }),
            (Limit::Source, Request { source, ..request.clone() }),
        ];
        let helps = |wider: &Request| search(wider).is_ok_and(|o| !o.choices.is_empty());
        outcome.held_by = wider.iter().find(|(_, wider)| helps(wider)).map(|(limit, _)| *limit);
    }
    Ok(outcome)
}

fn search(request: &Request) -> Result<Outcome, String> {
    request.check()?;
    let board = request.sample()?;
    let rules = Rules::new(request, &board)?;
    let mut best = Best::new(request.runners_up + 1);
    let (bound, how) = match request.network {
        Network::Ladder { ends, open, .. } => {
            ladder::search(&rules, request.resistors(), ends, open, &mut best)
        }
        Network::TwoPin { shunts, to, pull } => {
            weighted::search(&rules, shunts, Some((to, pull)), &mut best)
        }
        Network::ThreePin { shunts } => weighted::search(&rules, shunts, None, &mut best),
    };
    let mut how = how;
    let mut choices = Vec::new();
    for set in best.into_sets() {
        let choice = request.measure(&set)?;
        // The search has its own short form of the bands. Where a band holds more than it knows,
        // the windows are right and the search was no proof.
        if (choice.margin - set.margin).abs() > AGREE {
            how = How::Beam;
        }
        choices.push(choice);
    }
    if how == How::Beam {
        choices.sort_by(|a, b| b.margin.total_cmp(&a.margin));
    }
    Ok(Outcome { choices, bound, how, scale: board.chip.scale, held_by: None })
}

impl Request {
    /// Resistors to choose, the pull not counted.
    fn resistors(&self) -> usize {
        match self.network {
            Network::Ladder { positions, ends, .. } => ends.resistors(positions),
            Network::TwoPin { shunts, .. } | Network::ThreePin { shunts } => shunts,
        }
    }

    fn check(&self) -> Result<(), String> {
        let wrong = |text: String| Err(text);
        match self.network {
            Network::Ladder { positions, ends, open } => {
                if !(2..=MOST_POSITIONS).contains(&positions) {
                    return wrong(format!(
                        "a ladder of {positions} positions; give 2 to {MOST_POSITIONS}"
                    ));
                }
                if open.is_some_and(|(to, _)| ends.has(to)) {
                    return wrong(
                        "the rail that `open` is pulled to is a position too, so both read alike; \
                         take the other ends or the other pull"
                            .to_string(),
                    );
                }
            }
            Network::TwoPin { shunts, .. } | Network::ThreePin { shunts } => {
                if !(1..=MOST_SHUNTS).contains(&shunts) {
                    return wrong(format!(
                        "a weighted network of {shunts} shunts; give 1 to {MOST_SHUNTS}"
                    ));
                }
            }
        }
        if self.stock.is_empty() || self.stock.len() > MOST_STOCK {
            let n = self.stock.len();
            return wrong(format!("{n} values to choose from; give 1 to {MOST_STOCK}"));
        }
        let positive = |v: f64| v.is_finite() && v > 0.0;
        let given = [self.input, Some(self.source), self.given_pull()];
        if !self.stock.iter().chain(given.iter().flatten()).all(|r| positive(r.0)) {
            return wrong("every resistance must be above zero".to_string());
        }
        if !positive(self.supply.0) || !positive(self.current.0) {
            return wrong("the supply and the current limit must be above zero".to_string());
        }
        if !(0.0..0.5).contains(&self.tolerance.0) || !(0.0..0.5).contains(&self.supply_tolerance.0)
        {
            return wrong("tolerances must be from 0 to under 50 %".to_string());
        }
        Ok(())
    }

    fn given_pull(&self) -> Option<Ohms> {
        match self.network {
            Network::Ladder { open, .. } => open?.1,
            Network::TwoPin { pull, .. } => pull,
            Network::ThreePin { .. } => None,
        }
    }

    /// The template with these values on it; `design` means no capacitor and no names of options.
    pub fn template(&self, name: &str, ohms: &[Ohms], pull: Option<Ohms>) -> Template {
        let (name, ohms) = (name.to_string(), ohms.to_vec());
        let (tolerance, input, capacitor) = (self.tolerance, self.input, None);
        let weighted = |form| {
            let ohms = ohms.clone();
            Template::Weighted(Weighted {
                name: name.clone(),
                ohms,
                tolerance,
                form,
                input,
                capacitor,
            })
        };
        match self.network {
            Network::Ladder { ends, open, .. } => Template::Ladder(Ladder {
                name,
                ohms,
                tolerance,
                ends,
                pull: open.and_then(|(to, _)| Some((to, pull?))),
                input,
                capacitor,
                options: Vec::new(),
            }),
            Network::TwoPin { to, .. } => {
                weighted(Form::TwoPin { to, pull: pull.unwrap_or(Ohms(f64::NAN)) })
            }
            Network::ThreePin { .. } => weighted(Form::ThreePin),
        }
    }

    /// A board with nothing but one template on it.
    pub fn plan(&self, name: &str, template: Template) -> Plan {
        Plan {
            name: name.to_string(),
            revision: "A".to_string(),
            about: "A jumper circuit with values chosen by its worst-case margin".to_string(),
            chip: self.chip.clone(),
            supply: self.supply,
            supply_tolerance: self.supply_tolerance,
            source: format!("bench supply, {}", self.supply),
            aref_at_supply: false,
            gap: Ratio(0.25),
            in_use: self.in_use,
            templates: vec![template],
        }
    }

    fn board(&self, ohms: &[Ohms], pull: Option<Ohms>) -> Result<Board, String> {
        let template = self.template("design", ohms, pull);
        let text = self.plan("design", template).write()?.text;
        crate::board::parse("design", &text).map_err(|problems| problems.to_string())
    }

    /// A board of the kind asked for, to take the spread of its parts from.
    fn sample(&self) -> Result<Board, String> {
        let ohms = vec![Ohms(1000.0); self.resistors()];
        let pull = self.given_pull().unwrap_or(Ohms(1000.0));
        self.board(&ohms, Some(pull))
    }

    /// What `windows` makes of a set.
    fn measure(&self, set: &Set) -> Result<Choice, String> {
        let ohms: Vec<Ohms> = match self.network {
            Network::Ladder { .. } => set.ohms.iter().rev().map(|&r| Ohms(r)).collect(),
            _ => set.ohms.iter().map(|&r| Ohms(r)).collect(),
        };
        let pull = set.pull.map(Ohms);
        let board = self.board(&ohms, pull)?;
        let spread = super::design_spread(&board, false);
        let mut low = Parts::nominal(&board);
        low.supply = spread.supply.1;
        low.resistors = spread.resistors.iter().map(|r| r.0).collect();
        let mut high = low.clone();
        high.resistors = spread.resistors.iter().map(|r| r.1).collect();
        let (mut current, mut source) = (0.0_f64, 0.0_f64);
        for setting in settings(&board) {
            let drawn = Circuit::solve(&board, &low, &setting, &[]).supply_current();
            current = current.max(drawn.0);
            let circuit = Circuit::solve(&board, &high, &setting, &[]);
            if let Node::Driven { source: ohms, .. } = circuit.node(board.channels[0].net) {
                source = source.max(ohms.0);
            }
        }
        Ok(Choice {
            margin: margin(&board, self.network),
            ohms,
            pull,
            different: set.different,
            current: Amperes(current),
            source: Ohms(source),
        })
    }
}

/// The settings of the one option set of a board.
fn settings(board: &Board) -> Vec<Setting> {
    let of = |row: &crate::board::Meaning| {
        row.places.iter().fold(board.delivery.clone(), |s, &(j, p): &(usize, Place)| s.with(j, p))
    };
    board.options.iter().flat_map(|set| set.when.iter().map(of)).collect()
}

/// The smallest distance between neighbouring design bands of a board's first channel, in codes.
/// For a ladder the ends of the scale that are no position count as neighbours.
pub fn margin(board: &Board, network: Network) -> f64 {
    let mut bands: Vec<super::Band> =
        settings(board).iter().map(|s| super::expect(board, s, 0).design).collect();
    if let Network::Ladder { ends, open, .. } = network {
        for (rail, ratio) in [(Rail::Ground, 0.0), (Rail::Supply, 1.0)] {
            if !ends.has(rail) && open.is_none_or(|(to, _)| to != rail) {
                let (low, high) = rules::edges(board, ratio, ratio);
                bands.push(super::Band { low, high });
            }
        }
    }
    bands.sort_by(|a, b| a.low.total_cmp(&b.low));
    bands.windows(2).map(|pair| pair[1].low - pair[0].high).fold(f64::INFINITY, f64::min)
}
