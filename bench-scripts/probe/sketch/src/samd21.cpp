/* SAMD21 at 3.3 V, by the core's API. Not run on silicon. What is from memory of data sheet
 * DS40001882 or of the core says so. */
#if defined(__SAMD21G18A__) || defined(__SAMD21E18A__) || defined(__SAMD21J18A__)

#include <Arduino.h>

#include "number.h"
#include "sketch.h"

#define NO_NUMBER 0xFFFFFFFFul

/* The number by which the board's variant calls a pin of the chip. */
static uint32_t digital_number(uint8_t pin)
{
    uint32_t i;

    for (i = 0; i < PINS_COUNT; i++) {
        const PinDescription *const d = &g_APinDescription[i];

        if ((uint32_t)d->ulPort == pin / 32u && d->ulPin == pin % 32u) {
            return i;
        }
    }
    return NO_NUMBER;
}

/* The number by which analogRead calls an input. It adds A0 to a number below it, so only numbers
 * from A0 on are what they seem. */
static uint32_t analog_number(uint8_t mux)
{
    uint32_t i;

    for (i = A0; i < PINS_COUNT; i++) {
        if ((int)g_APinDescription[i].ulADCChannelNumber == (int)mux) {
            return i;
        }
    }
    return NO_NUMBER;
}

chip_set hw_board_pins(void)
{
    chip_set pins = 0;
    uint8_t pin;

    for (pin = 0; pin < CHIP_PINS; pin++) {
        pins |= (chip_set)(digital_number(pin) != NO_NUMBER) << pin;
    }
    return pins;
}

bool hw_board_input(uint8_t mux)
{
    return analog_number(mux) != NO_NUMBER;
}

/* As the core sets it up a conversion takes 0.4 ms, and analogRead makes two: too slow for a burst
 * of 100 ms. 48 MHz over 64 is 750 kHz, within the 2.1 MHz it may have; sampling for (5 + 1) / 2
 * clocks is 4 us. All from memory. */
void hardware_begin(void)
{
    analogReadResolution(12);
    analogReference(AR_DEFAULT); /* half the supply at half the gain: full scale is the supply */
    ADC->CTRLB.bit.PRESCALER = ADC_CTRLB_PRESCALER_DIV64_Val;
    while (ADC->STATUS.bit.SYNCBUSY) {
    }
    ADC->SAMPCTRL.reg = 5;
}

uint16_t hw_convert(void *hw, uint8_t mux, uint8_t prescaler)
{
    (void)hw;
    (void)prescaler;
    return (uint16_t)analogRead(analog_number(mux));
}

/* The level is set before the direction, so that a pin is never driven to the wrong side. */
void hw_pin_mode(void *hw, uint8_t pin, uint8_t mode)
{
    const uint32_t number = digital_number(pin);

    (void)hw;
    if (number == NO_NUMBER) {
        return; /* hw_board_pins has told the core */
    }
    if (mode == HW_LOW || mode == HW_HIGH) {
        digitalWrite(number, mode == HW_HIGH ? HIGH : LOW);
        pinMode(number, OUTPUT);
    } else {
        pinMode(number, mode == HW_PULL_UP ? INPUT_PULLUP : INPUT);
    }
}

bool hw_pin_read(void *hw, uint8_t pin)
{
    (void)hw;
    return digitalRead(digital_number(pin)) == HIGH;
}

/* RCAUSE: 0 power-on, 1 and 2 brown-out, 4 reset pin, 5 watchdog, 6 the program's own, for example
 * the boot loader's, which is not known then (from memory). */
uint8_t hw_reset_cause(void *hw)
{
    const uint8_t cause = PM->RCAUSE.reg;

    (void)hw;
    return (uint8_t)((cause & 1u ? HW_RESET_POWER : 0) | (cause & 6u ? HW_RESET_BROWNOUT : 0) |
                     (cause & 16u ? HW_RESET_EXTERNAL : 0) |
                     (cause & 32u ? HW_RESET_WATCHDOG : 0));
}

/* The 128 bits of the chip's serial number, in four words (data sheet "Serial Number"). */
uint32_t hw_number(void *hw)
{
    static const uint32_t where[4] = {0x0080A00Cu, 0x0080A040u, 0x0080A044u, 0x0080A048u};
    uint32_t words[4];
    uint8_t i;

    (void)hw;
    for (i = 0; i < 4u; i++) {
        words[i] = *(const volatile uint32_t *)(uintptr_t)where[i];
    }
    return number_of_bytes((const uint8_t *)words, sizeof words);
}

#endif
