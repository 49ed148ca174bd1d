/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "chip.h"

#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Data memory addresses of the ATmega328P (data sheet, "Register Summary"). */
enum {
    PINB = 0x23, DDRB = 0x24, PORTB = 0x25, /* and three further on for each next port */
    MCUSR = 0x54, MCUCR = 0x55, SPMCSR = 0x57, ADCL = 0x78, ADCH = 0x79, ADCSRA = 0x7a, ADCSRB = 0x7b, ADMUX = 0x7c,
    DIDR0 = 0x7e, UCSR0A = 0xc0, UCSR0B = 0xc1, UBRR0L = 0xc4, UBRR0H = 0xc5, UDR0 = 0xc6,
};
enum { PORTS = 3, PORT_C = 1, HOOKS = 3 * PORTS + 4 };
enum { BIT_PUD = 1 << 4, BIT_ADSC = 1 << 6, BIT_ADEN = 1 << 7, BIT_ADLAR = 1 << 5,
       BIT_BLBSET = 1 << 3, BIT_SPMEN = 1, BIT_U2X = 1 << 1, BIT_RXEN = 1 << 4 };

/* The library's own write handler behind one of ours. */
struct hook {
    struct chip *chip;
    avr_io_addr_t address;
    avr_io_write_t write;
    void *param;
};

struct chip {
    avr_t *avr;
    struct chip_calls calls;
    struct hook hooks[HOOKS];
    int hooked;
    void (*core_reset)(avr_t *avr);
    avr_io_read_t udr_read;
    void *udr_param;
    avr_uart_t *uart;
    avr_irq_t *receive;
    int unread;        /* bytes given to the receiver and not read by the program */
    uint16_t running;  /* code latched when the running conversion started */
    uint16_t result;   /* what ADCL and ADCH show */
    uint8_t pending;   /* `running` is not shown yet */
    uint8_t held;      /* ADCL was read: the result stays until ADCH is */
    uint8_t behind[4]; /* program bytes under the fuses, while these are shown */
    uint8_t fuses_shown;
    uint8_t wide;      /* an ATmega2560 */
    uint8_t first;     /* the converter was switched on and has not converted yet */
    char complaint[160];
};

static void keep_complaint(avr_t *avr, const int level, const char *format, va_list args) {
    if (!avr || !avr->custom.data || level > LOG_ERROR || level == LOG_OUTPUT) return;
    struct chip *chip = avr->custom.data;
    vsnprintf(chip->complaint, sizeof chip->complaint, format, args);
}

/* --- converter: the library computes when ADCL is read; silicon holds the sample at the start --- */

static void publish(struct chip *chip) {
    if (!chip->pending) return;
    chip->pending = 0;
    if (!chip->held) chip->result = chip->running;
}

/* The ATmega2560 has MUX4 and MUX5 (bit 3 of ADCSRB), the internal inputs at 30 and 31, and its
 * 1.1 V at 2 where the ATmega328P has it at 3 (data sheet 2549, "ADMUX", from memory). */
static uint8_t admux_as_narrow(const struct chip *chip) {
    const uint8_t *data = chip->avr->data;
    uint8_t admux = data[ADMUX], low = admux & 0x0f;
    if (!chip->wide) return admux & 0xef;
    uint8_t reference = admux >> 6 == 2 ? 0xc0 : admux & 0xc0;
    return reference | low | (data[ADCSRB] & 8 ? 0x10 : 0);
}

static void conversion_starts(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    (void)value;
    struct chip *chip = param;
    const uint8_t *data = chip->avr->data;
    publish(chip); /* free running: the one before is complete */
    chip->running = chip->calls.convert(chip->calls.context, chip->avr->cycle, admux_as_narrow(chip),
                                        data[ADCSRA], chip->first) & 0x3ff;
    chip->pending = 1;
    chip->first = 0;
}

static uint16_t shown(struct chip *chip) {
    if (!(chip->avr->data[ADCSRA] & BIT_ADSC)) publish(chip);
    return chip->avr->data[ADMUX] & BIT_ADLAR ? chip->result << 6 : chip->result;
}

