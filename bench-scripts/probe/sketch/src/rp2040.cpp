/* RP2040 at 3.3 V, by the chip's SDK, on which every Arduino core for it stands: analogRead takes
 * the pull-up off, without which an open pin passes for a driven one, and pinMode drives a pin low
 * for a moment before it is high (both from memory). Not run on silicon. */
#ifdef ARDUINO_ARCH_RP2040

#include <Arduino.h>
#include <hardware/adc.h>
#include <hardware/gpio.h>
#include <pico/unique_id.h>

#include "number.h"
#include "sketch.h"

#define FIRST_ANALOG 26u

static uint8_t modes[CHIP_PINS]; /* HW_INPUT after the reset */
static bool to_converter[CHIP_PINS];

void hardware_begin(void)
{
    adc_init();
}

/* A pin that is driven stays so; one that is not is taken from the digital side, which takes its
 * pull-up away: it is put back. */
uint16_t hw_convert(void *hw, uint8_t mux, uint8_t prescaler)
{
    const uint8_t pin = (uint8_t)(FIRST_ANALOG + mux);

    (void)hw;
    (void)prescaler; /* the converter has its own clock; hw_burst keeps the pace */
    if (!to_converter[pin] && (modes[pin] == HW_INPUT || modes[pin] == HW_PULL_UP)) {
        adc_gpio_init(pin);
        gpio_set_pulls(pin, modes[pin] == HW_PULL_UP, false);
        to_converter[pin] = true;
    }
    adc_select_input(mux);
    return adc_read();
}

/* The level is set before the direction, and both before the pin is joined to them, so that it is
 * never driven to the wrong side. */
void hw_pin_mode(void *hw, uint8_t pin, uint8_t mode)
{
    const bool drives = mode == HW_LOW || mode == HW_HIGH;

    (void)hw;
    modes[pin] = mode;
    to_converter[pin] = false;
    if (drives) {
        gpio_put(pin, mode == HW_HIGH);
    }
    gpio_set_dir(pin, drives);
    gpio_set_pulls(pin, mode == HW_PULL_UP, false);
    gpio_set_function(pin, GPIO_FUNC_SIO);
}

bool hw_pin_read(void *hw, uint8_t pin)
{
    (void)hw;
    return gpio_get(pin);
}

/* Boot ROM and cores leave nothing that tells them all apart. */
uint8_t hw_reset_cause(void *hw)
{
    (void)hw;
    return 0;
}

/* The number of the flash chip beside it: the RP2040 has none of its own. */
uint32_t hw_number(void *hw)
{
    pico_unique_board_id_t id;

    (void)hw;
    pico_get_unique_board_id(&id);
    return number_of_bytes(id.id, sizeof id.id);
}

#endif
