//! Values and tolerances from a bill of materials, and what differs.

use super::{board_file, complaint, read};
use strapwise::board::{Assumed, Drift};
use strapwise::units::{Ohms, Ratio};

/// Two taps without values of their own.
fn taps(r2: &str, bom: &str) -> String {
    let part = |id: &str, a: &str, b: &str, more: &str| {
        format!("[[resistor]]\nid = \"{id}\"\nbetween = [\"{a}\", \"{b}\"]\n{more}\n")
    };
    let parts = [
        part("R1", "VCC", "TAP1", ""),
        part("R2", "TAP1", "TAP2", r2),
        part("R3", "TAP2", "GND", ""),
    ];
    board_file(&format!("{}[bom]\nfile = \"bom.csv\"\n{bom}", parts.concat()))
}

const BILL: &str = "Item,References,Value,Tolerance,Supplier\r\n\
                    1,\"R1, R3\",10k,1%,any\r\n2,R2,4K7,±5 %,any\r\n3,U1,ATmega328P,,any\r\n";

#[test]
fn values_and_tolerances_come_from_the_bill() {
    let board = read(&taps("", ""), &[("bom.csv", BILL)]).unwrap();
    let figures: Vec<_> = board.resistors.iter().map(|r| (r.ohms, r.tolerance)).collect();
    let (ten, five) = ((Ohms(10e3), Ratio(0.01)), (Ohms(4700.0), Ratio(0.05)));
    assert_eq!(figures, [ten, five, ten]);
}

#[test]
fn designators_are_lists_and_ranges_in_any_usual_form() {
    for cell in ["R1-R3", "R1-3", "R1..R3", "r1 R2;R3", "R1,R2-R3", " R1 , R2, R3 "] {
        let bill = format!("designator,value,tol\n\"{cell}\",10k,1%\n");
        let board = read(&taps("", ""), &[("bom.csv", &bill)]).expect(cell);
        assert!(board.resistors.iter().all(|r| r.ohms == Ohms(10e3)), "{cell}");
    }
}

#[test]
fn semicolons_tabs_a_byte_order_mark_and_lines_above_the_header_are_read() {
    let bill = BILL.replace("\"R1, R3\"", "R1 R3").replace(',', ";");
    let tabs = bill.replace(';', "\t");
    let above = format!("\u{feff}Bill of the vent controller\r\n\r\n{BILL}");
    for bill in [bill, tabs, above] {
        let board = read(&taps("", ""), &[("bom.csv", &bill)]).expect(&bill);
        assert_eq!(board.resistors[1].ohms, Ohms(4700.0));
    }
}

#[test]
fn columns_of_other_names_are_named_in_the_board_file() {
    let bill = "Where,What,How close\nR1-R3,10k,1%\n";
    let bom = "designators = \"where\"\nvalue = \"What\"\ntolerance = \"How close\"\n";
    assert!(read(&taps("", bom), &[("bom.csv", bill)]).is_ok());
    let told = complaint(read(&taps("", ""), &[("bom.csv", bill)]));
    assert!(told.contains("boards/bom.csv:1:1: no line names the columns"), "{told}");
}

#[test]
fn a_tolerance_in_the_cell_of_the_value_counts() {
    for cell in ["10k 1%", "10 kΩ ±1%", "10k/1%/0.1W", "10k 1% 0603"] {
        let bill = format!("reference,value\nR1-R3,{cell}\n");
        let board = read(&taps("", ""), &[("bom.csv", &bill)]).expect(cell);
        assert_eq!((board.resistors[0].ohms, board.resistors[0].tolerance.0), (Ohms(10e3), 0.01));
    }
}

#[test]
fn differences_between_file_and_bill_are_told_with_both_places() {
    let here = "value = \"5k1\"\ntolerance = \"1%\"";
    let told = complaint(read(&taps(here, ""), &[("bom.csv", BILL)]));
    assert!(told.contains("R2 is 5.1 kΩ here and 4.7 kΩ in line 3 of boards/bom.csv"), "{told}");
    assert!(told.contains("R2 is ±1 % here and ±5 % in line 3 of boards/bom.csv"), "{told}");
    let same = "value = \"4.7k\"\ntolerance = \"5%\"";
    assert!(read(&taps(same, ""), &[("bom.csv", BILL)]).is_ok());
}

#[test]
fn a_part_that_the_bill_has_not_is_told_unless_the_board_file_says_so() {
    let bill = "reference,value,tolerance\nR1 R3,10k,1%\n";
    let own = "value = \"4k7\"\ntolerance = \"5%\"";
    let told = complaint(read(&taps(own, ""), &[("bom.csv", bill)]));
    assert!(told.contains("R2 is not in boards/bom.csv"), "{told}");
    assert!(read(&taps(own, "without = [\"R2\"]\n"), &[("bom.csv", bill)]).is_ok());
    let told = complaint(read(&taps(own, "without = [\"R2\", \"R9\"]\n"), &[("bom.csv", bill)]));
    assert!(told.contains("[bom] leaves out `R9`, which is no part"), "{told}");
}