static uint8_t read_adcl(avr_t *avr, avr_io_addr_t address, void *param) {
    struct chip *chip = param;
    uint16_t code = shown(chip);
    chip->held = 1;
    return avr->data[address] = code & 0xff;
}

static uint8_t read_adch(avr_t *avr, avr_io_addr_t address, void *param) {
    struct chip *chip = param;
    uint16_t code = shown(chip);
    chip->held = 0;
    return avr->data[address] = code >> 8;
}

/* --- time of a byte on the line -------------------------------------------------------------- */

uint32_t chip_byte_cycles(const struct chip *chip) {
    const uint8_t *data = chip->avr->data;
    uint32_t divider = (data[UBRR0L] | (data[UBRR0H] & 0x0f) << 8) + 1;
    return 10 * divider * (data[UCSR0A] & BIT_U2X ? 8 : 16);
}

/* The library counts a parity bit that 8N1 does not have: eleven bits a byte. */
static void set_byte_time(struct chip *chip) {
    if (chip->uart) chip->uart->cycles_per_byte = chip_byte_cycles(chip);
}

/* --- pins ----------------------------------------------------------------------------------- */

static void tell_modes(struct chip *chip, int port) {
    const uint8_t *data = chip->avr->data;
    chip->calls.modes(chip->calls.context, chip->avr->cycle, port, data[DDRB + 3 * port],
                      data[PORTB + 3 * port], (data[MCUCR] & BIT_PUD) != 0);
}

/* The library lets a pull-up win over whatever drives the pin: the world decides instead. */
static uint8_t read_pin(avr_t *avr, avr_io_addr_t address, void *param) {
    struct chip *chip = param;
    int port = (address - PINB) / 3;
    uint8_t level = chip->calls.read(chip->calls.context, avr->cycle, port);
    if (port == PORT_C) level &= ~(avr->data[DIDR0] & 0x3f);
    return avr->data[address] = level;
}

/* --- fuses: the library reads the program where silicon reads them --------------------------- */

/* Low fuse, lock bits, extended and high fuse, by the address that reads them: a crystal of 16 MHz,
 * a boot loader of 512 bytes, brown-out at 2.7 V, the boot loader locked (common practice). */
static const uint8_t fuses[4] = {0xff, 0xcf, 0xfd, 0xde};

static avr_cycle_count_t hide_fuses(avr_t *avr, avr_cycle_count_t when, void *param) {
    (void)when;
    struct chip *chip = param;
    if (chip->fuses_shown) memcpy(avr->flash, chip->behind, sizeof chip->behind);
    chip->fuses_shown = 0;
    return 0;
}

/* BLBSET and SPMEN make the next LPM read them (data sheet, "Reading the Fuse and Lock Bits"). */
static void show_fuses(struct chip *chip) {
    if (chip->fuses_shown) return;
    memcpy(chip->behind, chip->avr->flash, sizeof chip->behind);
    memcpy(chip->avr->flash, fuses, sizeof fuses);
    chip->fuses_shown = 1;
    avr_cycle_timer_register(chip->avr, 4, hide_fuses, chip);
}

static void hooked_write(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    struct hook *hook = param;
    struct chip *chip = hook->chip;
    uint8_t was_on = avr->data[ADCSRA] & BIT_ADEN;
    if (address == UDR0) set_byte_time(chip);
    if (address == ADCSRA && !was_on && value & BIT_ADEN) chip->first = 1;
    if (hook->write)
        hook->write(avr, address, value, hook->param);
    else
        avr->data[address] = value;
    if (address == SPMCSR) {
        if ((value & 0x0f) == (BIT_BLBSET | BIT_SPMEN)) show_fuses(chip);
    } else if (address == ADCSRA) {
        if (was_on && !(value & BIT_ADEN)) chip->pending = 0;
    } else if (address == UDR0) {
        return;
    } else if (address == MCUCR) {
        for (int port = 0; port < PORTS; port++) tell_modes(chip, port);
    } else {
        tell_modes(chip, (address - PINB) / 3);
    }
}

