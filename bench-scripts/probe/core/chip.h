/* What the pins of the chip can do, by channel number: 0..7 port D, 8..13 port B, 14..19 port C,
 * 20 and 21 the converter-only pins ADC6 and ADC7. */
#ifndef PROBE_CHIP_H
#define PROBE_CHIP_H

#include <stdbool.h>
#include <stdint.h>

#define CHIP_NAME "PROBE-ATMEGA328P"
#define CHIP_PINS 22u
#define CHIP_NO_MUX 0xFFu

/* All channels that exist and that the probe does not need for itself. */
#define CHIP_USABLE 0x3FFFFCul

/* Whether a set of channels, bit = channel number, has this one. */
bool chip_has(uint32_t set, uint8_t pin);

/* PD0 and PD1 carry the link: no command may touch them. */
static inline bool chip_usable(uint8_t pin)
{
    return pin < CHIP_PINS && chip_has(CHIP_USABLE, pin);
}

/* Channels that can be read and driven as digital pins and have a pull-up. */
#define CHIP_DIGITAL 0x0FFFFFul

static inline bool chip_digital(uint8_t pin)
{
    return pin < 20u;
}

/* Input of the converter's multiplexer. */
static inline uint8_t chip_mux(uint8_t pin)
{
    return pin >= 14u && pin < CHIP_PINS ? (uint8_t)(pin - 14u) : CHIP_NO_MUX;
}

#endif
