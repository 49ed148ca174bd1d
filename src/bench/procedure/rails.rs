//! Supply to ground by meter, before everything else: a short between the rails gets no power.

use super::super::meter::{self, Said};
use super::*;
use crate::board::Setting;
use crate::units::Ohms;
use crate::window;

impl Bench {
    /// Whether the supply is measured to ground before the power is on.
    pub(super) fn rails_first(&self) -> bool {
        self.board.supply.before_power.is_some()
    }

    /// Asks what the meter shows from supply to ground.
    pub(super) fn ask_rails(&mut self, tries: u8, doubted: Option<Ohms>, refused: Option<String>) {
        self.state = State::Rails { tries, doubted };
        self.prompt(Prompt::Rails { refused });
    }

    /// A line was typed of it.
    pub(super) fn rails_typed(
        &mut self,
        now: Duration,
        tries: u8,
        doubted: Option<Ohms>,
        text: &str,
    ) {
        let tries = tries + 1;
        let said = match meter::read(text) {
            Err(why) if tries < meter::MOST_TRIES => {
                return self.ask_rails(tries, doubted, Some(why));
            }
            Err(_) | Ok(Said::Skip) => None,
            Ok(Said::Value(typed)) => Some(typed),
        };
        let setting = Setting::all_open(&self.board);
        let Some(band) = window::rails_band(&self.board, &setting) else { return };
        let (verdict, reason) = meter::rails(&self.board, band, said.as_ref());
        let bad = said.as_ref().map(|t| t.ohms).filter(|_| verdict == Verdict::Fail);
        if let Some(ohms) = bad.filter(|&ohms| !meter::same(doubted, ohms))
            && tries < meter::MOST_TRIES
        {
            let why = format!(
                "{ohms} is not what a good unit shows here: look at the tips and the meter's range \
                 (k, M), wait until the capacitors are charged, then type what it shows"
            );
            return self.ask_rails(tries, Some(ohms), Some(why));
        }
        let short = said.as_ref().is_some_and(|t| t.ohms.0 < band.low);
        self.tally.count(verdict, "supply to ground", || reason.clone());
        self.tell(Event::Rails { typed: said, band, verdict, reason });
        match short {
            // It is not switched on.
            true => self.close(now, None),
            false => self.after_rails(now),
        }
    }

    fn after_rails(&mut self, now: Duration) {
        if !self.walk.metered.is_empty() {
            return self.begin_stops();
        }
        let last = Setting::all_open(&self.board);
        self.power_on(now, &last);
    }
}
