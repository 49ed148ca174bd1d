//! How likely each kind of defect is.

use super::super::{KINDS, Odds, WEIGHTS};
use super::Reading;
use super::table::{Fields, number};

impl<'a> Reading<'a, '_> {
    /// The `[odds]` table; it and each of its keys may be left out.
    pub(super) fn odds(&mut self, root: &Fields<'a>) -> Option<Odds> {
        if root.get("odds").is_none() {
            return Some(Odds::default());
        }
        let part = self.single(root, "odds", &KINDS)?;
        let mut odds = Odds::default();
        let mut wrong = false;
        for kind in KINDS {
            let Some(value) = part.get(kind) else { continue };
            match number(value).filter(|weight| WEIGHTS.contains(weight)) {
                Some(weight) => odds.0.push((kind, weight)),
                None => {
                    let (low, high) = (WEIGHTS.start(), WEIGHTS.end());
                    let what = format!("`{kind}` of [odds] is no number from {low} to {high}");
                    let do_next = format!("write `\"{kind}\" = 3`; 1 is what a bridge has");
                    self.log.add(value.span().start, what, do_next);
                    wrong = true;
                }
            }
        }
        (!wrong).then_some(odds)
    }
}
