/* What is the same on every chip that is reached by the core's API alone: conversions one by one,
 * nothing kept, no fuses. */
#ifndef __AVR__

#include <Arduino.h>

#include "sketch.h"

/* A conversion of the ATmega328P takes 13 clocks of 16 MHz over the prescaler. The same pace here
 * makes a burst span the same whole periods of the mains, however fast this converter is. */
static uint32_t period_us(uint8_t prescaler)
{
    return 13u * prescaler / 16u;
}

/* A burst that took over a tenth and a millisecond longer does not span what it should. */
bool hw_burst(void *hw, uint8_t mux, uint8_t prescaler, uint8_t discard, struct burst *b,
              uint16_t n)
{
    const uint32_t period = period_us(prescaler), whole = n * period;
    uint32_t start, due = 0;
    uint16_t i;

    while (discard-- > 0) {
        (void)hw_convert(hw, mux, prescaler);
    }
    start = micros();
    for (i = 0; i < n; i++, due += period) {
        while (micros() - start < due) {
        }
        burst_add(b, hw_convert(hw, mux, prescaler));
        burst_work(b);
    }
    return micros() - start <= whole + whole / 10u + 1000u;
}

void hw_wait_us(void *hw, uint32_t us)
{
    (void)hw;
    delay(us / 1000u);
    delayMicroseconds(us % 1000u);
}

/* The core has made sure that nothing but the supply is asked for. */
void hw_reference(void *hw, uint8_t reference)
{
    (void)hw;
    (void)reference;
}

/* Never reached: CHIP_EEPROM is 0. */
uint8_t hw_eeprom_read(void *hw, uint16_t at)
{
    (void)hw;
    (void)at;
    return 0xFF;
}

void hw_eeprom_write(void *hw, uint16_t at, uint8_t byte)
{
    (void)hw;
    (void)at;
    (void)byte;
}

bool hw_fuses(void *hw, uint8_t bytes[4])
{
    (void)hw;
    (void)bytes;
    return false;
}

#endif
