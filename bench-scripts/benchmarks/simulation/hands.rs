//! The operator: does what is asked, with the slips that people make, and corrects when asked.

use super::unit::between;
use super::world::World;
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::time::Duration;
use strapwise::bench::{Key, Prompt};
use strapwise::board::{Board, Place, Setting};

/// How often each slip is made, by prompt that gives occasion to it.
#[derive(Clone, Copy, Default)]
pub struct Slips {
    /// Does nothing until asked again.
    pub forgets: f64,
    /// Puts the shunt one place too far.
    pub misplaces: f64,
    /// Moves the shunt of another header as well.
    pub moves_two: f64,
    /// Leaves the bench for a while.
    pub wanders: f64,
    /// Leaves the shunt rocking, or half on.
    pub wiggles: f64,
    /// Gives the wrong answer.
    pub answers_wrongly: f64,
    /// Presses Enter without being asked.
    pub presses_early: f64,
}

/// Something that hands do.
#[derive(Clone, Copy, Debug)]
pub enum Deed {
    /// A shunt goes somewhere, with so many ohms more than a good contact.
    Put(usize, Place, f64),
    /// A key is pressed.
    Press(Key),
}

/// An operator with a unit.
pub struct Hands<'a> {
    board: &'a Board,
    slips: Slips,
    rng: ChaCha8Rng,
    /// In order of time.
    todo: Vec<(Duration, Deed)>,
    /// Where the shunts will be when everything is done.
    then: Setting,
    /// A shunt that was moved beside what was asked, and where it was: seen when looked for.
    beside: Option<(usize, Place)>,
    /// The move that was asked last.
    moving: Option<(usize, Place)>,
    /// What was asked last, to be done at last whatever was forgotten.
    asked: Option<Prompt>,
    /// How often something that was asked has been looked after by itself.
    reminded: u32,
    /// Whether an answer was given that was not true.
    pub lied: bool,
}

/// When nothing happens for so long, the operator looks at the screen again.
const REMINDED: Duration = Duration::from_secs(20);

