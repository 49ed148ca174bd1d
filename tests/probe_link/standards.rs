//! The language against values from outside the project. P and F numbers are those of the
//! project's collection of check values; the published source stands beside each.

use crate::stand_in::{ask, next_error, probe};
use strapwise::probe::core::PinMode;

/// P1 and P2: the lists of IEEE 488.2 section 10 and SCPI-1999 section 4.2.1, as published with
/// the crate `scpi` 0.4.3.
#[test]
fn all_commands_that_the_standards_require_are_understood() {
    let required = "*CLS *ESE_0 *ESE? *ESR? *IDN? *OPC *OPC? *RST *SRE_0 *SRE? *STB? *TST? *WAI \
        SYST:ERR? SYST:ERR:NEXT? SYST:VERS? STAT:PRES \
        STAT:OPER? STAT:OPER:EVEN? STAT:OPER:COND? STAT:OPER:ENAB_0 STAT:OPER:ENAB? \
        STAT:QUES? STAT:QUES:EVEN? STAT:QUES:COND? STAT:QUES:ENAB_0 STAT:QUES:ENAB?";
    let mut core = probe();
    for command in required.split_whitespace() {
        let reply = ask(&mut core, &command.replace('_', " "));
        assert_eq!(reply.is_empty(), !command.ends_with('?'), "{command}: {reply}");
        assert_eq!(ask(&mut core, "SYST:ERR?"), "0,\"No error\"", "{command}"); // P4
    }
    assert_eq!(ask(&mut core, "*TST?;*OPC?"), "0;1"); // P21, scpi-parser's tests
}

/// P8: the status script of scpi-parser's own test (libscpi/test, lines 404 to 434).
#[test]
fn the_status_byte_follows_the_published_script() {
    let mut core = probe();
    ask(&mut core, "*CLS"); // the script starts without the power-on bit
    ask(&mut core, "*ESE #H20");
    ask(&mut core, "*SRE #HFF");
    ask(&mut core, "ABCD");
    assert_eq!(ask(&mut core, "*STB?"), "100");
    assert_eq!(ask(&mut core, "*ESR?"), "32");
    assert_eq!(ask(&mut core, "*STB?"), "68");
    ask(&mut core, "SYST:ERR?");
    assert_eq!(ask(&mut core, "*STB?"), "0");
}

/// P6: class of an error to its event bit: -1xx 32, -2xx 16 (scpi-parser), -3xx 8 (from memory of
/// SCPI-1999 section 21.8).
#[test]
fn every_class_of_error_sets_its_event_bit() {
    let mut core = probe();
    ask(&mut core, "*CLS;ABCD");
    assert_eq!(ask(&mut core, "*ESR?"), "32");
    ask(&mut core, "OUTP ON,(@9)");
    assert_eq!(ask(&mut core, "*ESR?"), "16");
    ask(&mut core, &"x".repeat(300));
    assert_eq!(ask(&mut core, "*ESR?"), "8");
}

/// P9: only the exact short or long form, any case, a leading colon (scpi-parser's matcher tests);
/// P3: the version has the form YYYY.V; P4: -113 "Undefined header".
#[test]
fn a_header_is_taken_in_its_short_or_long_form_only() {
    for good in ["SYST:VERS?", "syst:version?", ":System:Vers?", "SYSTEM:VERSION?"] {
        assert_eq!(ask(&mut probe(), good), "1999.0", "{good}");
    }
    for bad in ["SYSTE:VERS?", "SYS:VERS?", "SYST:VERSI?", "SYST:VER?", "SYST:VERS", "SYST?"] {
        let mut core = probe();
        assert_eq!(ask(&mut core, bad), "", "{bad}");
        assert_eq!(ask(&mut core, "SYST:ERR?"), "-113,\"Undefined header\"", "{bad}");
    }
}

/// P12, P13: separators and paths (scpi-parser's tests; that common commands leave the path alone
/// is from memory of IEEE 488.2). P14: four fields of `*IDN?`, the third 0 without a serial number.
#[test]
fn a_line_of_several_commands_keeps_its_level_and_answers_in_one_line() {
    let mut core = probe();
    let idn = ask(&mut core, "*IDN?");
    let fields: Vec<&str> = idn.split(',').collect();
    assert_eq!((fields.len(), fields[2]), (4, "0"));
    assert_eq!(ask(&mut core, "*IDN?;*OPC;*IDN?"), format!("{idn};{idn}"));
    assert_eq!(ask(&mut core, "SYST:VERS?;VERS?"), "1999.0;1999.0");
    assert_eq!(ask(&mut core, "SYST:VERS?;*OPC?;VERS?"), "1999.0;1;1999.0");
    assert_eq!(ask(&mut core, "OUTP:HOLD?;:SYST:VERS?"), "3000;1999.0");
    assert_eq!(ask(&mut core, "*OPC?\r"), "1");
}

/// P15: `10`, `-10.5`, `+.5`, `1.5E12`, `-1 e 3` are numbers, `-.` is none (scpi-parser's tests).
/// That a fraction is rounded where a whole number is wanted is IEEE 488.2, from memory.
#[test]
fn decimal_numbers_are_read_in_every_form_of_the_standard() {
    for (text, value) in [
        ("10", "10"),
        ("+.5", "1"),
        ("1.5E2", "150"),
        ("2.73E+2", "273"),
        ("1 e 3", "1000"),
        ("2.4", "2"),
        ("1234567890123e-10", "123"),
        ("0.00000000000000000012e21", "120"),
    ] {
        let mut core = probe();
        ask(&mut core, &format!("STAT:OPER:ENAB {text}"));
        assert_eq!(ask(&mut core, "STAT:OPER:ENAB?"), value, "{text}");
        assert_eq!(next_error(&mut core), 0, "{text}");
    }
    for (text, error) in [
        ("-10.5", -222), // numbers all right, but outside what the command takes
        ("1.5E12", -222),
        ("-1 e 3", -222),
        ("99999999999", -222),
        ("-.", -121),
        ("1e", -121),
        ("1E32001", -123),
        ("5 V", -138),
    ] {
        let mut core = probe();
        ask(&mut core, &format!("STAT:OPER:ENAB {text}"));
        assert_eq!(next_error(&mut core), error, "{text}");
    }
}

