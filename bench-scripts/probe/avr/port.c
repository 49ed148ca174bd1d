/* ATmega328P at 16 MHz without anything else: serial line, clock, main. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <util/atomic.h>

#include "../core/burst.h"
#include "../core/probe.h"
#include "../core/probe_hw.h"
#include "../core/status.h"

#ifndef PROBE_BAUD
#define PROBE_BAUD 250000UL /* exact at 16 MHz: UBRR 3 */
#endif
#define DIVISOR ((F_CPU + 8UL * PROBE_BAUD) / (16UL * PROBE_BAUD))

/* ---- clock --------------------------------------------------------------------------------- */

static volatile uint32_t milliseconds;

ISR(TIMER0_COMPA_vect)
{
    milliseconds++;
}

static void clock_start(void)
{
    TCCR0A = _BV(WGM01); /* clear on compare: 16 MHz / 64 / 250 = 1 kHz */
    TCCR0B = _BV(CS01) | _BV(CS00);
    OCR0A = F_CPU / 64UL / 1000UL - 1UL;
    TIMSK0 = _BV(OCIE0A);
    TCCR1A = 0; /* timer 1 counts processor cycles, for the check of a burst's pace */
    TCCR1B = _BV(CS10);
}

uint32_t hw_now_ms(void *hw)
{
    uint32_t now;

    (void)hw;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        now = milliseconds;
    }
    return now;
}

/* ---- serial line --------------------------------------------------------------------------- */

static volatile uint8_t ring[128];
static volatile uint8_t ring_in, ring_out;
static volatile bool line_damaged, line_lost;
/* What is on its way out: a reply is put together while its beginning is sent. */
static volatile uint8_t outbox[16];
static volatile uint8_t outbox_in, outbox_out;

ISR(USART_RX_vect)
{
    const uint8_t flags = UCSR0A;
    const uint8_t byte = UDR0;
    const uint8_t next = (uint8_t)((ring_in + 1u) % sizeof ring);

    if ((flags & (_BV(FE0) | _BV(UPE0))) != 0) {
        line_damaged = true;
    }
    if ((flags & _BV(DOR0)) != 0 || next == ring_out) {
        line_lost = true;
    }
    if (next != ring_out) {
        ring[ring_in] = byte;
        ring_in = next;
    }
}

static void line_start(void)
{
    UBRR0 = (uint16_t)(DIVISOR - 1UL);
    UCSR0A = 0;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00); /* 8 data bits, no parity, 1 stop bit */
    UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}

ISR(USART_UDRE_vect)
{
    if (outbox_out == outbox_in) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
    } else {
        UDR0 = outbox[outbox_out];
        outbox_out = (uint8_t)((outbox_out + 1u) % sizeof outbox);
    }
}

void hw_send(void *hw, uint8_t byte)
{
    const uint8_t next = (uint8_t)((outbox_in + 1u) % sizeof outbox);

    (void)hw;
    while (next == outbox_out) {
    }
    outbox[outbox_in] = byte;
    outbox_in = next;
    UCSR0B |= _BV(UDRIE0);
}

/* ---- main ---------------------------------------------------------------------------------- */

static struct probe probe;

static void report_faults(void)
{
    if (line_damaged) {
        line_damaged = false;
        probe_line_fault(&probe, ERR_COMMUNICATION);
    }
    if (line_lost) {
        line_lost = false;
        probe_line_fault(&probe, ERR_OVERRUN);
    }
}

static void sleep_until_interrupt(void)
{
    cli();
    if (ring_in == ring_out && !line_damaged && !line_lost) {
        sleep_enable();
        sei(); /* takes effect after the next instruction: no interrupt can slip in between */
        sleep_cpu();
        sleep_disable();
    }
    sei();
}

int main(void)
{
    set_sleep_mode(SLEEP_MODE_IDLE);
    MCUCR &= (uint8_t)~_BV(PUD); /* pull-ups can be switched on */
    DIDR0 = 0;                   /* converter pins can be read as digital ones, too */
    clock_start();
    line_start();
    sei();
    probe_init(&probe, 0);
    for (;;) {
        report_faults();
        if (ring_in != ring_out) {
            const uint8_t byte = ring[ring_out];

            ring_out = (uint8_t)((ring_out + 1u) % sizeof ring);
            probe_receive(&probe, byte);
        } else {
            probe_poll(&probe);
            sleep_until_interrupt();
        }
    }
}
