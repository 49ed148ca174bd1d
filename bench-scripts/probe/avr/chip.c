/* ATmega328P and ATmega2560 at 16 MHz: reset cause, pins, EEPROM, fuses. Under the image and under
 * the sketch alike. */
#ifdef __AVR__ /* in the sketch this file lies beside those of other chips */

#include <avr/boot.h>
#include <avr/eeprom.h>
#include <avr/io.h>
#include <avr/wdt.h>
#include <util/atomic.h>
#include <util/delay.h>

#include "../core/probe_hw.h"

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

/* ---- time ---------------------------------------------------------------------------------- */

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

/* ---- pins ---------------------------------------------------------------------------------- */

struct port {
    volatile uint8_t *pin; /* PINx; DDRx and PORTx are the two registers behind it */
    uint8_t mask;
};

#ifdef __AVR_ATmega2560__
static struct port port_of(uint8_t pin)
{
    struct port port;

    /* Ports A to G follow each other, K is further on. */
    port.pin = pin < 56u ? &PINA + 3u * (pin / 8u) : &PINK;
    port.mask = (uint8_t)(1u << pin % 8u);
    return port;
}
#else
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
#endif

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

#endif
