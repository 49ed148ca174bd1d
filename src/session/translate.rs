//! What the bench asks, in the probe's language, and the probe's replies in the bench's.

use crate::bench::{Answer, Ask, Boot, Burst, Presence, ProbeInfo, Pull};
use crate::board::{Board, BusPart, Level, Reference as Wired};
use crate::probe::message::{self, Reference, Reply, Request};
use std::collections::BTreeSet;

/// The prescaler that the probe samples with: 125 kHz or, at 8 MHz, half of that, within the 50 to
/// 200 kHz that full resolution needs (ATmega328P, 8271H section 24.4).
const PRESCALER: u8 = 128;

/// Silence after which the probe switches everything off, in milliseconds.
const HOLD_MS: u32 = 3000;

/// The reference that the product's converter has.
fn product_reference(board: &Board) -> Reference {
    match board.firmware.reference {
        Wired::Supply => Reference::Supply,
        Wired::Internal(_) => Reference::Internal,
        Wired::External(..) => Reference::External,
    }
}

/// A measurement of a pin against the product's reference, or against the supply where the wiring
/// of AREF allows that.
///
/// On a board where it is not the supply the reference is named in every line: a probe that was
/// reset meanwhile would join the supply to what feeds AREF.
fn against(board: &Board, request: Request, by_supply: bool) -> Request {
    let references = match product_reference(board) {
        Reference::Supply => return request,
        Reference::External => vec![Reference::External],
        Reference::Internal if by_supply => vec![Reference::Internal, Reference::Supply],
        Reference::Internal => vec![Reference::Supply, Reference::Internal],
    };
    Request::Against { references, request: Box::new(request) }
}

/// The requests that answer one ask, in order.
pub fn requests(board: &Board, ask: &Ask) -> Vec<Request> {
    let measured = |request: Request| vec![against(board, request, false)];
    let pin = |channel: usize| board.channels[channel].pin.number;
    match *ask {
        Ask::Who | Ask::Return => vec![Request::Identify, Request::Identity, Request::Boot],
        Ask::Boot => vec![Request::Boot],
        Ask::Prepare => prepare(board),
        Ask::Burst { channel, n, pull_up, discard, settle_us } => {
            let (channel, prescaler) = (pin(channel), PRESCALER);
            measured(Request::Burst { channel, n, pull_up, settle_us, discard, prescaler })
        }
        Ask::Codes { channel, n, discard, settle_us }
        | Ask::Samples { channel, n, discard, settle_us } => {
            let (channel, prescaler, pull_up) = (pin(channel), PRESCALER, false);
            let bits = board.chip.bits();
            measured(Request::Raw { channel, n, pull_up, settle_us, discard, prescaler, bits })
        }
        Ask::Product { channel, before } => measured(Request::Product {
            previous: pin(before),
            channel: pin(channel),
            n: board.firmware.conversions,
            discard: board.firmware.discard,
            prescaler: product_prescaler(board),
            reference: product_reference(board),
        }),
        Ask::Level { channel, n, pull, settle_us } => {
            let pull = match pull {
                Pull::Off => message::Pull::Off,
                Pull::Up => message::Pull::Up,
                Pull::Discharged => message::Pull::Discharged,
            };
            vec![Request::Level { channel: pin(channel), n, pull, settle_us }]
        }
        // An open pin is charged up to the supply: a smaller reference would not see it walk.
        Ask::Charge { channel, pairs } => {
            vec![against(board, Request::Charge { channel: pin(channel), pairs }, true)]
        }
        Ask::Supply { n } => vec![Request::Supply { n }],
        Ask::Step { channel, ref loads, n } => {
            let loads = loads.iter().map(|&load| board.loads[load].pin.number).collect();
            let (channel, bits) = (channel.map(pin), board.chip.bits());
            let step = Request::Step { channel, loads, before: n, after: n, bits };
            // The supply is read against itself, whatever the product refers to.
            if channel.is_none() { vec![step] } else { measured(step) }
        }
        Ask::Presence { part } => {
            let BusPart { address, pull_ups: pull_up, ref sda, ref scl, .. } =
                board.bus_parts[part];
            let (sda, scl) = (sda.number, scl.number);
            vec![Request::Presence { address, pull_up, sda, scl }]
        }
        Ask::Switch { switch, on } => output(board.switches[switch].pin.number, on),
        Ask::Load { load, on } => output(board.loads[load].pin.number, on),
        Ask::AllOff => vec![Request::Abort],
        Ask::Fuses => vec![Request::Fuses],
        Ask::Slots => vec![Request::Slot { slot: 1 }, Request::Slot { slot: 2 }],
        Ask::Own { identity, ref unit } => {
            // A serial number that the chip has no room for is not written; the number is enough.
            let unit = message::unit_name_problem(unit).map_or(unit.as_str(), |_| "");
            vec![Request::WriteIdentity { identity, unit: unit.to_string() }]
        }
        Ask::PutBack([ref first, ref second]) => vec![
            Request::WriteSlot { slot: 1, bytes: first.clone() },
            Request::WriteSlot { slot: 2, bytes: second.clone() },
        ],
    }
}