#[test]
fn what_is_wrong_in_the_bill_is_told_at_its_place_in_the_bill() {
    for (bill, at, why) in [
        ("reference,value,tol\nR1-R3,ten,1%\n", "2:7", "R1: `ten` is not a resistance"),
        ("reference,value,tol\nR1-R3,10k,1\n", "2:11", "R1: `1` carries neither % nor ppm"),
        ("reference,value,tol\nR1-R3,100nF,1%\n", "2:7", "R1: `100nF` is a capacitance"),
        ("reference,value,tol\nR1-R3,5V,1%\n", "2:7", "is a voltage, not a resistance"),
        ("reference,value,tol\nR1-R3,10k,1%\nR2,10k,1%\n", "3:1", "R2 stands here a second time"),
    ] {
        let told = complaint(read(&taps("", ""), &[("bom.csv", bill)]));
        assert!(told.contains(&format!("boards/bom.csv:{at}: ")), "{told}");
        assert!(told.contains(why), "{told}");
    }
}

#[test]
fn a_netlist_and_its_bill_are_compared_too() {
    let netlist = "two taps\nR1 VCC TAP1 10k\nR2 TAP1 TAP2 5.1k\nR3 TAP2 0 10k\n";
    let more = "[netlist]\nfile = \"board.cir\"\n[bom]\nfile = \"bom.csv\"\n";
    let told = complaint(read(&board_file(more), &[("board.cir", netlist), ("bom.csv", BILL)]));
    assert!(
        told.contains("boards/board.cir:3:1: R2 is 5.1 kΩ here and 4.7 kΩ in line 3"),
        "{told}"
    );
    let agreed = netlist.replace("5.1k", "4.7k");
    let board =
        read(&board_file(more), &[("board.cir", &agreed), ("bom.csv", BILL)]).expect("agreed");
    assert_eq!(board.resistors[1].tolerance, Ratio(0.05));
}

const DRIFTS: &str = "References,Value,Tolerance,TCR,Ageing\n\
                      \"R1, R3\",10k,1%,±50 ppm/℃,0.2 % assumed\nR2,4K7,5%,,-\n";

fn either_way(ppm: f64) -> Option<(Ratio, Ratio)> {
    Some((Ratio(-ppm / 1e6), Ratio(ppm / 1e6)))
}

#[test]
fn the_drift_of_a_resistor_comes_from_the_bill_too() {
    let board = read(&taps("", ""), &[("bom.csv", DRIFTS)]).unwrap();
    let assumed = Assumed { tempco: false, ageing: true };
    let first =
        Drift { tempco: either_way(50.0), ageing: Some(Ratio(0.002)), array: None, assumed };
    assert_eq!(board.resistors[0].drift, first);
    assert_eq!(board.resistors[1].drift, Drift::default(), "empty cells say nothing");
    assert_eq!(board.resistors[2].drift, first);

    // The file's own figures stand where they agree, and fill what the bill leaves empty.
    let own = "tempco = \"25ppm/K\"\nageing = \"0.1%\"\n";
    let board = read(&taps(own, ""), &[("bom.csv", DRIFTS)]).unwrap();
    assert_eq!(board.resistors[1].drift.tempco, either_way(25.0));
    let told =
        complaint(read(&taps(own, ""), &[("bom.csv", &DRIFTS.replace(",,-", ",100ppm,1%"))]));
    let place = "in line 3 of boards/bom.csv";
    for what in [
        "the temperature coefficient of R2 is -25 to 25 ppm/K here and -100 to 100 ppm/K",
        "the ageing of R2 is 0.1 % here and 1 %",
    ] {
        assert!(told.contains(&format!("{what} {place}")), "{told}");
    }
}

#[test]
fn what_is_wrong_with_a_drift_in_the_bill_is_told_at_its_cell() {
    let wrong = DRIFTS.replace("±50 ppm/℃", "50");
    let told = complaint(read(&taps("", ""), &[("bom.csv", &wrong)]));
    assert!(told.contains("boards/bom.csv:2:17: R1: `50` is no temperature coefficient"), "{told}");
    let told = complaint(read(&taps("", "ageing = \"Drift\"\n"), &[("bom.csv", DRIFTS)]));
    assert!(told.contains("no column `drift`"), "{told}");
    assert!(told.contains("correct `ageing` of [bom]"), "{told}");
    let named = taps("", "tempco = \"T.C.R.\"\n");
    let board = read(&named, &[("bom.csv", &DRIFTS.replace("TCR", "T.C.R."))]).unwrap();
    assert_eq!(board.resistors[0].drift.tempco, either_way(50.0));
}
