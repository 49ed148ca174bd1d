//! What is typed while a unit is on the bench: keys, values, letters, notes.

use super::super::hands::{Deed, as_typed};
use super::*;
use crate::bench::Key;
use crate::report::words;
use crate::screen::keys;

/// Letters of a note that are kept.
const LONGEST_NOTE: usize = 200;

impl Run<'_> {
    /// Nothing typed early confirms a later step.
    pub(super) fn forget_typed(&mut self) {
        // What is a note's answers nothing.
        if self.note.is_some() {
            return;
        }
        if let Some(single) = &self.single {
            single.forget_typed();
        }
        while self.typed.try_recv().is_ok() {}
        self.value.clear();
        self.stray.clear();
    }

    pub(super) fn typed<P: Procedure>(
        &mut self,
        conductor: &mut Conductor<P>,
        typed: Typed,
    ) -> Vec<Act> {
        let typed = match self.noted(conductor, typed) {
            Ok(acts) => return acts,
            Err(typed) => typed,
        };
        if conductor.wants_text() {
            return self.text(conductor, typed);
        }
        let key = match typed {
            // Whoever types a word means something, and seldom what Enter alone stands for.
            Typed::Key(Key::Yes) if !self.stray.is_empty() => {
                let word = std::mem::take(&mut self.stray);
                self.screen.typing("");
                self.no_key(conductor.wants_key(), &word);
                return Vec::new();
            }
            // A blank in a word, or its last letter taken back.
            Typed::Key(key) if !self.stray.is_empty() && conductor.wants_key() => {
                match key {
                    Key::Again => drop(self.stray.pop()),
                    _ if self.stray.len() < LONGEST_VALUE => self.stray.push(' '),
                    _ => {}
                }
                self.screen.typing(&self.stray);
                return Vec::new();
            }
            Typed::Key(key) => {
                self.stray.clear();
                key
            }
            Typed::Line(line) => match (keys::key_of(&line), keys::letter_of(&line)) {
                (Some(key), _) => key,
                (None, letter) => {
                    let unused = (Vec::new(), false);
                    let (acts, used) = letter.map_or(unused, |l| self.letter(conductor, l));
                    if !used && conductor.wants_key() {
                        self.no_key(true, &line);
                    }
                    return acts;
                }
            },
            Typed::Letter(letter) => {
                let (acts, used) = self.letter(conductor, letter);
                if used {
                    self.stray.clear();
                } else if self.stray.len() < LONGEST_VALUE {
                    self.stray.push(letter);
                    if conductor.wants_key() {
                        self.screen.typing(&self.stray);
                    }
                }
                return acts;
            }
            Typed::End => return self.nobody(conductor),
        };
        let deeds = match &mut self.line {
            Line::Port(_) | Line::Nowhere => vec![Deed::Press(key)],
            Line::Virtual { hands, .. } => hands.press(key),
        };
        self.do_all(conductor, deeds)
    }

    /// A word was typed where a key is wanted, or nothing: it is no key, and what was asked, if
    /// anything, is asked once more. It was recorded when it was asked first.
    fn no_key(&mut self, wanted: bool, word: &str) {
        let asked = self.asked.clone().filter(|_| wanted);
        let prompt = match &asked {
            Some(Event::Prompt { prompt, .. }) => Some(prompt),
            _ => None,
        };
        self.screen.say(&words::no_key(prompt, word));
        if let Some(event) = &asked {
            self.screen.show(self.began.elapsed(), event);
        }
    }

    /// What hands do on a virtual board, and what they press on any.
    pub(super) fn do_all<P: Procedure>(
        &mut self,
        conductor: &mut Conductor<P>,
        deeds: Vec<Deed>,
    ) -> Vec<Act> {
        let now = self.began.elapsed();
        let mut acts = Vec::new();
        for deed in deeds {
            match (deed, &mut self.line) {
                (Deed::Press(key), _) => acts.extend(conductor.key(now, key)),
                (Deed::Value(shown), _) => acts.extend(conductor.typed(now, as_typed(shown))),
                (Deed::Place(jumper, place), Line::Virtual { board, .. }) => {
                    board.place(jumper, place);
                }
                (Deed::Power(on), Line::Virtual { board, .. }) => board.power(on),
                (Deed::Place(..) | Deed::Power(_), Line::Port(_) | Line::Nowhere) => {}
            }
        }
        acts
    }

    /// A value is being typed: letters are shown, Backspace takes the last one away, Enter is the
    /// end of it.
    fn text<P: Procedure>(&mut self, conductor: &mut Conductor<P>, typed: Typed) -> Vec<Act> {
        match typed {
            Typed::Letter(_) | Typed::Key(Key::No) if self.value.len() >= LONGEST_VALUE => {}
            Typed::Letter(letter) => self.value.push(letter),
            Typed::Key(Key::No) => self.value.push(' '),
            Typed::Key(Key::Again) => drop(self.value.pop()),
            Typed::Key(Key::Yes) => {
                let text = std::mem::take(&mut self.value);
                return self.value_typed(conductor, text);
            }
            Typed::Line(line) => return self.value_typed(conductor, line),
            Typed::End => return self.nobody(conductor),
        }
        self.screen.typing(&self.value);
        Vec::new()
    }

    fn value_typed<P: Procedure>(
        &mut self,
        conductor: &mut Conductor<P>,
        text: String,
    ) -> Vec<Act> {
        let mut acts = Vec::new();
        let text = match &mut self.line {
            Line::Port(_) | Line::Nowhere => text,
            Line::Virtual { board, hands } => {
                let built = board.world().built().clone();
                let (deeds, text) = hands.typed(&text, &built);
                acts.extend(self.do_all(conductor, deeds));
                text
            }
        };
        acts.extend(conductor.typed(self.began.elapsed(), text));
        acts
    }

    /// A letter or digit of its own: a live view has a use for it, and it may move the shunts of a
    /// virtual unit. Also whether it was of any use.
    fn letter<P: Procedure>(
        &mut self,
        conductor: &mut Conductor<P>,
        letter: char,
    ) -> (Vec<Act>, bool) {
        let letter = letter.to_ascii_lowercase();
        let mut used = false;
        if let Line::Virtual { board, hands } = &mut self.line
            && let Some(Deed::Place(jumper, place)) = hands.letter(letter)
        {
            board.place(jumper, place);
            used = true;
        }
        let acts = conductor.letter(self.began.elapsed(), letter);
        used |= !acts.is_empty();
        (acts, used)
    }

    /// Standard input has ended, which ends a run that somebody has to answer in.
    pub(super) fn nobody<P: Procedure>(&mut self, conductor: &mut Conductor<P>) -> Vec<Act> {
        if !self.needed {
            return Vec::new();
        }
        self.screen.say("standard input has ended: nobody can answer, so the test stops");
        conductor.no_keys(self.began.elapsed())
    }

    /// Hands a note on: in one line, and no longer than a screen shows; what is cut off is said.
    fn remark<P: Procedure>(&mut self, conductor: &mut Conductor<P>, text: &str) -> Vec<Act> {
        let plain = |c: char| if c.is_control() { ' ' } else { c };
        let note: String = text.trim().chars().map(plain).take(LONGEST_NOTE).collect();
        if text.trim().chars().count() > LONGEST_NOTE {
            self.screen.say(&format!("the note is cut after {LONGEST_NOTE} characters"));
        }
        conductor.remark(self.began.elapsed(), &note)
    }

    /// A note may be typed at any prompt, behind a `#`; whatever else was typed comes back.
    fn noted<P: Procedure>(
        &mut self,
        conductor: &mut Conductor<P>,
        typed: Typed,
    ) -> Result<Vec<Act>, Typed> {
        if let Typed::Line(line) = &typed
            && let Some(text) = line.strip_prefix('#')
        {
            return Ok(self.remark(conductor, text));
        }
        let Some(note) = &mut self.note else {
            if typed != Typed::Letter('#') || !self.value.is_empty() {
                return Err(typed);
            }
            self.note = Some(String::new());
            self.screen.noting(Some(""));
            return Ok(Vec::new());
        };
        match typed {
            Typed::Letter(_) | Typed::Key(Key::No) if note.chars().count() >= LONGEST_NOTE => {}
            Typed::Letter(letter) => note.push(letter),
            Typed::Key(Key::No) => note.push(' '),
            // Nothing left to take away: no note after all.
            Typed::Key(Key::Again) if note.is_empty() => self.note = None,
            Typed::Key(Key::Again) => drop(note.pop()),
            Typed::Key(Key::Yes) => {
                let note = self.note.take().unwrap_or_default();
                self.screen.noting(None);
                return Ok(self.remark(conductor, &note));
            }
            other => return Err(other),
        }
        self.screen.noting(self.note.as_deref());
        Ok(Vec::new())
    }
}
