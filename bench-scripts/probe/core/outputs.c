/* Outputs: only pins that the host has named are ever driven, and not longer than it is there. */
#include "chip.h"
#include "commands.h"
#include "probe_hw.h"
#include "reply.h"
#include "status.h"

static void drive(struct probe *p, uint8_t pin)
{
    const bool on = chip_has(p->on, pin);
    const bool off_high = chip_has(p->off_high, pin);

    hw_pin_mode(p->hw, pin, on != off_high ? HW_HIGH : HW_LOW);
}

/* Drives the named pins that are allowed; lets all other named pins go. The pins behind the last of
 * them cost no time: a load is switched just before a conversion. */
static void settle_pins(struct probe *p, chip_set pins)
{
    uint8_t pin;

    pins &= chip_usable(p) & chip_digital(p);
    for (pin = 0; pins != 0; pin++, pins >>= 1) {
        if ((pins & 1u) == 0) {
            continue;
        }
        if (chip_has(p->allowed, pin)) {
            drive(p, pin);
        } else {
            hw_pin_mode(p->hw, pin, HW_INPUT);
        }
    }
}

void outputs_init(struct probe *p)
{
    p->allowed = 0;
    p->off_high = 0;
    p->on = 0;
    p->discharge = 0;
    p->hold_ms = PROBE_HOLD_DEFAULT;
    settle_pins(p, chip_usable(p));
    outputs_heard(p);
}

void outputs_heard(struct probe *p)
{
    p->heard_ms = hw_now_ms(p->hw);
}

bool outputs_silence(struct probe *p)
{
    if (p->on == 0 || hw_now_ms(p->hw) - p->heard_ms <= p->hold_ms) {
        return false;
    }
    p->on = 0;
    settle_pins(p, p->allowed);
    return true;
}

void run_abort(struct probe *p, const struct args *a)
{
    (void)a;
    p->on = 0;
    settle_pins(p, chip_usable(p));
}

void run_rst(struct probe *p, const struct args *a)
{
    run_abort(p, a);
    p->hold_ms = PROBE_HOLD_DEFAULT;
}

static bool all_digital(struct probe *p, chip_set pins)
{
    if ((pins & ~chip_digital(p)) == 0) {
        return true;
    }
    status_error(p, ERR_HARDWARE_MISSING);
    return false;
}

void run_discharge(struct probe *p, const struct args *a)
{
    if (all_digital(p, a->channels)) {
        p->discharge |= a->channels;
    }
}

void run_allow(struct probe *p, const struct args *a)
{
    if (!all_digital(p, a->channels)) {
        return;
    }
    p->allowed |= a->channels;
    p->on &= ~a->channels;
    p->off_high = a->choice != 0 ? p->off_high | a->channels : p->off_high & ~a->channels;
    settle_pins(p, a->channels);
}

static bool all_allowed(struct probe *p, chip_set pins)
{
    if ((pins & ~p->allowed) == 0) {
        return true;
    }
    status_error(p, ERR_CONFLICT);
    return false;
}

void outputs_drive(struct probe *p)
{
    settle_pins(p, p->allowed);
}

bool outputs_switch(struct probe *p, chip_set pins, bool on)
{
    if (!all_allowed(p, pins)) {
        return false;
    }
    p->on = on ? p->on | pins : p->on & ~pins;
    settle_pins(p, pins);
    return true;
}

void run_output(struct probe *p, const struct args *a)
{
    (void)outputs_switch(p, a->channels, a->choice != 0);
}

void run_output_query(struct probe *p, const struct args *a)
{
    uint8_t pin;

    if (!all_allowed(p, a->channels)) {
        return;
    }
    for (pin = 0; pin < chip_pins(p); pin++) {
        if (chip_has(a->channels, pin)) {
            reply_number(p, chip_has(p->on, pin));
        }
    }
}

void run_hold(struct probe *p, const struct args *a)
{
    p->hold_ms = a->number[0];
}

void run_hold_query(struct probe *p, const struct args *a)
{
    (void)a;
    reply_number(p, p->hold_ms);
}