/* The library chains at most four addresses, so handlers are chained here. */
static void hook_write(struct chip *chip, avr_io_addr_t address) {
    avr_io_addr_t io = AVR_DATA_TO_IO(address);
    struct hook *hook = &chip->hooks[chip->hooked++];
    *hook = (struct hook){chip, address, chip->avr->io[io].w.c, chip->avr->io[io].w.param};
    chip->avr->io[io].w.c = hooked_write;
    chip->avr->io[io].w.param = hook;
}

static void hook_read(struct chip *chip, avr_io_addr_t address, avr_io_read_t read) {
    chip->avr->io[AVR_DATA_TO_IO(address)].r.c = read;
    chip->avr->io[AVR_DATA_TO_IO(address)].r.param = chip;
}

/* --- serial line ---------------------------------------------------------------------------- */

static void byte_sent(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    struct chip *chip = param;
    chip->calls.sent(chip->calls.context, chip->avr->cycle, value & 0xff);
}

static uint8_t read_udr(avr_t *avr, avr_io_addr_t address, void *param) {
    struct chip *chip = param;
    if (chip->unread > 0) chip->unread--;
    return chip->udr_read(avr, address, chip->udr_param);
}

int chip_receive(struct chip *chip, uint8_t byte) {
    if (!(chip->avr->data[UCSR0B] & BIT_RXEN)) return 0;
    /* Two in the receiver's buffer, one in its shift register: the next start bit is an overrun
     * (data sheet, "Receiver Error Flags"). The library would queue 64. */
    if (chip->unread >= 3) return -1;
    chip->unread++;
    set_byte_time(chip);
    avr_raise_irq(chip->receive, byte);
    return 1;
}

/* --- making, running, resetting ------------------------------------------------------------- */

static void no_sleep(avr_t *avr, avr_cycle_count_t cycles) {
    (void)avr;
    (void)cycles; /* the caller keeps the pace */
}

/* Also on a reset of the program's own making, by the watchdog. */
static void after_reset(avr_t *avr) {
    struct chip *chip = avr->custom.data;
    if (chip->core_reset) chip->core_reset(avr);
    chip->pending = chip->held = chip->first = 0;
    hide_fuses(avr, 0, chip);
    chip->running = chip->result = 0;
    chip->unread = 0;
    for (int port = 0; port < PORTS; port++) tell_modes(chip, port);
}

static void install(struct chip *chip) {
    avr_t *avr = chip->avr;
    for (int port = 0; port < PORTS; port++) {
        hook_read(chip, PINB + 3 * port, read_pin);
        for (int r = 0; r < 3; r++) hook_write(chip, PINB + 3 * port + r);
    }
    hook_write(chip, MCUCR);
    hook_write(chip, SPMCSR);
    hook_write(chip, ADCSRA);
    hook_write(chip, UDR0);
    hook_read(chip, ADCL, read_adcl);
    hook_read(chip, ADCH, read_adch);
    chip->udr_read = avr->io[AVR_DATA_TO_IO(UDR0)].r.c;
    chip->udr_param = avr->io[AVR_DATA_TO_IO(UDR0)].r.param;
    hook_read(chip, UDR0, read_udr);
    for (avr_io_t *io = avr->io_port; io; io = io->next)
        if (!strcmp(io->kind, "uart")) chip->uart = (avr_uart_t *)io;
    chip->receive = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT),
                            byte_sent, chip);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER),
                            conversion_starts, chip);
    /* Neither prints lines nor naps when the program polls. */
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    chip->core_reset = avr->reset;
    avr->reset = after_reset;
}

