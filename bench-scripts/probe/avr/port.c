/* ATmega328P at 16 MHz: serial line, pins, EEPROM, clock. */
#include <avr/boot.h>
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/atomic.h>
#include <util/delay.h>

#include "../core/burst.h"
#include "../core/probe.h"
#include "../core/probe_hw.h"

#ifndef PROBE_BAUD
#define PROBE_BAUD 250000UL /* exact at 16 MHz: UBRR 3 */
#endif
#define DIVISOR ((F_CPU + 8UL * PROBE_BAUD) / (16UL * PROBE_BAUD))

/* ---- reset cause --------------------------------------------------------------------------- */

static uint8_t reset_flags __attribute__((section(".noinit")));

/* Before anything else: the flags add up from reset to reset until they are cleared, and a
 * watchdog that caused the reset still runs, with the shortest time. */
void save_reset_flags(void) __attribute__((naked, used, section(".init3")));
void save_reset_flags(void)
{
#ifdef PROBE_BOOT_LOADER_PASSES_R2
    /* Only for boot loaders known to leave MCUSR in r2: elsewhere r2 is chance. */
    __asm__ volatile("sts %0, r2" : "=m"(reset_flags));
#else
    reset_flags = MCUSR;
#endif
    MCUSR = 0;
    wdt_disable();
}

uint8_t hw_reset_cause(void *hw)
{
    (void)hw;
    return reset_flags & (HW_RESET_POWER | HW_RESET_EXTERNAL | HW_RESET_BROWNOUT |
                          HW_RESET_WATCHDOG);
}

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

void hw_wait_us(void *hw, uint32_t us)
{
    (void)hw;
    for (; us >= 100u; us -= 100u) {
        _delay_us(100);
    }
    for (; us >= 10u; us -= 10u) {
        _delay_us(10);
    }
    while (us-- > 0) {
        _delay_us(1);
    }
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

/* ---- pins ---------------------------------------------------------------------------------- */

struct port {
    volatile uint8_t *pin; /* PINx; DDRx and PORTx are the two registers behind it */
    uint8_t mask;
};

static struct port port_of(uint8_t pin)
{
    struct port port = {&PIND, 0};

    if (pin < 8u) {
        port.mask = (uint8_t)(1u << pin);
    } else if (pin < 14u) {
        port.pin = &PINB;
        port.mask = (uint8_t)(1u << (pin - 8u));
    } else {
        port.pin = &PINC;
        port.mask = (uint8_t)(1u << (pin - 14u));
    }
    return port;
}

/* The level is set before the direction, so that a pin is never driven to the wrong side. On the
 * way from input to high or from low to input this passes through the pull-up or a low level
 * that was there already. */
void hw_pin_mode(void *hw, uint8_t pin, uint8_t mode)
{
    const struct port port = port_of(pin);
    volatile uint8_t *const ddr = port.pin + 1;
    volatile uint8_t *const out = port.pin + 2;

    (void)hw;
    if (mode == HW_INPUT || mode == HW_PULL_UP) {
        *ddr &= (uint8_t)~port.mask;
    }
    if (mode == HW_PULL_UP || mode == HW_HIGH) {
        *out |= port.mask;
    } else {
        *out &= (uint8_t)~port.mask;
    }
    if (mode == HW_LOW || mode == HW_HIGH) {
        *ddr |= port.mask;
    }
}

bool hw_pin_read(void *hw, uint8_t pin)
{
    const struct port port = port_of(pin);

    (void)hw;
    return (*port.pin & port.mask) != 0;
}

/* ---- EEPROM -------------------------------------------------------------------------------- */

uint8_t hw_eeprom_read(void *hw, uint16_t at)
{
    (void)hw;
    return eeprom_read_byte((const uint8_t *)at);
}

void hw_eeprom_write(void *hw, uint16_t at, uint8_t byte)
{
    (void)hw;
    eeprom_write_byte((uint8_t *)at, byte);
}

/* ---- fuses --------------------------------------------------------------------------------- */

bool hw_fuses(void *hw, uint8_t bytes[4])
{
    static const uint8_t where[4] = {GET_LOW_FUSE_BITS, GET_HIGH_FUSE_BITS,
                                     GET_EXTENDED_FUSE_BITS, GET_LOCK_BITS};
    uint8_t i;

    (void)hw;
    for (i = 0; i < 4u; i++) {
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE) /* the byte is there for three cycles only */
        {
            bytes[i] = boot_lock_fuse_bits_get(where[i]);
        }
    }
    return true;
}

/* ---- main ---------------------------------------------------------------------------------- */

static struct probe probe;

static void report_faults(void)
{
    if (line_damaged) {
        line_damaged = false;
        probe_line_fault(&probe, -360);
    }
    if (line_lost) {
        line_lost = false;
        probe_line_fault(&probe, -363);
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
