/* The facts of one chip as data: a file of its own for each chip defines FACTS, the name of them,
 * includes the chip's file of core/chips and then this one. */
#include "../core/chip.h"

static uint8_t mux_of(uint8_t pin)
{
    return (uint8_t)CHIP_MUX(pin);
}

extern const struct chip_facts FACTS;
const struct chip_facts FACTS = {
    "Strapwise,PROBE-" CHIP_NAME ",",
    CHIP_USABLE,
    CHIP_DIGITAL,
    mux_of,
    CHIP_EEPROM,
    CHIP_PINS,
    CHIP_CODE_BITS,
    CHIP_INTERNAL != 0,
    CHIP_NUMBER != 0,
};
