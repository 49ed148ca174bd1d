//! Hands for the virtual board: an automatic operator, and a person's keys.

use crate::bench::{Event, Key, Prompt, Shunts};
use crate::board::{Board, Place, Setting};
use crate::faults::{self, Built};
use crate::units::{Ohms, Volts};
use crate::window;
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

/// Something that hands do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Deed {
    /// Put the shunt of a jumper somewhere.
    Place(usize, Place),
    /// Press a key.
    Press(Key),
    /// Cut the unit's power, or give it back.
    Power(bool),
    /// Type what a meter shows.
    Value(Shown),
}

/// What a meter shows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shown {
    /// A resistance; infinite is over range.
    Ohms(Ohms),
    /// A voltage.
    Volts(Volts),
}

impl From<Ohms> for Shown {
    fn from(ohms: Ohms) -> Shown {
        Shown::Ohms(ohms)
    }
}

impl From<Volts> for Shown {
    fn from(volts: Volts) -> Shown {
        Shown::Volts(volts)
    }
}

/// What a person types of a reading: the digits of a meter, and `OL` for over range.
pub fn as_typed(shown: impl Into<Shown>) -> String {
    match shown.into() {
        Shown::Ohms(ohms) if ohms.0.is_finite() => ohms.to_string(),
        Shown::Ohms(_) => "OL".into(),
        Shown::Volts(volts) => format!("{:.3}V", volts.0),
    }
}

/// What a perfect meter shows from supply to ground of a unit without shunts and without power.
fn rails(board: &Board, built: &Built) -> Ohms {
    let seat = built.seat(board, &Setting::all_open(board));
    let tips = [board.supply.net, board.supply.ground];
    Ohms(window::ohms_between(board, &built.parts, &seat, tips).1)
}

/// What a perfect meter shows of the supply with loads on, each in the middle of the sags that the
/// board file gives it.
fn supply_on(board: &Board, built: &Built, loads: &[usize]) -> Volts {
    let draw = loads.iter().filter(|load| !built.dead_loads.contains(load));
    let sag = |&load: &usize| (board.loads[load].sag.0.0 + board.loads[load].sag.1.0) / 2.0;
    Volts(built.parts.supply.0 - draw.map(sag).sum::<f64>())
}

/// An operator who does what is asked, at a steady pace, and answers by what there is to see.
#[derive(Debug)]
pub struct Automatic {
    board: Arc<Board>,
    /// The unit on the bench: lamps glow as it was built, not as it was drawn.
    built: Built,
    /// Where the shunts are.
    shunts: Setting,
    todo: VecDeque<(Duration, Deed)>,
}

/// Time to lift a shunt, to seat it, and to press a key.
const LIFT: Duration = Duration::from_millis(1500);
const SEAT: Duration = Duration::from_millis(2500);
const PRESS: Duration = Duration::from_millis(1000);

/// Time to hold a meter's tips to two points, wait and type.
const MEASURE: Duration = Duration::from_secs(10);

/// Where shunts are put before a measurement.
fn put(shunts: &Shunts) -> Vec<(usize, Place)> {
    match shunts {
        Shunts::All(setting) => setting.0.iter().copied().enumerate().collect(),
        Shunts::Moved(moves) => moves.iter().map(|m| (m.jumper, m.to)).collect(),
    }
}

impl Automatic {
    /// An operator with a unit whose shunts lie beside it.
    pub fn new(board: Arc<Board>, built: Built) -> Automatic {
        let shunts = Setting::all_open(&board);
        Automatic { board, built, shunts, todo: VecDeque::new() }
    }

    /// When the next deed is due.
    pub fn next_at(&self) -> Option<Duration> {
        self.todo.front().map(|&(at, _)| at)
    }

    /// The next deed, if it is due.
    pub fn due(&mut self, now: Duration) -> Option<Deed> {
        if self.next_at()? > now {
            return None;
        }
        let (_, deed) = self.todo.pop_front()?;
        if let Deed::Place(jumper, place) = deed {
            self.shunts = self.shunts.with(jumper, place);
        }
        Some(deed)
    }

