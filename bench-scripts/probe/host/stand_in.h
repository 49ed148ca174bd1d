/* Hardware that is not there: pins and converter inputs that do what a board's could, the same in
 * every run. Under the core for clients on a pseudo-terminal and for the fuzzer. */
#ifndef PROBE_STAND_IN_H
#define PROBE_STAND_IN_H

#include <stddef.h>
#include <stdint.h>

#include "../core/probe_hw.h"
#include "host.h"

#define STAND_IN_EEPROM 4096u /* the largest, of the ATmega2560 */
#define STAND_IN_PINS 64u

struct stand_in {
    const struct chip_facts *chip; /* the one that it stands in for */
    uint64_t clock_us;
    uint32_t noise;
    uint8_t reference;
    uint8_t cause;
    uint8_t modes[STAND_IN_PINS];
    uint8_t eeprom[STAND_IN_EEPROM];
    uint16_t held;    /* code in the sampling capacitor */
    size_t sent;      /* bytes sent so far */
    void (*out)(uint8_t byte); /* where they go; NULL: nowhere */
};

/* An ATmega328P. */
void stand_in_init(struct stand_in *s, void (*out)(uint8_t byte));
/* The functions, for the chip that it stands in for. */
struct probe_host_table stand_in_table(const struct stand_in *s);

#endif