struct chip *chip_new(const char *part, uint32_t hertz, uint32_t millivolts,
                      const struct chip_calls *calls) {
    avr_global_logger_set(keep_complaint);
    struct chip *chip = calloc(1, sizeof *chip);
    if (!chip) return NULL;
    chip->avr = avr_make_mcu_by_name(part);
    if (!chip->avr) {
        free(chip);
        return NULL;
    }
    chip->calls = *calls;
    chip->wide = !strcmp(part, "atmega2560");
    avr_init(chip->avr);
    chip->avr->custom.data = chip;
    chip->avr->frequency = hertz;
    chip->avr->vcc = chip->avr->avcc = chip->avr->aref = millivolts;
    chip->avr->log = LOG_ERROR;
    chip->avr->sleep = no_sleep;
    /* No program: an erased chip, not a place that the library made up. */
    memset(chip->avr->flash, 0xff, chip->avr->flashend + 1);
    chip->avr->codeend = chip->avr->flashend;
    install(chip);
    return chip;
}

void chip_free(struct chip *chip) {
    if (!chip) return;
    avr_terminate(chip->avr);
    free(chip->avr);
    free(chip);
}

int chip_load_flash(struct chip *chip, const uint8_t *bytes, uint32_t size, uint32_t at) {
    uint32_t room = chip->avr->flashend + 1;
    if (at > room || size > room - at) return -1;
    memcpy(chip->avr->flash + at, bytes, size);
    return 0;
}

/* The library answers -1 when it has obeyed and -2 when it has not. */
int chip_write_eeprom(struct chip *chip, const uint8_t *bytes, uint32_t size, uint32_t at) {
    uint32_t room = chip->avr->e2end + 1;
    if (at > room || size > room - at) return -1;
    avr_eeprom_desc_t part = {(uint8_t *)bytes, at, size};
    return avr_ioctl(chip->avr, AVR_IOCTL_EEPROM_SET, &part) == -2 ? -1 : 0;
}

int chip_read_eeprom(struct chip *chip, uint8_t *bytes, uint32_t size, uint32_t at) {
    uint32_t room = chip->avr->e2end + 1;
    if (at > room || size > room - at) return -1;
    avr_eeprom_desc_t part = {bytes, at, size};
    return avr_ioctl(chip->avr, AVR_IOCTL_EEPROM_GET, &part) == -2 ? -1 : 0;
}

void chip_reset(struct chip *chip, uint8_t mcusr) {
    avr_t *avr = chip->avr;
    uint16_t ram = chip->wide ? 0x200 : 0x100, size = avr->ramend + 1 - ram;
    uint8_t kept[0x2000];
    memcpy(kept, avr->data + ram, size < sizeof kept ? size : sizeof kept);
    avr_cycle_count_t cycle = avr->cycle;
    avr_reset(avr);
    avr->cycle = cycle;
    memcpy(avr->data + ram, kept, size < sizeof kept ? size : sizeof kept);
    avr->data[MCUSR] = mcusr;
    chip->complaint[0] = 0;
}

/* Does nothing but end a sleep at its time. */
static avr_cycle_count_t alarm_rings(avr_t *avr, avr_cycle_count_t when, void *param) {
    (void)avr;
    (void)when;
    (void)param;
    return 0;
}

int chip_run(struct chip *chip, uint64_t until) {
    avr_t *avr = chip->avr;
    if (avr->cycle >= until) return CHIP_RUNS;
    avr_cycle_timer_register(avr, until - avr->cycle, alarm_rings, chip);
    int state = avr->state;
    while (avr->cycle < until && (state == cpu_Running || state == cpu_Sleeping))
        state = avr_run(avr);
    avr_cycle_timer_cancel(avr, alarm_rings, chip);
    if (state == cpu_Crashed) return CHIP_CRASHED;
    return state == cpu_Running || state == cpu_Sleeping ? CHIP_RUNS : CHIP_STOPPED;
}

uint64_t chip_cycle(const struct chip *chip) { return chip->avr->cycle; }

uint8_t chip_peek(const struct chip *chip, uint16_t address) {
    return address <= chip->avr->ramend ? chip->avr->data[address] : 0;
}

void chip_poke(struct chip *chip, uint16_t address, uint8_t byte) {
    if (address <= chip->avr->ramend) chip->avr->data[address] = byte;
}

uint16_t chip_ram_end(const struct chip *chip) { return chip->avr->ramend; }

const char *chip_complaint(const struct chip *chip) { return chip->complaint; }
