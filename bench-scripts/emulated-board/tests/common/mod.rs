//! Builds the small test firmware with avr-gcc.

use std::path::{Path, PathBuf};
use std::process::Command;

/// Compiles `tests/firmware/<name>.c` and returns the paths of its ELF and HEX files.
pub fn firmware(name: &str) -> (PathBuf, PathBuf) {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("tests/firmware/{name}.c"));
    // A file of its own for each test, as tests run side by side.
    let unique = format!("{name}-{}-{:?}", std::process::id(), std::thread::current().id());
    let elf = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("{unique}.elf"));
    let hex = elf.with_extension("hex");
    run(Command::new("avr-gcc")
        .args(["-mmcu=atmega328p", "-DF_CPU=16000000UL", "-Os", "-Wall", "-Werror", "-std=gnu11"])
        .arg(&source)
        .arg("-o")
        .arg(&elf));
    run(Command::new("avr-objcopy").args(["-O", "ihex", "-R", ".eeprom"]).arg(&elf).arg(&hex));
    (elf, hex)
}

fn run(command: &mut Command) {
    let status = command.status().expect("avr-gcc is installed (apt-get install gcc-avr avr-libc)");
    assert!(status.success(), "{command:?}");
}
