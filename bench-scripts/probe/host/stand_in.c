#include "stand_in.h"

#include <stdlib.h>
#include <string.h>

void stand_in_init(struct stand_in *s, void (*out)(uint8_t byte))
{
    memset(s, 0, sizeof *s);
    memset(s->eeprom, 0xFF, sizeof s->eeprom);
    s->chip = &chip_atmega328p;
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

static uint16_t full_scale(const struct stand_in *s)
{
    return (uint16_t)((1u << s->chip->code_bits) - 1u);
}

/* The core may only convert what there is. */
static uint8_t pin_of(const struct stand_in *s, uint8_t mux)
{
    uint8_t pin;

    for (pin = 0; pin < s->chip->pins; pin++) {
        if ((s->chip->usable >> pin & 1u) != 0 && s->chip->mux(pin) == mux) {
            return pin;
        }
    }
    abort();
}

/* The core may only name pins that there are, and never those of the link. */
static void check_digital(const struct stand_in *s, uint8_t pin)
{
    if (pin >= s->chip->pins || ((s->chip->usable & s->chip->digital) >> pin & 1u) == 0) {
        abort();
    }
}

/* A pin: something of its own with a little noise, drawn to the channel before. */
static uint16_t pin_code(struct stand_in *s, uint8_t mux)
{
    const uint8_t pin = pin_of(s, mux);

    s->noise = s->noise * 1664525u + 1013904223u;
    if (s->modes[pin] == HW_LOW) {
        return 0;
    }
    if (s->modes[pin] == HW_HIGH) {
        return full_scale(s);
    }
    return (uint16_t)(100u * (mux % 8u) + 40u + (s->noise >> 30) +
                      (s->modes[pin] == HW_PULL_UP ? 100u : 0) + s->held / 64u);
}

static uint16_t convert(void *context, uint8_t mux, uint8_t prescaler)
{
    struct stand_in *s = context;
    uint32_t code = mux == HW_MUX_BANDGAP ? 225u : 0;

    s->clock_us += 13u * prescaler / 16u;
    if (mux < HW_MUX_GROUND) {
        code = pin_code(s, mux);
    } else if (!s->chip->internal) {
        abort();
    }
    s->held = (uint16_t)code;
    if (s->reference == HW_REFERENCE_INTERNAL) {
        code = code * 1024u / 225u;
    }
    return code > full_scale(s) ? full_scale(s) : (uint16_t)code;
}

static void pin_mode(void *context, uint8_t pin, uint8_t mode)
{
    check_digital(context, pin);
    if (mode > HW_HIGH) {
        abort();
    }
    ((struct stand_in *)context)->modes[pin] = mode;
}

static bool pin_read(void *context, uint8_t pin)
{
    struct stand_in *s = context;

    check_digital(s, pin);
    if (s->modes[pin] == HW_INPUT && pin % 6u == 0) { /* now high, now low: a part that answers */
        s->noise = s->noise * 1664525u + 1013904223u;
        return s->noise >> 31 != 0;
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
    if (at >= ((struct stand_in *)context)->chip->eeprom) {
        abort();
    }
    return ((struct stand_in *)context)->eeprom[at];
}

static void eeprom_write(void *context, uint16_t at, uint8_t byte)
{
    if (at >= ((struct stand_in *)context)->chip->eeprom) {
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

/* Never asked for where the chip has none. */
static uint32_t number(void *context)
{
    if (!((const struct stand_in *)context)->chip->number) {
        abort();
    }
    return 0xC0FFEE01u;
}

struct probe_host_table stand_in_table(const struct stand_in *s)
{
    const struct probe_host_table table = {
        s->chip, send,   reference,   convert,      pin_mode,    pin_read, wait_us,
        now_ms,  eeprom_read, eeprom_write, reset_cause, fuses, number,
    };

    return table;
}
