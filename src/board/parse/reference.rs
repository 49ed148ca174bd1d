//! How AREF is wired, what the product's converter refers to, and what the chip makes of both.

use super::super::chip::{Chip, ChipPin, Internal};
use super::super::{Aref, Firmware, Reference, Supply};
use super::Reading;
use super::table::Fields;
use crate::units::{Allow, Hertz, Quantity, Volts};
use std::sync::Arc;

const ALIKE: f64 = 1e-3;

impl<'a> Reading<'a, '_> {
    /// How AREF is wired, with the voltage of its own where it has one.
    pub(super) fn aref(&mut self, part: &Fields<'a>) -> Option<Aref> {
        let words = [("capacitor", false), ("supply", false), ("external", true)];
        let external = part.choice(&mut self.log, "aref", &words)?;
        if external {
            let volts: Option<Volts> =
                part.quantity(&mut self.log, "aref_volts", "\"4.096V\"", Allow::Positive);
            let tolerance = part.share(&mut self.log, "aref_tolerance", "\"0.5%\"");
            let (volts, tolerance) = (volts?, tolerance?.0);
            let (low, high) = (volts.0 * (1.0 - tolerance), volts.0 * (1.0 + tolerance));
            return Some(Aref::External(Volts(low), volts, Volts(high)));
        }
        for key in ["aref_volts", "aref_tolerance"] {
            if let Some(value) = part.get(key) {
                let what = format!("`{key}` is only for an AREF with a voltage of its own");
                let do_next = "write `aref = \"external\"`, or take it out";
                self.log.add(value.span().start, what, do_next);
            }
        }
        let wired = part.get("aref").and_then(|v| v.get_ref().as_str());
        Some(if wired == Some("supply") { Aref::Supply } else { Aref::Capacitor })
    }

    /// Fits the chip to the board's supply, clock and reference, and the other way round.
    pub(super) fn fit_chip(
        &mut self,
        root: &Fields<'a>,
        supply: Option<&Supply>,
        firmware: Option<&mut Firmware>,
    ) {
        let (Some(supply), Some(firmware), Some(chip)) = (supply, firmware, self.chip.clone())
        else {
            return;
        };
        self.check_supply(root, supply, &chip);
        self.clock(root, firmware, &chip);
        if let Some(reference) = self.reference(root, supply, &chip) {
            firmware.reference = reference;
        }
        let mut fitted = (*chip).clone();
        let (volts, tolerance) = (supply.volts.0, supply.tolerance.0);
        let range = (Volts(volts * (1.0 - tolerance)), Volts(volts * (1.0 + tolerance)));
        fitted.suit(range, firmware.adc_clock);
        if let Reference::Internal(Internal { total: Some(total), .. }) = firmware.reference {
            fitted.total = Some(total);
        }
        // What cannot be selected cannot be read against.
        fitted.reads_supply &= !(matches!(supply.aref, Aref::External(..)) && chip.shared_aref);
        if supply.by_meter && fitted.reads_supply {
            let what = "`by_meter` of [supply] is for a probe that cannot read the supply";
            let do_next =
                "take it out; `calibrate = true` has a meter calibrate the chip's reference";
            self.log.add(Self::place(root, "supply", "by_meter"), what, do_next);
        }
        if matches!(supply.aref, Aref::External(..)) && chip.aref_pin.is_some() {
            let taken = |pin: &&mut ChipPin| Some(&*pin.name) == chip.aref_pin;
            fitted.pins.to_mut().iter_mut().filter(taken).for_each(|pin| pin.reserved = true);
        }
        if let Some(clocks) = self.sample_clocks(root) {
            fitted.sampling.clocks = clocks;
        }
        self.chip = Some(Arc::new(fitted));
    }

    /// Where a key of a table stands, or the table.
    fn place(root: &Fields<'a>, table: &str, key: &str) -> usize {
        let Some(value) = root.get(table) else { return root.at };
        let key = value.get_ref().as_table().and_then(|t| t.get(key));
        key.map_or(value.span().start, |v| v.span().start)
    }

    fn check_supply(&mut self, root: &Fields<'a>, supply: &Supply, chip: &Chip) {
        let (low, high) = chip.works;
        if !(low..=high).contains(&supply.volts) {
            let what =
                format!("the {} works at {low} to {high}, not at {}", chip.part, supply.volts);
            let do_next = "correct `volts`, or `chip` in [board]";
            self.log.add(Self::place(root, "supply", "volts"), what, do_next);
        }
        if let Aref::External(_, volts, _) = supply.aref
            && volts > supply.volts
        {
            let what = format!("the reference of {volts} is above the supply of {}", supply.volts);
            let do_next = "a reference must not be above the supply; correct one of the two";
            self.log.add(Self::place(root, "supply", "aref_volts"), what, do_next);
        }
    }

    fn clock(&mut self, root: &Fields<'a>, firmware: &mut Firmware, chip: &Chip) {
        let given = root.get("firmware").and_then(|v| v.get_ref().as_table()?.get("adc_clock"));
        if given.is_none() {
            firmware.adc_clock = chip.clock.usual;
        }
        let (Hertz(least), Hertz(most)) = (chip.clock.least, chip.clock.most);
        if firmware.adc_clock.0 < least || firmware.adc_clock.0 > most {
            let what = format!(
                "the converter of the {} is clocked at {} to {}, not at {}",
                chip.part, chip.clock.least, chip.clock.most, firmware.adc_clock
            );
            let do_next = format!("write `adc_clock = \"{}\"`", chip.clock.usual);
            self.log.add(Self::place(root, "firmware", "adc_clock"), what, do_next);
        }
    }

    /// What the converter refers to, if the wiring of AREF allows it.
    fn reference(&mut self, root: &Fields<'a>, supply: &Supply, chip: &Chip) -> Option<Reference> {
        let external = match supply.aref {
            Aref::External(low, nominal, high) => Some(Reference::External(low, nominal, high)),
            Aref::Capacitor | Aref::Supply => None,
        };
        let table = root.get("firmware").and_then(|v| Some((v.get_ref().as_table()?, v.span())));
        let part = table.map(|(t, span)| Fields::named(t, span.start, "[firmware]"));
        let Some(part) = part.filter(|p| p.get("reference").is_some()) else {
            return Some(external.unwrap_or(Reference::Supply));
        };
        let words = [("supply", 0), ("internal", 1), ("external", 2)];
        let chosen = part.choice(&mut self.log, "reference", &words)?;
        let at = Self::place(root, "firmware", "reference");
        let (what, do_next) = match (chosen, external) {
            (2, Some(reference)) => return Some(reference),
            (2, None) => (
                "nothing feeds AREF a voltage of its own".to_string(),
                match supply.aref {
                    Aref::Supply => "AREF is at the supply: write `reference = \"supply\"`",
                    _ => {
                        "write `aref = \"external\"` with its `aref_volts` in [supply], or \
                          another reference"
                    }
                },
            ),
            (_, Some(_)) if chip.shared_aref => (
                "AREF has a voltage of its own, which another reference would be joined to inside \
                 the chip"
                    .to_string(),
                "write `reference = \"external\"`, or take the voltage off AREF",
            ),
            (1, None) if chip.shared_aref && supply.aref == Aref::Supply => (
                "AREF is joined to the supply, which the internal reference would be joined to \
                 inside the chip"
                    .to_string(),
                "write `reference = \"supply\"`, or leave AREF with a capacitor only",
            ),
            (1, _) => return self.internal(&part, chip, at),
            _ => return Some(Reference::Supply),
        };
        self.log.add(at, what, do_next);
        None
    }

    /// The internal reference: the usual one, or the one of `reference_volts`.
    fn internal(&mut self, part: &Fields<'a>, chip: &Chip, at: usize) -> Option<Reference> {
        let Some(usual) = chip.internal.first() else {
            let what = format!("the {} has no internal reference", chip.part);
            self.log.add(at, what, "write `reference = \"supply\"`");
            return None;
        };
        let Some(value) = part.get("reference_volts") else {
            return Some(Reference::Internal(*usual));
        };
        let like = format!("\"{}\"", usual.typical.si());
        let volts: Volts =
            part.quantity(&mut self.log, "reference_volts", &like, Allow::Positive)?;
        let near = |i: &&Internal| (i.typical.0 / volts.0 - 1.0).abs() < ALIKE;
        let found = chip.internal.iter().find(near);
        if found.is_none() {
            let all: Vec<String> = chip.internal.iter().map(|i| i.typical.to_string()).collect();
            let what = format!("the {} has no internal reference of {volts}", chip.part);
            self.log.add(value.span().start, what, format!("it has {}", all.join(", ")));
        }
        found.map(|&i| Reference::Internal(i))
    }

    /// Clocks that the product samples for, where its firmware sets them.
    fn sample_clocks(&mut self, root: &Fields<'a>) -> Option<f64> {
        let value = root.get("firmware")?;
        let part = Fields::named(value.get_ref().as_table()?, value.span().start, "[firmware]");
        part.get("sample_clocks")?;
        part.number(&mut self.log, "sample_clocks", "2.5", 0.5..=4096.0)
    }
}
