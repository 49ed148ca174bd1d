//! The supply itself, before the first move: read through the internal reference, and by a person
//! with a meter where the board file wants the reference calibrated.

use super::super::meter;
use super::super::supply::{self, By};
use super::*;

/// How often a value is asked for before it counts as not measured: whoever types, the run ends.
pub(super) const MOST_TRIES: u8 = 20;

impl Bench {
    /// What is known of the unit's supply before the run.
    #[must_use]
    pub fn supplied(mut self, known: supply::Known) -> Bench {
        self.known = known;
        self
    }

    pub(super) fn begin_supply(&mut self, now: Duration) {
        // Who the unit is was asked first: a chip with another number has another reference.
        let came_with = &self.came_with;
        if let Some(other) = self.known.calibration.take_if(|c| c.is_of_another(came_with)) {
            let (on, net) = (other.on, self.board.net_name(self.board.supply.net));
            self.tell(Event::Note(format!(
                "the calibration of {on} is of another chip and does not count: {net} is measured anew"
            )));
        }
        let known = self.known.metered.is_some() || self.known.calibration.is_some();
        if (self.board.supply.calibrate || self.board.supply.by_meter) && !known {
            return self.ask_volts(Volting::default(), None);
        }
        let by = match self.known.clone() {
            supply::Known { metered: Some(metered), .. } => By::Meter(metered),
            supply::Known { calibration: Some(calibration), .. } => By::Calibration(calibration),
            supply::Known { .. } => By::DataSheet,
        };
        self.read_supply(now, by, None);
    }

    fn ask_volts(&mut self, at: Volting, refused: Option<String>) {
        self.state = State::Volting { at };
        self.prompt(Prompt::SupplyVolts { loads: Vec::new(), refused });
    }

    /// The operator typed what a meter shows of the supply.
    pub(super) fn volts_typed(&mut self, now: Duration, text: &str) {
        let State::Volting { at } = &self.state else { return };
        let mut at = *at;
        at.tries += 1;
        let by = match supply::read(text) {
            Err(why) if at.tries < MOST_TRIES => {
                return self.ask_volts(at, Some(supply::or_skip(&why)));
            }
            Err(_) | Ok(None) => By::NoMeter,
            Ok(Some(metered)) => By::Meter(metered),
        };
        self.read_supply(now, by, Some(at));
    }

    /// Reads the reference in the moment of the meter's reading, where the probe can.
    fn read_supply(&mut self, now: Duration, by: By, asked: Option<Volting>) {
        if !self.board.chip.reads_supply {
            // Without a meter there is nothing that could be judged.
            return match by {
                By::Meter(_) | By::NoMeter => self.judge_supply(now, None, by, asked),
                By::DataSheet | By::Calibration(_) => self.begin_step(now),
            };
        }
        let ask = Ask::Supply { n: BURST };
        let sweep = Sweep::new().ask(ask, Keep::Supply).ask(Ask::Boot, Keep::Boot);
        self.state = State::Supplying { sweep, by, asked };
        self.go_on(now);
    }

    /// The reference has been read; a reading across two boots is taken again.
    pub(super) fn supply_read(&mut self, now: Duration, got: &Got, by: By, asked: Option<Volting>) {
        if self.rebooted(now, got) {
            return self.supply_again(now, After::Supply);
        }
        self.judge_supply(now, got.supply, by, asked);
    }

    /// The probe was reset while the supply was read: it is read again, not for ever.
    pub(super) fn supply_again(&mut self, now: Duration, then: After) {
        let why = format!("the probe was reset ({})", self.reset_cause());
        if self.attempt >= MOST_ATTEMPTS {
            let why = format!("{why}, {MOST_ATTEMPTS} times without load: {STEADY_FIRST}");
            return self.end(Some(Cut::Probe(why)), false);
        }
        let at = self.at();
        self.tell(Event::Voided { at, why: format!("{why}; the supply is read again") });
        self.attempt += 1;
        self.prepare(now, then);
    }

    /// Judges it; a meter's value that is no good unit's is asked for once more.
    fn judge_supply(
        &mut self,
        now: Duration,
        burst: Option<Burst>,
        by: By,
        asked: Option<Volting>,
    ) {
        let check = supply::judge(&self.board, burst, by);
        if let (By::Meter(metered), Some(at)) = (&check.by, asked)
            && check.verdict != Verdict::Pass
            && !meter::same_volts(at.doubted, metered.volts)
            && at.tries < MOST_TRIES
        {
            let why = format!(
                "{}. Look at the tips and the meter's range, then type what it shows, again if it \
                 is the same",
                check.reason
            );
            return self.ask_volts(Volting { doubted: Some(metered.volts), ..at }, Some(why));
        }
        self.reference = check.reference(&self.board);
        self.idle_by_meter = match &check.by {
            By::Meter(metered) if check.verdict != Verdict::NotTested => Some(metered.volts),
            _ => None,
        };
        let reason = check.reason.clone();
        self.tally.count(check.verdict, "supply", || format!("supply: {reason}"));
        self.tell(Event::Volts(check));
        self.attempt = 1;
        self.begin_step(now);
    }
}

/// How far the asking for the supply's voltage has come.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Volting {
    /// Lines typed.
    pub(super) tries: u8,
    /// The value that no good unit gives for which it was asked for again.
    pub(super) doubted: Option<Volts>,
}
