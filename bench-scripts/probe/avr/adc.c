/* The converter of the ATmega328P (Atmel-8271H section 24) and of the ATmega2560 (2549 section 26,
 * from memory: the same but for a sixth bit of the multiplexer). */
#ifdef __AVR__ /* in the sketch this file lies beside those of other chips */

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

#include "../core/burst.h"
#include "../core/probe_hw.h"

#define CYCLES 13u /* of the converter's clock for one conversion, section 24.4 */
/* Below this prescaler a conversion (208 cycles at 16) is over before the last one is added up:
 * there each is started when the one before is done with, and none can be lost. */
#define FREE_RUNNING_FROM 32u

static struct burst *target;
static uint16_t wanted;       /* codes still to be added */
static uint8_t dropping;      /* conversions still to be dropped */
static bool paced;            /* `before` holds the time of a conversion */
static uint16_t before;       /* processor cycles when the conversion before was read */
static uint16_t longest;      /* cycles between two readings beyond which one was lost */
static bool lost;
static bool one_by_one;
static volatile bool running;
static uint8_t reference_bits; /* REFS1 and REFS0 */

void hw_reference(void *hw, uint8_t reference)
{
    (void)hw;
#ifdef MUX5
    /* Its internal reference of 1.1 V is number 2, 3 is that of 2.56 V (from memory). */
    reference = reference == HW_REFERENCE_INTERNAL ? 2u : reference;
#endif
    reference_bits = (uint8_t)(reference << REFS0);
}

static uint8_t prescaler_bits(uint8_t prescaler)
{
    switch (prescaler) {
    case 16: return _BV(ADPS2);
    case 32: return _BV(ADPS2) | _BV(ADPS0);
    case 64: return _BV(ADPS2) | _BV(ADPS1);
    default: return _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
    }
}

static void wait_until_done(void)
{
    while ((ADCSRA & _BV(ADSC)) != 0) {
    }
}

static uint16_t convert(void)
{
    ADCSRA |= _BV(ADSC);
    wait_until_done();
    return ADC;
}

/* Selects the input; the first conversion after the converter goes on is wrong and dropped. Going
 * to sleep in idle mode starts a conversion of the input before (data sheet, sleep modes; from
 * memory): it is let end. */
static void select_input(uint8_t mux, uint8_t prescaler)
{
    const bool was_off = (ADCSRA & _BV(ADEN)) == 0;

    wait_until_done();
#ifdef MUX5
    ADMUX = (uint8_t)(reference_bits | (mux & 0x1Fu));
    ADCSRB = (uint8_t)((mux & 0x20u) != 0 ? _BV(MUX5) : 0); /* and the trigger is free running */
#else
    ADMUX = (uint8_t)(reference_bits | mux);
#endif
    ADCSRA = (uint8_t)(_BV(ADEN) | prescaler_bits(prescaler));
    if (was_off) {
        (void)convert();
    }
}

uint16_t hw_convert(void *hw, uint8_t mux, uint8_t prescaler)
{
    (void)hw;
    select_input(mux, prescaler);
    return convert();
}

/* A conversion is overwritten by the next one: when two readings lie nearly two conversions apart,
 * one may have been lost, and the burst does not count. */
ISR(ADC_vect)
{
    const uint16_t code = ADC;
    const uint16_t now = TCNT1;

    if (dropping > 0) {
        dropping--;
    } else {
        if (paced && (uint16_t)(now - before) > longest) {
            lost = true;
        }
        paced = !one_by_one;
        before = now;
        burst_add(target, code);
        if (--wanted == 0) {
            ADCSRA &= (uint8_t) ~(_BV(ADATE) | _BV(ADIE));
            running = false;
            return;
        }
    }
    if (one_by_one) {
        ADCSRA |= _BV(ADSC);
    }
}

static void work_while_running(void)
{
    for (;;) {
        burst_work(target);
        cli();
        if (!running) {
            break;
        }
        sleep_enable();
        sei();
        sleep_cpu();
        sleep_disable();
    }
    sei();
}

bool hw_burst(void *hw, uint8_t mux, uint8_t prescaler, uint8_t discard, struct burst *b,
              uint16_t n)
{
    const uint16_t period = (uint16_t)(CYCLES * prescaler);

    (void)hw;
    select_input(mux, prescaler);
    target = b;
    wanted = n;
    dropping = discard;
    paced = false;
    longest = (uint16_t)(2u * period - period / 8u);
    lost = false;
    running = true;
    one_by_one = prescaler < FREE_RUNNING_FROM;
#ifndef MUX5
    ADCSRB = 0; /* the trigger is free running, where a trigger is used at all */
#endif
    ADCSRA |= (uint8_t)(_BV(ADIE) | _BV(ADIF) | _BV(ADSC) | (one_by_one ? 0 : _BV(ADATE)));
    work_while_running();
    wait_until_done();
    ADCSRA |= _BV(ADIF); /* drop the one conversion that was under way */
    return !lost;
}

#endif