    /// Sees what the screen shows.
    pub fn see(&mut self, now: Duration, event: &Event) {
        let Event::Prompt { prompt, .. } = event else { return };
        // A contact that does not rest asks for nothing new. A hand finishes what it has begun, but
        // a key that answered the old prompt would answer another one now.
        if !matches!(prompt, Prompt::Unstable { .. }) {
            self.todo.retain(|(_, deed)| !matches!(deed, Deed::Press(_)));
        }
        match *prompt {
            Prompt::Meter { channel, ref shunts, .. } => self.measure(now, channel, shunts),
            Prompt::SupplyVolts { ref loads, .. } => {
                let shown = Deed::Value(supply_on(&self.board, &self.built, loads).into());
                self.todo.push_back((now + MEASURE, shown));
            }
            Prompt::PowerOn { ref moves } => {
                let mut at = now;
                for made in moves {
                    at += SEAT;
                    self.todo.push_back((at, Deed::Place(made.jumper, made.to)));
                }
                self.todo.push_back((at + SEAT, Deed::Power(true)));
                self.press(at + SEAT + PRESS, Key::Yes);
            }
            Prompt::OnPurpose { jumper, to, .. } => {
                self.todo.push_back((now + SEAT, Deed::Place(jumper, to)));
                self.press(now + SEAT + PRESS, Key::Yes);
            }
            Prompt::AsItWas { ref setting, .. } | Prompt::Clear { to: ref setting } => {
                let mut at = now;
                for (jumper, &place) in setting.0.iter().enumerate() {
                    if self.shunts.0[jumper] != place {
                        at += SEAT;
                        self.todo.push_back((at, Deed::Place(jumper, place)));
                    }
                }
                self.press(at + PRESS, Key::Yes);
            }
            Prompt::Cautions
            | Prompt::OtherUnit { .. }
            | Prompt::FlashProbe { .. }
            | Prompt::Report { .. } => {
                self.press(now + PRESS, Key::Yes);
            }
            Prompt::Rails { .. } => {
                self.todo.push_back((now, Deed::Power(false)));
                for (jumper, _) in self.board.jumpers.iter().enumerate() {
                    self.todo.push_back((now + SEAT, Deed::Place(jumper, Place::Open)));
                }
                let ohms = rails(&self.board, &self.built);
                self.todo.push_back((now + SEAT + MEASURE, Deed::Value(ohms.into())));
            }
            Prompt::Move { jumper, from, to, key_needed } => {
                let mut at = now;
                if from != Place::Open {
                    at += LIFT;
                    self.todo.push_back((at, Deed::Place(jumper, Place::Open)));
                }
                if to != Place::Open {
                    at += SEAT;
                    self.todo.push_back((at, Deed::Place(jumper, to)));
                }
                if key_needed {
                    self.press(at + PRESS, Key::Yes);
                }
            }
            Prompt::MoveUnpowered { jumper, to, .. } => {
                let deeds = [Deed::Power(false), Deed::Place(jumper, to), Deed::Power(true)];
                self.todo.extend((1..).map(|n| now + n * SEAT).zip(deeds));
            }
            Prompt::Doubt { jumper, asked, reads_as }
                if reads_as == Some(asked) && self.shunts.0[jumper] == asked =>
            {
                // It is to be seen to move: off and on again, or on and off.
                let away = match asked {
                    Place::At(_) => Place::Open,
                    Place::Open => Place::At(0),
                };
                self.todo.push_back((now + LIFT, Deed::Place(jumper, away)));
                self.todo.push_back((now + LIFT + SEAT, Deed::Place(jumper, asked)));
                self.press(now + LIFT + 3 * SEAT, Key::Yes);
            }
            // It never touches another, and finishes what it has begun.
            Prompt::Strayed { .. } => {
                let done = self.todo.back().map_or(now, |(at, _)| (*at).max(now));
                self.press(done + PRESS, Key::Yes);
            }
            Prompt::Doubt { jumper, asked, .. } => {
                let there = self.shunts.0[jumper] == asked;
                self.press(now + PRESS, if there { Key::Yes } else { Key::No });
                if !there {
                    self.todo.push_back((now + PRESS + SEAT, Deed::Place(jumper, asked)));
                }
            }
            Prompt::Question { question } => {
                let q = &self.board.questions[question];
                let yes = faults::answer(&self.board, &self.built, &self.shunts, q);
                self.press(now + PRESS, if yes { Key::Yes } else { Key::No });
            }
            // The shunt has been seated: what does not rest is the unit's own.
            Prompt::Unstable { .. } if self.todo.is_empty() => self.press(now + PRESS, Key::Yes),
            Prompt::Unstable { .. } | Prompt::HandsOff => {}
        }
    }

