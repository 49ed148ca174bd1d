#include "stand_in.h"

#include <stdlib.h>
#include <string.h>

void stand_in_init(struct stand_in *s, void (*out)(uint8_t byte))
{
    memset(s, 0, sizeof *s);
    memset(s->eeprom, 0xFF, sizeof s->eeprom);
    s->reference = HW_REFERENCE_SUPPLY;
    s->cause = HW_RESET_POWER;
    s->out = out;
}

static void send(void *context, uint8_t byte)
{
    struct stand_in *s = context;

    s->sent++;
    s->clock_us += 40; /* ten bits at 250,000 baud */
    if (s->out != NULL) {
        s->out(byte);
    }
}

static void reference(void *context, uint8_t number)
{
    ((struct stand_in *)context)->reference = number;
}

/* A pin: something of its own with a little noise, drawn to the channel before. */
static uint16_t pin_code(struct stand_in *s, uint8_t mux)
{
    const uint8_t pin = (uint8_t)(mux + 14u);

    s->noise = s->noise * 1664525u + 1013904223u;
    if (pin < 20u && s->modes[pin] == HW_LOW) {
        return 0;
    }
    if (pin < 20u && s->modes[pin] == HW_HIGH) {
        return 1023;
    }
    return (uint16_t)(100u * mux + 40u + (s->noise >> 30) +
                      (pin < 20u && s->modes[pin] == HW_PULL_UP ? 100u : 0) + s->held / 64u);
}

static uint16_t convert(void *context, uint8_t mux, uint8_t prescaler)
{
    struct stand_in *s = context;
    uint32_t code = mux == HW_MUX_BANDGAP ? 225u : 0;

    s->clock_us += 13u * prescaler / 16u;
    if (mux < 8u) {
        code = pin_code(s, mux);
    }
    s->held = (uint16_t)code;
    if (s->reference == HW_REFERENCE_INTERNAL) {
        code = code * 1024u / 225u;
    }
    return (uint16_t)(code > 1023u ? 1023u : code);
}

/* The core may only name pins that there are, and never those of the link. */
static void pin_mode(void *context, uint8_t pin, uint8_t mode)
{
    if (pin < 2u || pin >= 20u || mode > HW_HIGH) {
        abort();
    }
    ((struct stand_in *)context)->modes[pin] = mode;
}

static bool pin_read(void *context, uint8_t pin)
{
    const struct stand_in *s = context;

    if (pin < 2u || pin >= 20u) {
        abort();
    }
    return s->modes[pin] == HW_HIGH || s->modes[pin] == HW_PULL_UP ||
           (s->modes[pin] == HW_INPUT && pin % 2u == 0);
}

static void wait_us(void *context, uint32_t us)
{
    ((struct stand_in *)context)->clock_us += us;
}

static uint32_t now_ms(void *context)
{
    return (uint32_t)(((struct stand_in *)context)->clock_us / 1000u);
}

static uint8_t eeprom_read(void *context, uint16_t at)
{
    if (at >= STAND_IN_EEPROM) {
        abort();
    }
    return ((struct stand_in *)context)->eeprom[at];
}

static void eeprom_write(void *context, uint16_t at, uint8_t byte)
{
    if (at >= STAND_IN_EEPROM) {
        abort();
    }
    ((struct stand_in *)context)->eeprom[at] = byte;
}

static uint8_t reset_cause(void *context)
{
    return ((struct stand_in *)context)->cause;
}

/* None while the cause of the reset is not known: both kinds of chip have to be there. */
static bool fuses(void *context, uint8_t bytes[4])
{
    memset(bytes, 0xFF, 4);
    return ((struct stand_in *)context)->cause != 0;
}

/* Never asked for: the ATmega328P has none. */
static uint32_t number(void *context)
{
    (void)context;
    abort();
}

const struct probe_host_table stand_in_table = {
    &chip_atmega328p, send,    reference, convert,     pin_mode,     pin_read,    wait_us,
    now_ms,  eeprom_read, eeprom_write, reset_cause, fuses, number,
};
