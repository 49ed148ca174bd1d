/* Measurements: bursts, levels, charge sharing, supply. */
#include "chip.h"
#include "commands.h"
#include "probe_hw.h"
#include "reply.h"
#include "status.h"

#define SETTLE_MAX 1000000u  /* us: five time constants of 50 kOhm and 4 uF */
#define DISCARD_MAX 100u
#define LEVELS_MAX 1000u
#define LEVEL_SPACING 100u   /* us between digital reads: 200 reads span a mains period */
#define PAIRS_MIN 4u
#define PAIRS_MAX 2000u
#define CHARGE_CODES 4u      /* codes added up at either end */
#define FULL_PRECISION 128u  /* prescaler: 125 kHz at 16 MHz, within 50 to 200 kHz */
#define BANDGAP_SETTLE 2000u /* us; 0.35 to 2 ms seen in the field */
#define BANDGAP_DISCARD 8u

static bool prescaler_known(struct probe *p, uint32_t prescaler)
{
    if (prescaler == 16 || prescaler == 32 || prescaler == 64 || prescaler == 128) {
        return true;
    }
    status_error(p, ERR_ILLEGAL);
    return false;
}

/* A pin that is driven stays so: it may be read, but no pull-up goes on it. */
static bool prepare_pin(struct probe *p, uint8_t pin, bool pull_up, uint32_t settle)
{
    const bool driven = (p->allowed & chip_bit(pin)) != 0;

    if (pull_up && !chip_digital(pin)) {
        status_error(p, ERR_HARDWARE_MISSING);
        return false;
    }
    if (pull_up && driven) {
        status_error(p, ERR_CONFLICT);
        return false;
    }
    if (!driven && chip_digital(pin)) {
        hw_pin_mode(p->hw, pin, pull_up ? HW_PULL_UP : HW_INPUT);
    }
    hw_wait_us(p->hw, settle);
    return true;
}

static void release_pin(struct probe *p, uint8_t pin, bool pull_up)
{
    if (pull_up) {
        hw_pin_mode(p->hw, pin, HW_INPUT);
    }
}

static bool has_converter(struct probe *p, uint8_t pin)
{
    if (chip_mux(pin) != CHIP_NO_MUX) {
        return true;
    }
    status_error(p, ERR_HARDWARE_MISSING);
    return false;
}

static void take_burst(struct probe *p, uint8_t mux, uint8_t prescaler, uint8_t discard,
                       uint16_t n)
{
    burst_start(&p->burst);
    if (!hw_burst(p->hw, mux, prescaler, discard, &p->burst, n)) {
        status_error(p, ERR_HARDWARE);
    }
    burst_fold(&p->burst);
}

static void reply_burst(struct probe *p)
{
    const struct burst *b = &p->burst;

    if (p->line_error != ERR_NONE) {
        return;
    }
    reply_number(p, b->n);
    reply_number(p, b->sum);
    reply_number(p, b->square);
    reply_number(p, b->low);
    reply_number(p, b->high);
    reply_number(p, b->lag);
    reply_number(p, burst_quantile(b, 1));
    reply_number(p, burst_quantile(b, 99));
}

void run_burst_query(struct probe *p, const struct args *a)
{
    const uint32_t *const number = a->number; /* n, settle, discard, prescaler */

    if (!in_range(p, number[0], 1, BURST_MAX) || !in_range(p, number[1], 0, SETTLE_MAX) ||
        !in_range(p, number[2], 0, DISCARD_MAX) || !prescaler_known(p, number[3]) ||
        !has_converter(p, a->channel) || !prepare_pin(p, a->channel, a->flag, number[1])) {
        return;
    }
    take_burst(p, chip_mux(a->channel), (uint8_t)number[3], (uint8_t)number[2],
               (uint16_t)number[0]);
    release_pin(p, a->channel, a->flag);
    reply_burst(p);
}

void run_supply_query(struct probe *p, const struct args *a)
{
    if (!in_range(p, a->number[0], 1, BURST_MAX)) {
        return;
    }
    (void)hw_convert(p->hw, HW_MUX_BANDGAP, FULL_PRECISION); /* selects it, so that it settles */
    hw_wait_us(p->hw, BANDGAP_SETTLE);
    take_burst(p, HW_MUX_BANDGAP, FULL_PRECISION, BANDGAP_DISCARD, (uint16_t)a->number[0]);
    reply_burst(p);
}

void run_level_query(struct probe *p, const struct args *a)
{
    const uint32_t n = a->number[0];
    uint32_t ones = 0, i;

    if (!in_range(p, n, 1, LEVELS_MAX) || !in_range(p, a->number[1], 0, SETTLE_MAX)) {
        return;
    }
    if (!chip_digital(a->channel)) {
        status_error(p, ERR_HARDWARE_MISSING);
        return;
    }
    if (!prepare_pin(p, a->channel, a->flag, a->number[1])) {
        return;
    }
    for (i = 0; i < n; i++) {
        if (i > 0) {
            hw_wait_us(p->hw, LEVEL_SPACING);
        }
        ones += hw_pin_read(p->hw, a->channel) ? 1u : 0u;
    }
    release_pin(p, a->channel, a->flag);
    reply_number(p, n);
    reply_number(p, ones);
}

void run_charge_query(struct probe *p, const struct args *a)
{
    const uint32_t pairs = a->number[0];
    const uint8_t mux = chip_mux(a->channel);
    uint32_t first = 0, last = 0, i;

    if (!in_range(p, pairs, PAIRS_MIN, PAIRS_MAX) || !has_converter(p, a->channel) ||
        !prepare_pin(p, a->channel, false, 0)) {
        return;
    }
    for (i = 0; i < pairs; i++) {
        uint16_t code;

        (void)hw_convert(p->hw, HW_MUX_GROUND, FULL_PRECISION);
        code = hw_convert(p->hw, mux, FULL_PRECISION);
        first += i < CHARGE_CODES ? code : 0u;
        last += i >= pairs - CHARGE_CODES ? code : 0u;
    }
    reply_number(p, pairs);
    reply_number(p, first);
    reply_number(p, last);
}

/* Bit 0: the internal 0 V input does not read as 0 V. Bit 1: the bandgap is outside what 1.0 to
 * 1.2 V against a supply of 2.4 to 5.5 V can read (186 to 512). */
void run_test_query(struct probe *p, const struct args *a)
{
    uint8_t failed = 0;
    uint16_t bandgap;

    (void)a;
    (void)hw_convert(p->hw, HW_MUX_GROUND, FULL_PRECISION);
    if (hw_convert(p->hw, HW_MUX_GROUND, FULL_PRECISION) > 8u) {
        failed |= 1u;
    }
    (void)hw_convert(p->hw, HW_MUX_BANDGAP, FULL_PRECISION);
    hw_wait_us(p->hw, BANDGAP_SETTLE);
    bandgap = hw_convert(p->hw, HW_MUX_BANDGAP, FULL_PRECISION);
    if (bandgap < 182u || bandgap > 516u) { /* 4 codes of converter error either way */
        failed |= 2u;
    }
    reply_number(p, failed);
}