    /// Puts the shunts as asked, the power off, and types what the unit's parts give.
    fn measure(&mut self, now: Duration, channel: usize, shunts: &Shunts) {
        let mut at = now;
        let mut then = self.shunts.clone();
        self.todo.push_back((at, Deed::Power(false)));
        for (jumper, place) in put(shunts) {
            if then.0[jumper] != place {
                at += SEAT;
                then = then.with(jumper, place);
                self.todo.push_back((at, Deed::Place(jumper, place)));
            }
        }
        let seat = self.built.seat(&self.board, &then);
        let ohms = window::measured(&self.board, &self.built.parts, &seat, channel);
        self.todo.push_back((at + MEASURE, Deed::Value(ohms.into())));
    }

    fn press(&mut self, at: Duration, key: Key) {
        self.todo.push_back((at, Deed::Press(key)));
    }
}

/// A person at the keyboard who has no board in the hand: keys move the shunts of the virtual one.
#[derive(Debug)]
pub struct ByHand {
    board: Arc<Board>,
    asked: Option<Prompt>,
    shunts: Setting,
    /// Whether the keys at a move, at a doubt, at a meter and at the supply were told already.
    told: [bool; 4],
}

impl ByHand {
    /// A person with a unit whose shunts lie beside it.
    pub fn new(board: Arc<Board>) -> ByHand {
        let shunts = Setting::all_open(&board);
        ByHand::with(board, shunts)
    }

    /// A person with a unit whose shunts sit in a setting.
    pub fn with(board: Arc<Board>, shunts: Setting) -> ByHand {
        ByHand { board, asked: None, shunts, told: [false; 4] }
    }

    /// What a letter does where nobody has asked for a move: the digits 1 to 9 put the shunt of
    /// the jumper with that number of the board file one place further.
    pub fn letter(&mut self, letter: char) -> Option<Deed> {
        let jumper = letter.to_digit(10)?.checked_sub(1)? as usize;
        let place = *self.shunts.0.get(jumper).filter(|_| self.asked.is_none())?;
        Some(self.put(jumper, self.beside(jumper, place)))
    }

