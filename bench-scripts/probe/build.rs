//! Compiles the probe's C core for the host, so that the virtual board runs what the chip runs.

use std::path::Path;

const FILES: [&str; 18] = [
    "core/burst.c",
    "core/bus.c",
    "core/chip.c",
    "core/commands.c",
    "core/common.c",
    "core/identity.c",
    "core/lex.c",
    "core/line.c",
    "core/measure.c",
    "core/number.c",
    "core/outputs.c",
    "core/raw.c",
    "core/reply.c",
    "core/status.c",
    "host/chip_atmega2560.c",
    "host/chip_atmega328p.c",
    "host/chip_rp2040.c",
    "host/chip_samd21.c",
];

fn main() {
    let probe = Path::new("bench-scripts/probe");
    let mut build = cc::Build::new();
    for file in FILES.iter().chain(&["host/host.c"]) {
        build.file(probe.join(file));
    }
    println!("cargo::rerun-if-changed={}", probe.join("core").display());
    println!("cargo::rerun-if-changed={}", probe.join("host").display());
    build.std("c99").opt_level(2).warnings(true).extra_warnings(true).compile("strapwise_probe");
}
