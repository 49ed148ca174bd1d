"""Talks to the probe with PyVISA, a client that nobody here wrote, over a pseudo-terminal.

usage: visa.py NAME PORT...   (pairs of a name and a port; bench-scripts/visa calls it)

What is checked is the language of protocols/probe-link.md; where a value comes from a standard or
another source, that is named beside it.
"""

import binascii
import sys
import time

import pyvisa
from pyvisa import util

CHECKS = {"passed": 0}


def check(condition, what):
    """Counts a check; raises with what was found when it fails."""
    if not condition:
        raise AssertionError(what)
    CHECKS["passed"] += 1


def same(found, expected, what):
    check(found == expected, f"{what}: {found!r} where {expected!r} belongs")


def connect(manager, port):
    """Opens a port as an instrument on a serial line: 250,000 baud, lines that end in LF."""
    probe = manager.open_resource(f"ASRL{port}::INSTR")
    probe.baud_rate = 250_000
    probe.read_termination = probe.write_termination = "\n"
    probe.timeout = 8000
    probe.write("*CLS")
    return probe


def errors(probe):
    """Empties the error queue; its numbers."""
    found = []
    while True:
        number, text = probe.query("SYST:ERR?").split(",", 1)
        check(text.startswith('"') and text.endswith('"'), f"error text in quotes: {text}")
        if int(number) == 0:
            return found
        found.append(int(number))


def common_commands(probe):
    """The thirteen of IEEE 488.2 (list as published with the crate scpi 0.4.3)."""
    fields = probe.query("*IDN?").split(",")
    same(len(fields), 4, "fields of *IDN?")
    same(fields[0], "Strapwise", "maker")
    probe.write("*ESE 33;*SRE 255")
    # Bit 6 of the service request enable register is not used (IEEE 488.2 section 11.3).
    same(probe.query("*ESE?;*SRE?"), "33;191", "enable registers")
    probe.query("*ESR?")
    probe.write("*OPC;*WAI")
    same(probe.query("*ESR?"), "1", "operation complete")
    same(probe.query("*OPC?"), "1", "*OPC?")
    same(probe.query("*TST?"), "0", "self-test")  # 0 is passed (scpi-parser's tests)
    # The status script of scpi-parser's own test.
    probe.write("*ESE #H20;*SRE #HFF;ABCD")
    same([probe.query(q) for q in ("*STB?", "*ESR?", "*STB?")], ["100", "32", "68"], "script")
    same(errors(probe), [-113], "what it left")
    probe.write("*RST")
    same(probe.query("*ESE?;*SRE?"), "32;191", "*RST leaves the enable registers")
    probe.write("*CLS")
    same(probe.query("*STB?"), "0", "*CLS empties")


def error_queue(probe):
    """Overflow puts -350 in the last place (SCPI-1999 section 21.8.1, from memory)."""
    for _ in range(12):
        probe.write("NONE")
    same(errors(probe), [-113] * 7 + [-350], "a full queue")
    probe.write("SYST:VERS? 1")
    probe.write("OUTP:HOLD")
    probe.write("MEAS:SUPP? 0")
    same(errors(probe), [-108, -109, -222], "a parameter too many, too few, out of range")
    same(probe.query("SYSTEM:ERROR:NEXT?"), '0,"No error"', "long form")
    same(probe.query("syst:vers?"), "1999.0", "short form, small letters")


def numbers(probe):
    """Forms of numbers (values of scpi-parser's tests)."""
    for text, value in [
        ("10", "10"),
        ("+.5", "1"),
        ("1.5E2", "150"),
        ("1 e 3", "1000"),
        ("#HFF", "255"),
        ("#Q77", "63"),
        ("#b11", "3"),
    ]:
        probe.write(f"STAT:OPER:ENAB {text}")
        same(probe.query("STAT:OPER:ENAB?"), value, text)
    for text, error in [("-1", -222), ("-.", -121), ("5 V", -138), ("1E32001", -123)]:
        probe.write(f"STAT:OPER:ENAB {text}")
        same(errors(probe), [error], text)
    probe.write("STAT:PRES")


def channel_lists(probe):
    """`(@1,3:5)` is 1, 3, 4, 5 (scpi-parser's tests)."""
    probe.write("OUTP:ALL LOW,(@9,11:13)")
    probe.write("OUTP ON,(@12)")
    same(probe.query_ascii_values("OUTP? (@9,11:13)", converter="d"), [0, 0, 1, 0], "a range")
    probe.write("OUTP ON,(@9:12)")
    same(errors(probe), [-221], "10 is not allowed, so none changes")
    for wrong in ("(@9,)", "(@9,11:)", "(9)", "(@)"):
        probe.write(f"OUTP ON,{wrong}")
        same(errors(probe), [-170], wrong)
    probe.write("ABOR")
    same(probe.query("OUTP? (@9,11:13)"), "0,0,0,0", "all off")