    /// What may be pressed now, in one line, told once for each kind of prompt; nothing where the
    /// prompt says it already.
    pub fn help(&mut self) -> Option<&'static str> {
        let (kind, text) = match self.asked {
            Some(Prompt::Move { .. } | Prompt::MoveUnpowered { .. }) => (
                0,
                "virtual unit: Enter does it; Space puts the shunt one place too far; Backspace \
                 takes it off",
            ),
            Some(Prompt::Doubt { jumper, asked, .. }) if self.shunts.0[jumper] != asked => (
                1,
                "virtual unit: the shunt is not there yet; Space puts it there, Enter insists \
                 that it is",
            ),
            Some(Prompt::Meter { .. } | Prompt::Rails { .. }) => {
                (2, "virtual unit: Enter alone puts the shunts so, and types what its parts give")
            }
            Some(Prompt::SupplyVolts { .. }) => {
                (3, "virtual unit: Enter alone types what its supply is")
            }
            _ => return None,
        };
        let told = std::mem::replace(&mut self.told[kind], true);
        (!told).then_some(text)
    }

    /// Sees what the screen shows.
    pub fn see(&mut self, event: &Event) {
        if let Event::Prompt { prompt, .. } = event
            && !matches!(prompt, Prompt::Unstable { .. })
        {
            self.asked = Some(prompt.clone());
        }
    }

    /// What a typed line does; an empty one measures the unit, which was built like this.
    pub fn typed(&mut self, text: &str, built: &Built) -> (Vec<Deed>, String) {
        let mut deeds = vec![Deed::Power(false)];
        let (channel, shunts) = match self.asked.clone() {
            Some(Prompt::Meter { channel, shunts, .. }) => (channel, shunts),
            Some(Prompt::SupplyVolts { loads, .. }) if text.trim().is_empty() => {
                return (Vec::new(), as_typed(supply_on(&self.board, built, &loads)));
            }
            Some(Prompt::Rails { .. }) => {
                deeds.extend((0..self.board.jumpers.len()).map(|j| self.put(j, Place::Open)));
                let shown = || as_typed(rails(&self.board, built));
                let text = if text.trim().is_empty() { shown() } else { text.to_string() };
                return (deeds, text);
            }
            _ => return (Vec::new(), text.to_string()),
        };
        for (jumper, place) in put(&shunts) {
            deeds.push(self.put(jumper, place));
        }
        let seat = built.seat(&self.board, &self.shunts);
        let ohms = window::measured(&self.board, &built.parts, &seat, channel);
        let text = if text.trim().is_empty() { as_typed(ohms) } else { text.to_string() };
        (deeds, text)
    }

    /// What a key does.
    pub fn press(&mut self, key: Key) -> Vec<Deed> {
        let Some(asked) = self.asked.clone() else { return vec![Deed::Press(key)] };
        match asked {
            Prompt::Move { jumper, to, key_needed, .. } => {
                let place = match key {
                    Key::Yes => to,
                    Key::No => self.beside(jumper, to),
                    Key::Again => Place::Open,
                };
                let mut deeds = vec![self.put(jumper, place)];
                if key == Key::Yes && key_needed {
                    deeds.push(Deed::Press(Key::Yes));
                }
                deeds
            }
            Prompt::MoveUnpowered { jumper, to, .. } => {
                let place = match key {
                    Key::Yes => to,
                    Key::No => self.beside(jumper, to),
                    Key::Again => Place::Open,
                };
                vec![Deed::Power(false), self.put(jumper, place), Deed::Power(true)]
            }
            Prompt::PowerOn { moves } => {
                let mut deeds: Vec<Deed> = moves.iter().map(|m| self.put(m.jumper, m.to)).collect();
                deeds.extend([Deed::Power(true), Deed::Press(key)]);
                deeds
            }
            Prompt::OnPurpose { jumper, to, .. } if key == Key::Yes => {
                vec![self.put(jumper, to), Deed::Press(key)]
            }
            Prompt::AsItWas { setting, .. } if key == Key::Yes => {
                let moves = setting.0.iter().enumerate();
                let mut deeds: Vec<Deed> = moves.map(|(j, &place)| self.put(j, place)).collect();
                deeds.push(Deed::Press(key));
                deeds
            }
            // "No, it is not there" is followed by putting it there.
            Prompt::Doubt { jumper, asked, .. } if key != Key::Yes => {
                vec![Deed::Press(Key::No), self.put(jumper, asked)]
            }
            _ => vec![Deed::Press(key)],
        }
    }

    fn put(&mut self, jumper: usize, place: Place) -> Deed {
        self.shunts = self.shunts.with(jumper, place);
        Deed::Place(jumper, place)
    }

    /// The place after this one on the header, round to `open`.
    fn beside(&self, jumper: usize, place: Place) -> Place {
        let n = self.board.jumpers[jumper].positions.len();
        match place {
            Place::At(i) if i + 1 < n => Place::At(i + 1),
            Place::At(_) => Place::Open,
            Place::Open => Place::At(0),
        }
    }
}