/// P16: `#HFF` = 255, `#Q77` = 63, `#B11` = 3, any case, and `#H123fe5A`, `#Q125725433`,
/// `#B0111010101` (scpi-parser's tests); the values of the latter three by Python's int().
#[test]
fn non_decimal_numbers_are_read_in_three_bases() {
    let mut core = probe();
    for (text, value) in [
        ("#HFF", 255),
        ("#hff", 255),
        ("#Q77", 63),
        ("#b11", 3),
        ("#H123fe5A", 19_136_090),
        ("#Q125725433", 22_522_651),
        ("#B0111010101", 469),
    ] {
        ask(&mut core, &format!("SYST:IDEN {text},\"x\""));
        assert_eq!(ask(&mut core, "SYST:IDEN?"), format!("#H{value:08X},\"x\""), "{text}");
    }
    ask(&mut core, "SYST:IDEN #H123456789,\"x\"");
    assert_eq!(next_error(&mut core), -222);
    ask(&mut core, "SYST:IDEN #H,\"x\"");
    assert_eq!(next_error(&mut core), -121);
}

/// P17: a definite-length block, `#12AB` (scpi-parser's tests). No command takes one, so that it is
/// data of another type; it must not be taken for a number.
#[test]
fn a_block_is_refused_where_a_number_is_wanted() {
    for block in ["#12AB", "#204ABCD", "#13AB", "#1", "#"] {
        let mut core = probe();
        ask(&mut core, &format!("OUTP:HOLD {block}"));
        assert_eq!(next_error(&mut core), -104, "{block}");
    }
}

/// P19: either quote, doubled to stand for itself; a missing one is an error (scpi-parser's tests).
#[test]
fn strings_keep_their_quotes() {
    let mut core = probe();
    ask(&mut core, r#"SYST:IDEN 1,"a ""b"", 'c'; (d""#);
    assert_eq!(ask(&mut core, "SYST:IDEN?"), r#"#H00000001,"a ""b"", 'c'; (d""#);
    ask(&mut core, "SYST:IDEN 1,'it''s \"7\"'");
    assert_eq!(ask(&mut core, "SYST:IDEN?"), r#"#H00000001,"it's ""7""""#);
    ask(&mut core, "SYST:IDEN 2,\"open");
    assert_eq!(next_error(&mut core), -151);
}

/// P20: `(@1,3:5)` is 1, 3, 4, 5 (here from 2 on: 1 is the link's); `(@1,)` and `(@1,2:)` are -170
/// (scpi-parser's tests).
#[test]
fn channel_lists_take_ranges() {
    let mut core = probe();
    ask(&mut core, "OUTP:ALL LOW,(@2,4:6)");
    for (pin, mode) in core.pins().modes.iter().enumerate() {
        let driven = [2, 4, 5, 6].contains(&pin);
        assert_eq!(*mode, if driven { PinMode::Low } else { PinMode::Input }, "pin {pin}");
    }
    for bad in ["(@2,)", "(@2,4:)", "(2)", "(@)", "(@2"] {
        ask(&mut core, &format!("OUTP:ALL LOW,{bad}"));
        assert_eq!(next_error(&mut core), -170, "{bad}");
    }
}

/// P4, P5: overflow replaces the last entry by -350 (from memory of SCPI-1999 section 21.8.1);
/// P22: a reset leaves queue and enable registers (from memory of IEEE 488.2 section 10.32).
#[test]
fn a_full_error_queue_says_so_and_a_reset_keeps_it() {
    let mut core = probe();
    ask(&mut core, "*ESE 32");
    for _ in 0..12 {
        ask(&mut core, "NONE");
    }
    ask(&mut core, "*RST");
    for _ in 0..7 {
        assert_eq!(next_error(&mut core), -113);
    }
    assert_eq!(ask(&mut core, "SYST:ERR?"), "-350,\"Queue overflow\"");
    assert_eq!(next_error(&mut core), 0);
    assert_eq!(ask(&mut core, "*ESE?"), "32");
}

fn crc(bytes: &[u8]) -> u16 {
    crc::Crc::<u16>::new(&crc::CRC_16_IBM_3740).checksum(bytes)
}

/// F5: check word 0x29B1 over `123456789` (crc-catalog 2.5.0, CRC-16/IBM-3740); F6: 0xB915 over
/// `A` (crcmod 1.7). The crate's CRC, held to these words, then checks the probe's.
#[test]
fn the_checksum_of_a_reply_is_the_catalogued_crc() {
    assert_eq!(crc(b"123456789"), 0x29B1);
    assert_eq!(crc(b"A"), 0xB915);
    for request in ["*IDN? \"a7\"", "MEAS:SUPP? 9,'b'", "ABOR \"c d\"", "*RST;*OPC? \"e\""] {
        let reply = ask(&mut probe(), request);
        let (data, sum) = reply.rsplit_once("#H").expect("a tagged reply ends in its CRC");
        let sum = u16::from_str_radix(sum, 16).expect("four hex digits");
        assert_eq!(sum, crc(format!("{request}{data}").as_bytes()), "{request}: {reply}");
    }
}
