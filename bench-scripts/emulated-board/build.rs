//! Compiles the C shim and links the emulator library of the system.

fn main() {
    println!("cargo:rerun-if-changed=shim");
    cc::Build::new()
        .file("shim/chip.c")
        .include("/usr/include/simavr")
        .std("gnu11")
        .warnings(true)
        .compile("emulated_chip");
    println!("cargo:rustc-link-lib=simavr");
    println!("cargo:rustc-link-lib=elf");
}
