/* What the chip and its pins can do, by channel number. One file in chips/ for each chip; a build
 * for a chip takes its own and has constants, the host's build takes any of them at run time. */
#ifndef PROBE_CHIP_H
#define PROBE_CHIP_H

#include <stdbool.h>
#include <stdint.h>

#define CHIP_NO_MUX 0xFFu

/* A file in chips/ defines:
 * CHIP_NAME         as in *IDN?, behind PROBE-
 * CHIP_PINS         channel numbers, used or not
 * CHIP_USABLE       all channels that exist and that the probe does not need for itself: no command
 *                   may touch any other
 * CHIP_DIGITAL      channels that can be read and driven as digital pins and have a pull-up
 * CHIP_MUX(pin)     input of the converter's multiplexer, CHIP_NO_MUX where there is none
 * CHIP_CODE_BITS    bits of a code
 * CHIP_INTERNAL     1: the converter reads an internal reference and an internal 0 V, and full
 *                   scale can be another than the supply; 0: none of it
 * CHIP_MUX_BANDGAP, CHIP_MUX_GROUND  these two inputs
 * CHIP_EEPROM       bytes of EEPROM; 0: nothing is kept
 * CHIP_NUMBER       1: the chip has a number of its own, 0: it has none
 * CHIP_BY_BOARD     defined where it takes the board to know which pins can be reached */

#if defined(__AVR_ATmega328P__)
#include "chips/atmega328p.h"
typedef uint32_t chip_set;
#elif defined(__AVR_ATmega2560__)
#include "chips/atmega2560.h"
typedef uint64_t chip_set;
#elif defined(ARDUINO_ARCH_RP2040)
#include "chips/rp2040.h"
typedef uint32_t chip_set;
#elif defined(__SAMD21G18A__) || defined(__SAMD21E18A__) || defined(__SAMD21J18A__)
#include "chips/samd21.h"
typedef uint64_t chip_set;
#elif defined(ARDUINO) || defined(__AVR__)
#error "no file in core/chips for this chip"
#else
#define PROBE_ANY_CHIP
typedef uint64_t chip_set;
#endif

/* Channels by number, bit = channel number. */
#define CHIP_SET_LAST (8u * sizeof(chip_set) - 1u)

#ifdef PROBE_ANY_CHIP

struct chip_facts {
    const char *lead; /* of the answer to *IDN? */
    chip_set usable, digital;
    uint8_t (*mux)(uint8_t pin);
    uint16_t eeprom;
    uint8_t pins, code_bits;
    bool internal, number;
};

/* The chip that the probe runs on. */
const struct chip_facts *hw_chip(void *hw);

#define HW_MUX_BANDGAP 0xFEu /* beyond the inputs of any chip */
#define HW_MUX_GROUND 0xFDu
#define chip_pins(p) (hw_chip((p)->hw)->pins)
#define chip_usable(p) (hw_chip((p)->hw)->usable)
#define chip_digital(p) (hw_chip((p)->hw)->digital)
#define chip_mux(p, pin) (hw_chip((p)->hw)->mux(pin))
#define chip_code_bits(p) (hw_chip((p)->hw)->code_bits)
#define chip_internal(p) (hw_chip((p)->hw)->internal)
#define chip_eeprom(p) (hw_chip((p)->hw)->eeprom)
#define chip_number(p) (hw_chip((p)->hw)->number ? hw_number((p)->hw) : 0u)

#else

#define HW_MUX_BANDGAP CHIP_MUX_BANDGAP
#define HW_MUX_GROUND CHIP_MUX_GROUND
#define chip_pins(p) CHIP_PINS
#define chip_digital(p) CHIP_DIGITAL
#define chip_mux(p, pin) chip_mux_of(pin)
#define chip_code_bits(p) CHIP_CODE_BITS
#define chip_internal(p) (CHIP_INTERNAL != 0)
#define chip_eeprom(p) CHIP_EEPROM
#if CHIP_NUMBER
#define chip_number(p) hw_number((p)->hw)
#else
#define chip_number(p) 0u
#endif

#ifdef CHIP_BY_BOARD

/* The channels that can be reached, and whether an input of the converter can be. */
chip_set hw_board_pins(void);
bool hw_board_input(uint8_t mux);

#define chip_usable(p) (CHIP_USABLE & hw_board_pins())

static inline uint8_t chip_mux_of(uint8_t pin)
{
    const uint8_t mux = CHIP_MUX(pin);

    return mux != CHIP_NO_MUX && hw_board_input(mux) ? mux : CHIP_NO_MUX;
}

#else

#define chip_usable(p) CHIP_USABLE

static inline uint8_t chip_mux_of(uint8_t pin)
{
    return CHIP_MUX(pin);
}

#endif

#endif

/* Highest code. */
#define chip_full_scale(p) ((uint16_t)((1u << chip_code_bits(p)) - 1u))

/* The set of this channel alone. */
chip_set chip_bit(uint8_t pin);
/* Whether a set of channels has this one. */
bool chip_has(chip_set set, uint8_t pin);

#endif
