/* Measurements: bursts, levels, charge sharing, supply. */
#include <stddef.h>

#include "chip.h"
#include "commands.h"
#include "probe_hw.h"
#include "reply.h"
#include "status.h"

#define LEVEL_SPACING 100u   /* us between digital reads: 200 reads span a mains period */
#define CHARGE_CODES 4u      /* codes added up at either end */
#define FULL_PRECISION 128u  /* prescaler: 125 kHz at 16 MHz, within 50 to 200 kHz */
#define BANDGAP_SETTLE 2000u /* us; 0.35 to 2 ms seen in the field */
#define BANDGAP_DISCARD 8u
/* us; a capacitor of 100 nF at AREF goes from 5 V to half a code of 1.1 V through the 32 kOhm of
 * the pin (8271H table 28-16, from memory) in 29 ms. */
#define REFERENCE_SETTLE 50000u
#define DISCHARGE_TIME 10u       /* us; 25 Ohm of the pin empty 50 nF to a thousandth in it */

void measure_init(struct probe *p)
{
    p->references = 1u << HW_REFERENCE_SUPPLY;
    p->reference = HW_REFERENCE_SUPPLY;
    p->of_pins = HW_REFERENCE_SUPPLY;
    hw_reference(p->hw, HW_REFERENCE_SUPPLY);
}

static void select_reference(struct probe *p, uint8_t reference)
{
    if (p->reference == reference) {
        return;
    }
    p->reference = reference;
    hw_reference(p->hw, reference);
    (void)hw_convert(p->hw, HW_MUX_GROUND, FULL_PRECISION); /* joins it to AREF */
    hw_wait_us(p->hw, REFERENCE_SETTLE);
    (void)hw_convert(p->hw, HW_MUX_GROUND, FULL_PRECISION);
}

/* On a board with a voltage at AREF another reference would be joined to it inside the chip. */
static bool use_reference(struct probe *p, uint8_t reference)
{
    if ((p->references >> reference & 1u) == 0) {
        status_error(p, ERR_CONFLICT);
        return false;
    }
    select_reference(p, reference);
    return true;
}

void run_reference(struct probe *p, const struct args *a)
{
    uint8_t reference = 0;

    if (!chip_internal(p) && a->references != 1u << HW_REFERENCE_SUPPLY) {
        status_error(p, ERR_HARDWARE_MISSING);
        return;
    }
    p->references = a->references;
    p->of_pins = a->reference; /* the last one that was named */
    if ((p->references >> p->reference & 1u) == 0) {
        while ((p->references >> reference & 1u) == 0) {
            reference++;
        }
        select_reference(p, reference);
    }
}

void run_reference_query(struct probe *p, const struct args *a)
{
    static const ROM char words[][5] = {"EXT", "SUPP", "", "INT"};
    uint8_t i;

    (void)a;
    for (i = 0; i < sizeof words / sizeof words[0]; i++) {
        if ((p->references >> i & 1u) != 0) {
            reply_field(p);
            reply_rom(p, words[i]);
        }
    }
}

static bool is_digital(struct probe *p, uint8_t pin)
{
    (void)p; /* where the chip is known at compile time */
    return chip_has(chip_digital(p), pin);
}

/* A pin that is driven stays so: it may be read, but no pull-up goes on it. */
static bool prepare_pin(struct probe *p, uint8_t pin, uint8_t pull, uint32_t settle)
{
    const bool driven = chip_has(p->allowed, pin);
    const bool named = chip_has(p->discharge, pin);

    if (pull != PULL_OFF && !is_digital(p, pin)) {
        status_error(p, ERR_HARDWARE_MISSING);
        return false;
    }
    if ((pull != PULL_OFF && driven) || (pull == PULL_DISCHARGED && !named)) {
        status_error(p, ERR_CONFLICT);
        return false;
    }
    if (!driven && is_digital(p, pin)) {
        hw_pin_mode(p->hw, pin, pull == PULL_UP ? HW_PULL_UP : HW_INPUT);
    }
    if (pull != PULL_DISCHARGED) { /* else it settles before each read */
        hw_wait_us(p->hw, settle);
    }
    return true;
}

bool measure_may_pull_low(struct probe *p, uint8_t pin)
{
    return prepare_pin(p, pin, PULL_DISCHARGED, 0);
}