impl<'a> Hands<'a> {
    pub fn new(board: &'a Board, slips: Slips, seed: u64) -> Hands<'a> {
        Hands {
            board,
            slips,
            rng: ChaCha8Rng::seed_from_u64(seed),
            todo: Vec::new(),
            then: Setting::all_open(board),
            beside: None,
            moving: None,
            asked: None,
            reminded: 0,
            lied: false,
        }
    }

    /// When the next deed is due.
    pub fn next_at(&self) -> Option<Duration> {
        self.todo.first().map(|&(at, _)| at)
    }

    /// The next deed, if it is due.
    pub fn due(&mut self, now: Duration) -> Option<Deed> {
        (self.next_at()? <= now).then(|| self.todo.remove(0).1)
    }

    fn slip(&mut self, rate: f64) -> bool {
        rate > 0.0 && self.rng.random_bool(rate)
    }

    fn seconds(&mut self, low: f64, high: f64) -> Duration {
        Duration::from_secs_f64(between(&mut self.rng, low, high))
    }

    fn then(&mut self, at: Duration, deed: Deed) {
        if let Deed::Put(jumper, place, _) = deed {
            self.then.0[jumper] = place;
        }
        let after = self.todo.partition_point(|&(t, _)| t <= at);
        self.todo.insert(after, (at, deed));
    }

    /// A shunt is taken off and seated somewhere else; its contact bounces before it rests.
    fn seat(&mut self, mut at: Duration, jumper: usize, to: Place) -> Duration {
        if self.then.0[jumper] != Place::Open {
            at += self.seconds(0.15, 0.4);
            self.then(at, Deed::Put(jumper, Place::Open, 0.0));
        }
        if to == Place::Open {
            return at;
        }
        at += self.seconds(0.2, 0.8);
        let rocks = self.slip(self.slips.wiggles);
        let (bounces, apart) = if rocks { (8, 0.25) } else { (2, 0.03) };
        for _ in 0..self.rng.random_range(0..=bounces) {
            let poor = 10_f64.powf(between(&mut self.rng, -1.0, 4.0));
            self.then(at, Deed::Put(jumper, to, poor));
            at += self.seconds(0.005, apart);
            if self.rng.random() {
                self.then(at, Deed::Put(jumper, Place::Open, 0.0));
                at += self.seconds(0.005, apart);
            }
        }
        self.then(at, Deed::Put(jumper, to, 0.0));
        at
    }

    /// The place after this one on the header, or the one before.
    fn beside(&mut self, jumper: usize, place: Place) -> Place {
        let n = self.board.jumpers[jumper].positions.len();
        let up = self.rng.random();
        match place {
            Place::At(i) if up && i + 1 < n => Place::At(i + 1),
            Place::At(i) if !up && i > 0 => Place::At(i - 1),
            Place::At(_) => Place::Open,
            Place::Open => Place::At(self.rng.random_range(0..n)),
        }
    }

    fn moves(&mut self, at: Duration, jumper: usize, to: Place) -> Duration {
        let wrong = self.slip(self.slips.misplaces);
        let place = if wrong { self.beside(jumper, to) } else { to };
        let mut at = self.seat(at, jumper, place);
        if self.slip(self.slips.moves_two) {
            let others: Vec<usize> =
                (0..self.board.jumpers.len()).filter(|&j| j != jumper).collect();
            if let Some(&other) = others.choose(&mut self.rng) {
                let was = self.then.0[other];
                let to = self.beside(other, was);
                at = self.seat(at, other, to);
                self.beside = Some((other, was));
                // Half of them are noticed at once.
                if self.rng.random() {
                    at += self.seconds(0.3, 2.0);
                    at = self.seat(at, other, was);
                }
            }
        }
        at
    }

    /// The program has gone: what was begun is left as it will be when it rests.
    pub fn leave(&mut self) {
        self.todo.retain(|(_, deed)| !matches!(deed, Deed::Press(_)));
        (self.asked, self.moving, self.reminded) = (None, None, 0);
    }

    /// Sees what is asked.
    pub fn see(&mut self, now: Duration, prompt: &Prompt, world: &World<'_>) {
        // A contact that does not rest asks for nothing new. A hand finishes what it has begun, but
        // a key that answered the old prompt would answer another one now.
        if !matches!(prompt, Prompt::Unstable { .. }) {
            self.todo.retain(|(_, deed)| !matches!(deed, Deed::Press(_)));
            self.asked = Some(prompt.clone());
            self.reminded = 0;
        }
        let mut at = now + self.seconds(0.1, 0.3);
        if self.slip(self.slips.wanders) {
            at += self.seconds(5.0, 20.0);
        }
        if self.slip(self.slips.presses_early) {
            self.lied |= match *prompt {
                Prompt::Question { question } => !world.answer_to(question),
                Prompt::Move { key_needed, .. } => key_needed,
                Prompt::Doubt { jumper, asked, .. } => self.then.0[jumper] != asked,
                Prompt::Strayed { jumper, asked, .. } => {
                    self.beside.is_some() || self.then.0[jumper] != asked
                }
                _ => false,
            };
            self.then(at, Deed::Press(Key::Yes));
        }
        self.obey(at, prompt, world);
    }

    fn obey(&mut self, at: Duration, prompt: &Prompt, world: &World<'_>) {
        let soon = at + self.seconds(0.2, 1.0);
        match *prompt {
            Prompt::Cautions | Prompt::OtherUnit { .. } | Prompt::PowerOn { .. } => {
                self.then(soon, Deed::Press(Key::Yes));
            }
            Prompt::Clear { .. } => {
                for jumper in 0..self.board.jumpers.len() {
                    if self.then.0[jumper] != Place::Open && !self.slip(self.slips.misplaces) {
                        self.then(at, Deed::Put(jumper, Place::Open, 0.0));
                    }
                }
                self.then(soon, Deed::Press(Key::Yes));
            }
            Prompt::AsItWas { ref setting, .. } => {
                let mut done = at;
                for (jumper, &place) in setting.0.iter().enumerate() {
                    if self.then.0[jumper] != place && !self.slip(self.slips.misplaces) {
                        done = self.seat(done, jumper, place);
                    }
                }
                let soon = done + self.seconds(0.3, 1.0);
                self.then(soon, Deed::Press(Key::Yes));
            }
            Prompt::Move { jumper, to, key_needed, .. } => {
                if self.moving != Some((jumper, to)) {
                    self.beside = None;
                }
                self.moving = Some((jumper, to));
                if self.slip(self.slips.forgets) {
                    if key_needed {
                        self.lied = true;
                        self.then(soon, Deed::Press(Key::Yes));
                    }
                    return;
                }
                let done = self.moves(at, jumper, to);
                if key_needed {
                    self.lied |= self.then.0[jumper] != to;
                    let soon = done + self.seconds(0.3, 1.0);
                    self.then(soon, Deed::Press(Key::Yes));
                }
            }
            // Power jumpers, meters and the maker's commands are not on this board.
            Prompt::MoveUnpowered { .. }
            | Prompt::OnPurpose { .. }
            | Prompt::Meter { .. }
            | Prompt::Rails { .. }
            | Prompt::SupplyVolts { .. }
            | Prompt::FlashProbe { .. }
            | Prompt::Report { .. } => {}
            Prompt::Doubt { jumper, asked, reads_as }
                if reads_as == Some(asked) && self.then.0[jumper] == asked =>
            {
                // It is to be seen to move.
                let mut at = soon;
                if asked == Place::Open {
                    at = self.seat(at, jumper, Place::At(0));
                }
                let done = self.seat(at, jumper, asked);
                let later = done + self.seconds(3.0, 6.0);
                self.then(later, Deed::Press(Key::Yes));
            }
            Prompt::Doubt { jumper, asked, .. } => {
                let there = self.then.0[jumper] == asked;
                let wrong = self.slip(self.slips.answers_wrongly);
                if there != wrong {
                    self.lied |= !there;
                    self.then(soon, Deed::Press(Key::Yes));
                } else {
                    self.then(soon, Deed::Press(Key::No));
                    let later = soon + self.seconds(0.1, 0.3);
                    self.seat(later, jumper, asked);
                }
            }
            // What was moved beside it is put back; the move itself is asked for again.
            Prompt::Strayed { jumper, asked, .. } => {
                let wrong = self.slip(self.slips.answers_wrongly);
                let beside = self.beside.take();
                let right = beside.is_none() && self.then.0[jumper] == asked;
                self.lied |= wrong;
                if right != wrong {
                    // A hand finishes what it has begun before it says that it is done.
                    let done = self.todo.iter().map(|(at, _)| *at).max();
                    let soon = done.map_or(soon, |done| done.max(soon));
                    self.then(soon, Deed::Press(Key::Yes));
                    return;
                }
                let mut at = soon;
                if let Some((other, was)) = beside.filter(|&(other, was)| self.then.0[other] != was)
                {
                    at = self.seat(at, other, was) + self.seconds(0.2, 0.5);
                }
                self.then(at, Deed::Press(Key::No));
            }
            Prompt::Question { question } => {
                let wrong = self.slip(self.slips.answers_wrongly);
                self.lied |= wrong;
                let yes = world.answer_to(question) != wrong;
                self.then(soon, Deed::Press(if yes { Key::Yes } else { Key::No }));
            }
            // The shunt has been seated: what does not rest is the unit's own.
            Prompt::Unstable { .. } if self.todo.is_empty() => {
                self.then(soon, Deed::Press(Key::Yes));
            }
            Prompt::Unstable { .. } | Prompt::HandsOff => {}
        }
    }

    /// Nothing has happened for a while and nothing is due: the operator looks at the screen again
    /// and does what stands there. False when nothing stands there that would help.
    pub fn remind(&mut self, now: Duration) -> bool {
        self.reminded += 1;
        let soon = now + REMINDED;
        match self.asked.clone() {
            _ if self.reminded > 5 => false,
            Some(Prompt::Move { jumper, to, key_needed, .. }) => {
                let done = self.seat(soon, jumper, to);
                if key_needed {
                    self.then(done + REMINDED / 20, Deed::Press(Key::Yes));
                }
                true
            }
            Some(Prompt::Doubt { jumper, asked, .. }) => {
                let done = self.seat(soon, jumper, asked);
                self.then(done + REMINDED / 4, Deed::Press(Key::Yes));
                true
            }
            Some(Prompt::HandsOff) | None => false,
            Some(_) => {
                self.then(soon, Deed::Press(Key::Yes));
                true
            }
        }
    }
}
