/* RP2040: input 0 is driven to 1000, input 1 is open and follows its pull-up, input 2 is driven to
 * 4095. Every fourth code is one more. A pin shows its level as digital input only while it is not
 * with the converter. */
#include <Arduino.h>
#include <cstdlib>
#include <cstring>
#include <hardware/adc.h>
#include <hardware/gpio.h>
#include <pico/unique_id.h>

static bool level[30], out[30], up[30], digital[30];
static bool ready;
static unsigned selected, turn;

void adc_init(void)
{
    ready = true;
}

void adc_gpio_init(unsigned gpio)
{
    if (gpio < 26u || gpio > 29u) {
        std::abort();
    }
    digital[gpio] = false;
    up[gpio] = false;
}

void adc_select_input(unsigned input)
{
    selected = input;
}

uint16_t adc_read(void)
{
    const unsigned gpio = 26u + selected;
    const uint16_t driven[4] = {1000, 0, 4095, 0};
    uint16_t code = driven[selected & 3u];

    if (!ready || selected > 3u) {
        std::abort();
    }
    if (digital[gpio] && out[gpio]) {
        return level[gpio] ? 4095 : 0;
    }
    if (selected == 1u && up[gpio]) {
        code = 4000;
    }
    return (uint16_t)(code + (code < 4095 && turn++ % 4u == 3u ? 1 : 0));
}

void gpio_put(unsigned gpio, bool high)
{
    level[gpio] = high;
}

bool gpio_get(unsigned gpio)
{
    return digital[gpio] && (out[gpio] ? level[gpio] : up[gpio]);
}

void gpio_set_dir(unsigned gpio, bool to)
{
    out[gpio] = to;
}

void gpio_set_pulls(unsigned gpio, bool to, bool down)
{
    if (down) {
        std::abort();
    }
    up[gpio] = to;
}

void gpio_set_function(unsigned gpio, gpio_function function)
{
    digital[gpio] = function == GPIO_FUNC_SIO;
}

void pico_get_unique_board_id(pico_unique_board_id_t *id)
{
    std::memcpy(id->id, "\xE6\x60\x01\x02\x03\x04\x05\x06", 8);
}
