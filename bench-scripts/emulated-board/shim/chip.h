/* One emulated ATmega328P or ATmega2560, of the latter ports B, C and D only, with what libsimavr 1.6 gets wrong put right from outside.
 *
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Times are clock cycles since the chip was made; no reset sets them back. `src/chip.rs` is the
 * only caller and repeats these declarations. */
#ifndef EMULATED_BOARD_CHIP_H
#define EMULATED_BOARD_CHIP_H

#include <stdint.h>

/* What the chip asks of, and tells, the world at its pins. */
struct chip_calls {
    void *context;
    /* A conversion starts: the code that it will give. `admux` and `adcsra` as written, and
     * as on the ATmega328P; bit 4 of `admux` adds 8 to the input, for the ATmega2560. */
    uint16_t (*convert)(void *context, uint64_t cycle, uint8_t admux, uint8_t adcsra,
                        uint8_t first);
    /* The registers of port 0 (B), 1 (C) or 2 (D) were written, or cleared by a reset. */
    void (*modes)(void *context, uint64_t cycle, uint8_t port, uint8_t ddr, uint8_t data,
                  uint8_t no_pull_ups);
    /* The program reads the pins of a port. */
    uint8_t (*read)(void *context, uint64_t cycle, uint8_t port);
    /* The program gave the serial line a byte. */
    void (*sent)(void *context, uint64_t cycle, uint8_t byte);
};

struct chip;

/* How a run ended. */
enum { CHIP_RUNS = 0, CHIP_STOPPED = 1, CHIP_CRASHED = 2 };

/* NULL when the library does not know the part. */
struct chip *chip_new(const char *part, uint32_t hertz, uint32_t millivolts,
                      const struct chip_calls *calls);
void chip_free(struct chip *chip);

/* Both return 0, or -1 when the bytes do not fit. */
int chip_load_flash(struct chip *chip, const uint8_t *bytes, uint32_t size, uint32_t at);
int chip_write_eeprom(struct chip *chip, const uint8_t *bytes, uint32_t size, uint32_t at);
int chip_read_eeprom(struct chip *chip, uint8_t *bytes, uint32_t size, uint32_t at);

/* Resets with the given cause in MCUSR. Memory keeps its contents, as on silicon. */
void chip_reset(struct chip *chip, uint8_t mcusr);
int chip_run(struct chip *chip, uint64_t until);
uint64_t chip_cycle(const struct chip *chip);

/* 1: taken; 0: receiver off; -1: lost, because three bytes already wait to be read. */
int chip_receive(struct chip *chip, uint8_t byte);
/* Cycles that one byte of ten bits (8N1) takes on the line, from the baud registers. */
uint32_t chip_byte_cycles(const struct chip *chip);

/* Data memory by its address; reading has no side effects. Out of range: 0, nothing. */
uint8_t chip_peek(const struct chip *chip, uint16_t address);
void chip_poke(struct chip *chip, uint16_t address, uint8_t byte);
uint16_t chip_ram_end(const struct chip *chip);
/* The emulator's last complaint, "" when it had none. */
const char *chip_complaint(const struct chip *chip);

#endif
