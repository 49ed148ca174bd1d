//! The board file: the demo reads as its author meant, and mistakes are told with their place.

use strapwise::board::{self, Aref, Board, Kind, Level, NetId, Place, Problems, Setting};
use strapwise::units::{Farads, Hertz, Ohms, Ratio, Volts};

const DEMO: &str = include_str!("../protocols/vent-controller.toml");

fn demo() -> Board {
    board::parse("vent.toml", DEMO).unwrap_or_else(|problems| panic!("{problems}"))
}

/// The problems of the demo file with one text in it replaced by another.
fn broken(from: &str, to: &str) -> Problems {
    assert_eq!(DEMO.matches(from).count(), 1, "`{from}` is not once in the demo file");
    problems(&DEMO.replace(from, to))
}

fn problems(text: &str) -> Problems {
    board::parse("vent.toml", text).map(|_| ()).expect_err("the file has a mistake")
}

#[test]
fn the_demo_board_reads_as_its_author_meant() {
    let board = demo();
    let net = |name: &str| NetId(board.nets.iter().position(|n| n == name).expect("a net"));
    assert_eq!((board.name.as_str(), board.revision.as_str()), ("vent-controller", "B"));
    assert_eq!(board.chip.part, "ATmega328P");
    assert_eq!(board.supply.volts, Volts(5.0));
    assert_eq!(board.supply.tolerance, Ratio(0.05));
    assert_eq!((board.supply.net, board.supply.ground), (net("VCC"), net("GND")));
    assert_eq!(board.supply.aref, Aref::Capacitor);

    assert_eq!(board.resistors.len(), 14);
    let r3 = &board.resistors[2];
    assert_eq!((r3.id.as_str(), r3.ohms, r3.tolerance), ("R3", Ohms(2200.0), Ratio(0.01)));
    assert_eq!(r3.between, [net("TAP3"), net("TAP4")]);
    assert_eq!(board.capacitors[0].farads, Farads(10e-9));

    let k1 = &board.switches[0];
    assert_eq!((k1.pin.name, k1.active), ("PD5", Level::High));
    assert_eq!((k1.on, k1.drop), ((Ohms(1.0), Ohms(50.0)), (Volts(0.0), Volts(0.0))));

    let j5 = &board.jumpers[4];
    assert_eq!(j5.places(), [Place::At(0), Place::At(1), Place::Open]);
    assert_eq!(j5.positions[1].pins, [[2, 3]]);
    assert_eq!(j5.positions[1].joins, [[net("FEED"), net("GND")]]);
    assert!(!board.jumpers[0].open);

    let loop_back = &board.channels[4];
    assert_eq!((loop_back.id.as_str(), loop_back.kind), ("LOOP", Kind::Analog));
    assert_eq!((loop_back.closes.as_slice(), loop_back.pull_up), (&[0][..], false));

    assert_eq!(board.firmware.conversions, 4);
    assert_eq!((board.firmware.adc_clock, board.firmware.gap), (Hertz(125e3), Ratio(0.25)));
    assert_eq!(board.loads[0].sag, (Volts(0.015), Volts(0.12)));
    assert_eq!(board.delivery.text(&board), "J1=3 J2=fitted J3=open J4=open J5=wet J6=fitted");
    let address = &board.options[1];
    assert_eq!(address.meaning(&board.delivery), Some("1"));
    assert_eq!(address.meaning(&Setting::all_open(&board)), Some("0"));
    assert_eq!(board.questions[1].lit, [11, 12]);
    assert!(board.questions[1].expect && board.questions[1].dark.is_empty());
}