static void release_pin(struct probe *p, uint8_t pin, uint8_t pull)
{
    if (pull == PULL_UP) {
        hw_pin_mode(p->hw, pin, HW_INPUT);
    }
}

static bool has_converter(struct probe *p, uint8_t pin)
{
    if (chip_mux(p, pin) != CHIP_NO_MUX) {
        return true;
    }
    status_error(p, ERR_HARDWARE_MISSING);
    return false;
}

/* `before` is an input that is converted once, as near to the burst as can be. */
static void take_burst(struct probe *p, uint8_t mux, uint8_t prescaler, uint8_t discard,
                       uint16_t n, uint8_t before)
{
    if (before != CHIP_NO_MUX) {
        (void)hw_convert(p->hw, before, prescaler);
    }
    if (!hw_burst(p->hw, mux, prescaler, discard, &p->burst, n)) {
        status_error(p, ERR_HARDWARE);
    }
    burst_close(&p->burst);
}

static void reply_burst(struct probe *p)
{
    const struct burst *b = &p->burst;

    if (p->line_error != ERR_NONE) {
        return;
    }
    reply_number(p, b->n);
    reply_number(p, b->sum);
    reply_wide(p, &b->square);
    reply_number(p, b->low);
    reply_number(p, b->high);
    reply_wide(p, &b->lag);
    reply_number(p, burst_quantile(b, 1));
    reply_number(p, burst_quantile(b, 99));
}

/* A burst as it is asked for by number of conversions, settling, discarded ones and prescaler. */
static void burst_of_pin(struct probe *p, const struct args *a, struct raw *raw)
{
    const uint32_t *const number = a->number; /* n, settle, discard, prescaler */

    if (!has_converter(p, a->channel) || !use_reference(p, p->of_pins) ||
        !prepare_pin(p, a->channel, a->choice, number[1])) {
        return;
    }
    burst_start(&p->burst, chip_full_scale(p));
    p->burst.raw = raw;
    take_burst(p, chip_mux(p, a->channel), (uint8_t)number[3], (uint8_t)number[2],
               (uint16_t)number[0], CHIP_NO_MUX);
    release_pin(p, a->channel, a->choice);
    if (raw != NULL) {
        raw_finish(raw);
    }
    reply_burst(p);
}

void run_burst_query(struct probe *p, const struct args *a)
{
    burst_of_pin(p, a, NULL);
}

void run_raw_query(struct probe *p, const struct args *a)
{
    raw_start(&p->raw, p);
    burst_of_pin(p, a, &p->raw);
}

void run_product_query(struct probe *p, const struct args *a)
{
    const uint32_t *const number = a->number; /* n, discard, prescaler */

    if (!has_converter(p, a->before) || !has_converter(p, a->channel) ||
        !use_reference(p, a->reference) || !prepare_pin(p, a->before, PULL_OFF, 0) ||
        !prepare_pin(p, a->channel, PULL_OFF, 0)) {
        return;
    }
    burst_start(&p->burst, chip_full_scale(p));
    take_burst(p, chip_mux(p, a->channel), (uint8_t)number[2], (uint8_t)number[1],
               (uint16_t)number[0], chip_mux(p, a->before));
    reply_burst(p);
}

/* Whether the converter can read what is inside the chip. */
static bool has_internal(struct probe *p)
{
    if (!chip_internal(p)) {
        status_error(p, ERR_HARDWARE_MISSING);
    }
    return chip_internal(p);
}

void run_supply_query(struct probe *p, const struct args *a)
{
    if (!has_internal(p) || !use_reference(p, HW_REFERENCE_SUPPLY)) {
        return;
    }
    (void)hw_convert(p->hw, HW_MUX_BANDGAP, FULL_PRECISION); /* selects it, so that it settles */
    hw_wait_us(p->hw, BANDGAP_SETTLE);
    burst_start(&p->burst, chip_full_scale(p));
    take_burst(p, HW_MUX_BANDGAP, FULL_PRECISION, BANDGAP_DISCARD, (uint16_t)a->number[0],
               CHIP_NO_MUX);
    reply_burst(p);
}

/* A burst with the load off, and one in which it goes on, with its codes: as the last conversion of
 * the first frame is under way, so that all codes behind that frame are on load and are added up.
 * It is off again before the answer ends. */
