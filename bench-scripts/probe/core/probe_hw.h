/* The hardware under the probe: the only functions that a port supplies. */
#ifndef PROBE_HW_H
#define PROBE_HW_H

#include <stdbool.h>
#include <stdint.h>

struct burst;

/* Reset causes, the bits of the ATmega328P's MCUSR; 0 = not known. */
#define HW_RESET_POWER 1u
#define HW_RESET_EXTERNAL 2u
#define HW_RESET_BROWNOUT 4u
#define HW_RESET_WATCHDOG 8u

/* What full scale is, numbered as the ATmega328P's REFS bits are. */
#define HW_REFERENCE_EXTERNAL 0u /* the voltage at the AREF pin, nothing inside joined to it */
#define HW_REFERENCE_SUPPLY 1u   /* AVcc */
#define HW_REFERENCE_INTERNAL 3u /* the bandgap */

enum hw_mode { HW_INPUT = 0, HW_PULL_UP = 1, HW_LOW = 2, HW_HIGH = 3 };

/* Sends a byte to the host; may wait for room. */
void hw_send(void *hw, uint8_t byte);
/* Says what the conversions from now on are made against, a HW_REFERENCE_ number. Nothing is joined
 * before the next conversion. After a reset it is the supply. */
void hw_reference(void *hw, uint8_t reference);
/* Makes one conversion of an input, a number of CHIP_MUX, HW_MUX_BANDGAP or HW_MUX_GROUND. Switches the converter on at its first use and throws that
 * first conversion away. */
uint16_t hw_convert(void *hw, uint8_t mux, uint8_t prescaler);
/* Makes `discard` conversions that are dropped and then `n` that go to burst_add, back to back, and
 * calls burst_work again and again meanwhile.
 * False when a conversion was lost. burst_by_single is it for ports without interrupts. */
bool hw_burst(void *hw, uint8_t mux, uint8_t prescaler, uint8_t discard, struct burst *b,
              uint16_t n);
void hw_pin_mode(void *hw, uint8_t pin, uint8_t mode);
bool hw_pin_read(void *hw, uint8_t pin);
/* Waits at least so long. */
void hw_wait_us(void *hw, uint32_t us);
/* Milliseconds since the reset; wraps. */
uint32_t hw_now_ms(void *hw);
uint8_t hw_eeprom_read(void *hw, uint16_t at);
void hw_eeprom_write(void *hw, uint16_t at, uint8_t byte);
uint8_t hw_reset_cause(void *hw);
/* The chip's own number, folded to 32 bits; called only where the chip has one. */
uint32_t hw_number(void *hw);
/* Low, high and extended fuse byte and the lock bits; false where the chip has none. */
bool hw_fuses(void *hw, uint8_t bytes[4]);

#endif