def bursts(probe):
    """The sums of a burst fit each other, and follow from the codes to the last digit."""
    n, total, squares, low, high, _lag, q01, q99 = probe.query_ascii_values(
        "MEAS:BURS? 961,OFF,0,1,128,(@14)", converter="d"
    )
    same(n, 961, "conversions")
    check(low <= q01 <= q99 <= high, "quantiles within the extremes")
    check(n * low <= total <= n * high, "mean within the extremes")
    check(n * squares >= total * total, "squares (Cauchy and Schwarz)")
    supply = probe.query_ascii_values("MEAS:SUPP? 100", converter="d")
    check(186 <= supply[1] / supply[0] <= 512, "the bandgap on 2.4 to 5.5 V")
    same(len(probe.query_ascii_values("MEAS:CHAR? 8,(@14)")), 3, "charge sharing")
    level = probe.query_ascii_values("MEAS:LEV? 20,ON,1000,(@7)", converter="d")
    same(level, [20, 20], "an open pin with its pull-up")


def frames(reply):
    """The blocks in front of the sums, by PyVISA's own reader; number, codes, CRC; the rest."""
    found = []
    while reply.startswith(b"#"):
        at, length = util.parse_ieee_block_header(reply)[:2]
        found.append(reply[at : at + length])
        reply = reply[at + length :].removeprefix(b",")
    return found, reply


def unpack(characters):
    bits = "".join(format(c - ord("0"), "06b") for c in characters)
    return [int(bits[i : i + 10], 2) for i in range(0, len(bits) - 9, 10)]


def raw_samples(probe):
    """Definite-length blocks; CRC-16/IBM-3740 is Python's crc_hqx from 0xFFFF on."""
    request = "MEAS:RAW? 500,OFF,0,1,128,(@14)"
    probe.write(request)
    blocks, rest = frames(probe.read_raw())
    same(len(blocks), 16, "frames of 32 codes")
    codes = []
    for number, block in enumerate(blocks):
        crc = binascii.crc_hqx(request.encode() + block[:-4], 0xFFFF)
        same(block[-4:].decode(), f"{crc:04X}", f"CRC of frame {number}")
        same(int(block[:4], 16), number, "number")
        codes += unpack(block[4:-4])
    sums = [int(field) for field in rest.decode().strip().split(",")]
    squares = sum(c * c for c in codes)
    lag = sum(a * b for a, b in zip(codes, codes[1:] + codes[:1]))
    same(sums[:6], [500, sum(codes), squares, min(codes), max(codes), lag], "sums of the codes")


def tags(probe):
    """Tag and CRC over request and reply."""
    for request in ('*IDN? "v1"', "MEAS:SUPP? 9,'v2'", 'NONE "v3"'):
        head, crc = probe.query(request).rsplit("#H", 1)
        want = binascii.crc_hqx((request + head).encode(), 0xFFFF)
        same(crc, f"{want:04X}", request)
    same(errors(probe), [-113], "the last one")


def identity(probe):
    """Strings with quotes in them, both ways."""
    probe.write('SYST:IDEN #HC0FFEE01,"a ""b"" \'c\'"')
    time.sleep(0.1)
    same(probe.query("SYST:IDEN?"), '#HC0FFEE01,"a ""b"" \'c\'"', "identity")
    same(probe.query("*IDN?").split(",")[2], "C0FFEE01", "identity in *IDN?")
    same(len(probe.query("MEM:SLOT? 1")), 162, "a slot of 80 bytes in hex")


def main():
    manager = pyvisa.ResourceManager("@py")
    parts = [common_commands, error_queue, numbers, channel_lists, bursts, raw_samples, tags]
    for name, port in zip(sys.argv[1::2], sys.argv[2::2]):
        before = CHECKS["passed"]
        probe = connect(manager, port)
        for part in [*parts, identity]:
            try:
                part(probe)
            except (AssertionError, pyvisa.Error, ValueError) as problem:
                print(f"visa: {name}: {part.__name__}: {problem}", file=sys.stderr)
                return 1
            same(errors(probe), [], f"{name}: {part.__name__} leaves no error behind")
        probe.close()
        print(f"visa: {name}: {CHECKS['passed'] - before} checks passed")
    return 0


sys.exit(main())