static void step(struct probe *p, const struct args *a, uint8_t mux, uint8_t reference)
{
    if (!use_reference(p, reference) || !outputs_switch(p, a->channels, false)) {
        return;
    }
    (void)hw_convert(p->hw, mux, FULL_PRECISION);
    hw_wait_us(p->hw, BANDGAP_SETTLE);
    burst_start(&p->burst, chip_full_scale(p));
    take_burst(p, mux, FULL_PRECISION, BANDGAP_DISCARD, (uint16_t)a->number[0], CHIP_NO_MUX);
    reply_burst(p);
    raw_start(&p->raw, p);
    p->raw.lead = RAW_CODES;
    burst_start(&p->burst, chip_full_scale(p));
    p->burst.raw = &p->raw;
    p->on |= a->channels; /* driven so by raw_step */
    take_burst(p, mux, FULL_PRECISION, 0, (uint16_t)(a->number[1] + RAW_CODES), CHIP_NO_MUX);
    (void)outputs_switch(p, a->channels, false);
    raw_finish(&p->raw);
    reply_burst(p);
}

void run_supply_step_query(struct probe *p, const struct args *a)
{
    if (has_internal(p)) {
        step(p, a, HW_MUX_BANDGAP, HW_REFERENCE_SUPPLY);
    }
}

void run_step_query(struct probe *p, const struct args *a)
{
    if (has_converter(p, a->before) && prepare_pin(p, a->before, PULL_OFF, 0)) {
        step(p, a, chip_mux(p, a->before), p->of_pins);
    }
}

/* Empties the charge at a pin that nothing may hold: what drives it brings it back at once, an
 * open one stays low. */
static void discharge_pin(struct probe *p, uint8_t pin, uint32_t settle)
{
    hw_pin_mode(p->hw, pin, HW_LOW);
    hw_wait_us(p->hw, DISCHARGE_TIME);
    hw_pin_mode(p->hw, pin, HW_INPUT);
    hw_wait_us(p->hw, settle);
}

void run_level_query(struct probe *p, const struct args *a)
{
    const uint16_t n = (uint16_t)a->number[0];
    const uint32_t settle = a->number[1];
    const bool discharged = a->choice == PULL_DISCHARGED;
    uint16_t ones = 0, i;

    if (discharged && settle > SETTLE_MAX / n) {
        status_error(p, ERR_RANGE);
        return;
    }
    if (!is_digital(p, a->channel)) {
        status_error(p, ERR_HARDWARE_MISSING);
        return;
    }
    if (!prepare_pin(p, a->channel, a->choice, settle)) {
        return;
    }
    for (i = 0; i < n; i++) {
        if (i > 0) {
            hw_wait_us(p->hw, LEVEL_SPACING);
        }
        if (discharged) {
            discharge_pin(p, a->channel, settle);
        }
        ones = (uint16_t)(ones + (hw_pin_read(p->hw, a->channel) ? 1u : 0u));
    }
    release_pin(p, a->channel, a->choice);
    reply_number(p, n);
    reply_number(p, ones);
}

void run_charge_query(struct probe *p, const struct args *a)
{
    const uint16_t pairs = (uint16_t)a->number[0];
    const uint8_t mux = chip_mux(p, a->channel);
    uint16_t first = 0, last = 0, i;

    if (!has_internal(p) || !has_converter(p, a->channel) ||
        !use_reference(p, p->of_pins) || !prepare_pin(p, a->channel, PULL_OFF, 0)) {
        return;
    }
    for (i = 0; i < pairs; i++) {
        uint16_t code;

        (void)hw_convert(p->hw, HW_MUX_GROUND, FULL_PRECISION);
        code = hw_convert(p->hw, mux, FULL_PRECISION);
        first = (uint16_t)(first + (i < CHARGE_CODES ? code : 0u));
        last = (uint16_t)(last + (i >= pairs - CHARGE_CODES ? code : 0u));
    }
    reply_number(p, pairs);
    reply_number(p, first);
    reply_number(p, last);
}

/* Bit 0: the internal 0 V input does not read as 0 V. Bit 1: the bandgap is outside what 1.0 to
 * 1.2 V against a supply of 2.4 to 5.5 V can read (186 to 512). Bit 2: the chip has neither, so
 * nothing was tested. */
void run_test_query(struct probe *p, const struct args *a)
{
    uint8_t failed = 0;
    uint16_t bandgap;

    (void)a;
    if (!chip_internal(p)) {
        reply_number(p, 4u);
        return;
    }
    if (!use_reference(p, HW_REFERENCE_SUPPLY)) {
        return;
    }
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