/// Drives a pin. Before it goes off it is asked whether it was still on: after a silent while the
/// probe switches everything off by itself, and what was read since was read without it.
fn output(pin: u8, on: bool) -> Vec<Request> {
    let drive = Request::Output { pin, on };
    if on { vec![drive] } else { vec![Request::OutputState { pin }, drive] }
}

/// Names the pins that may be driven, by off level, and how long silence may last.
fn prepare(board: &Board) -> Vec<Request> {
    let switches = board.switches.iter().map(|s| (s.pin.number, s.active.other()));
    let loads = board.loads.iter().map(|l| (l.pin.number, l.off));
    let pins: Vec<(u8, Level)> = switches.chain(loads).collect();
    let with_off = |level: Level| -> Vec<u8> {
        pins.iter().filter(|&&(_, off)| off == level).map(|&(pin, _)| pin).collect()
    };
    let groups = [(false, with_off(Level::Low)), (true, with_off(Level::High))];
    let named = groups.into_iter().filter(|(_, pins)| !pins.is_empty());
    let allow = named.map(|(off_high, pins)| Request::Allow { pins, off_high });
    let discharged = board.channels.iter().filter(|c| c.discharge).map(|c| c.pin.number);
    let buses = board.bus_parts.iter().flat_map(|part| [part.sda.number, part.scl.number]);
    let low: BTreeSet<u8> = discharged.chain(buses).collect();
    let pins: Vec<u8> = low.into_iter().collect();
    let pulled_low = (!pins.is_empty()).then_some(Request::AllowDischarge { pins });
    allow.chain(pulled_low).chain([Request::Hold { ms: HOLD_MS }]).collect()
}

/// The prescaler nearest to the product's converter clock.
fn product_prescaler(board: &Board) -> u8 {
    let ratio = board.clock.0 / board.firmware.adc_clock.0;
    let distance = |p: &u8| (f64::from(*p) / ratio).ln().abs();
    let prescalers = [16u8, 32, 64, 128];
    prescalers.into_iter().min_by(|a, b| distance(a).total_cmp(&distance(b))).unwrap_or(PRESCALER)
}

/// The answer that the replies make, one reply for each request.
pub fn answer(ask: &Ask, replies: &[Reply]) -> Answer {
    match (ask, replies) {
        (
            Ask::Who | Ask::Return,
            [
                Reply::Identified { model, firmware, .. },
                Reply::Identity { identity, unit },
                boot @ Reply::Boot { .. },
            ],
        ) => Answer::Who(ProbeInfo {
            model: model.clone(),
            version: firmware.clone(),
            identity: if *identity == 0 { String::new() } else { format!("{identity:08X}") },
            unit: unit.clone(),
            boot: self::boot(boot),
        }),
        (Ask::Boot, [boot @ Reply::Boot { .. }]) => Answer::Boot(self::boot(boot)),
        (Ask::Burst { .. } | Ask::Product { .. } | Ask::Supply { .. }, [Reply::Burst(b)]) => {
            Answer::Burst(burst(b))
        }
        (Ask::Codes { .. }, [Reply::Raw(raw)]) => {
            let codes = raw.frames.iter().flat_map(|f| f.codes.iter().copied()).collect();
            Answer::Codes(burst(&raw.burst), codes)
        }
        (Ask::Samples { .. }, [Reply::Raw(raw)]) => {
            Answer::Samples { before: None, burst: burst(&raw.burst), codes: in_place(raw) }
        }
        (Ask::Presence { .. }, [Reply::Presence(found)]) => Answer::Presence(match found {
            message::Presence::Answers => Presence::Answers,
            message::Presence::Silent => Presence::Silent,
            message::Presence::HeldLow => Presence::HeldLow,
        }),
        (Ask::Step { .. }, [Reply::Step { before, after, .. }]) => Answer::Samples {
            before: Some(burst(before)),
            burst: burst(&after.burst),
            codes: in_place(after),
        },
        (Ask::Level { .. }, [Reply::Level { n, ones }]) => Answer::Level { n: *n, ones: *ones },
        (Ask::Charge { .. }, [Reply::Charge { first, last, .. }]) => {
            // The probe sends sums of four codes.
            Answer::Charge { first: f64::from(*first) / 4.0, last: f64::from(*last) / 4.0 }
        }
        (
            Ask::Switch { on: false, .. } | Ask::Load { on: false, .. },
            [Reply::Output(false), ..],
        ) => {
            Answer::Refused("an output had gone off by itself, the line was silent too long".into())
        }
        (Ask::Slots, [Reply::Slot(first), Reply::Slot(second)]) => {
            Answer::Slots([first.clone(), second.clone()])
        }
        (Ask::Fuses, [Reply::Fuses { low, high, extended, lock }]) => {
            Answer::Fuses([*low, *high, *extended, *lock])
        }
        (Ask::Own { .. } | Ask::PutBack(_), _) => Answer::Done,
        (Ask::Prepare | Ask::Switch { .. } | Ask::Load { .. } | Ask::AllOff, _) => Answer::Done,
        _ => Answer::Refused("the probe answered something else than it was asked".into()),
    }
}

/// Every code in its place, those that did not come left out.
fn in_place(raw: &message::Raw) -> Vec<Option<u16>> {
    let mut codes = vec![None; raw.burst.n as usize];
    for frame in &raw.frames {
        let places = codes.iter_mut().skip(frame.first as usize);
        places.zip(&frame.codes).for_each(|(place, code)| *place = Some(*code));
    }
    codes
}

fn boot(reply: &Reply) -> Boot {
    match reply {
        Reply::Boot { count, cause, uptime } => Boot {
            count: *count,
            cause: cause.word().to_string(),
            uptime_ms: u32::try_from(uptime.as_millis()).unwrap_or(u32::MAX),
        },
        _ => Boot::default(),
    }
}

fn burst(b: &message::Burst) -> Burst {
    Burst {
        n: b.n,
        mean: b.mean(),
        sd: b.sd(),
        lag1: b.lag1().unwrap_or(0.0),
        min: b.min,
        max: b.max,
        q01: b.q01,
        q99: b.q99,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_load_that_went_off_by_itself_is_not_taken_for_one_that_was_on() {
        let off = Ask::Load { load: 0, on: false };
        assert_eq!(answer(&off, &[Reply::Output(true), Reply::Done]), Answer::Done);
        let gone = answer(&off, &[Reply::Output(false), Reply::Done]);
        assert!(matches!(gone, Answer::Refused(_)), "{gone:?}");
        let asked = output(9, false);
        assert_eq!(asked[0], Request::OutputState { pin: 9 }, "it is asked before it goes off");
    }

    #[test]
    fn at_half_the_clock_the_product_is_imitated_with_half_the_prescaler() {
        let text = include_str!("../../protocols/vent-controller.toml");
        let at = |clock: &str| {
            let chip = "chip = \"atmega328p\"";
            let text = text.replace(chip, &format!("{chip}\nclock = \"{clock}\""));
            let board = crate::board::parse("demo", &text).expect("a board");
            product_prescaler(&board)
        };
        // 125 kHz, as the board file has it.
        assert_eq!([at("16MHz"), at("8MHz")], [128, 64]);
    }

    #[test]
    fn with_a_voltage_at_aref_every_measurement_of_a_pin_names_it_in_its_own_line() {
        let text = include_str!("../../protocols/examples/internal-reference.toml");
        let internal = crate::board::parse("internal", text).expect("a board");
        let at_aref = "\"external\"\naref_volts = \"1.25V\"\naref_tolerance = \"0.5%\"";
        let text = text.replace("\"capacitor\"", at_aref).replace("\"internal\"", "\"external\"");
        let external = crate::board::parse("external", &text).expect("a board");
        let (channel, n, discard, settle_us) = (0, 961, 2, 100);
        let asks = [
            Ask::Burst { channel, n, pull_up: true, discard, settle_us },
            Ask::Codes { channel, n, discard, settle_us },
            Ask::Product { channel, before: channel },
            Ask::Charge { channel, pairs: 16 },
        ];
        for (board, pins, charge) in
            [(&external, "EXT", "EXT"), (&internal, "SUPP,INT", "INT,SUPP")]
        {
            for ask in &asks {
                let references = if matches!(ask, Ask::Charge { .. }) { charge } else { pins };
                let [request] = &requests(board, ask)[..] else { panic!("one line: {ask:?}") };
                let line = String::from_utf8(request.encode("t")).expect("7-bit text");
                assert!(line.starts_with(&format!("SYST:REF {references};:MEAS:")), "{line}");
            }
        }
    }
}
