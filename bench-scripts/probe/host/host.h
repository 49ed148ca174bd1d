/* The core inside a host program: hardware functions go through a table, one per probe. */
#ifndef PROBE_HOST_H
#define PROBE_HOST_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "../core/chip.h"

/* Kept in step with `Table` in src/probe/core.rs. */
struct probe_host_table {
    const struct chip_facts *chip;
    void (*send)(void *context, uint8_t byte);
    void (*reference)(void *context, uint8_t reference);
    uint16_t (*convert)(void *context, uint8_t mux, uint8_t prescaler);
    void (*pin_mode)(void *context, uint8_t pin, uint8_t mode);
    bool (*pin_read)(void *context, uint8_t pin);
    void (*wait_us)(void *context, uint32_t us);
    uint32_t (*now_ms)(void *context);
    uint8_t (*eeprom_read)(void *context, uint16_t at);
    void (*eeprom_write)(void *context, uint16_t at, uint8_t byte);
    uint8_t (*reset_cause)(void *context);
    bool (*fuses)(void *context, uint8_t bytes[4]);
    uint32_t (*number)(void *context);
};

/* What the host can stand in for, in the order of `Model` in src/probe/core.rs. */
extern const struct chip_facts chip_atmega328p, chip_atmega2560, chip_samd21, chip_rp2040;
/* The chip of that place in the list, the first for a number beyond it. */
const struct chip_facts *probe_host_chip(uint8_t place);

struct probe_host; /* a probe with its table and context */

/* Bytes that a probe_host takes; its alignment is at most 8. */
size_t probe_host_size(void);
/* Makes a probe of the memory at `host`, or resets the one that is there. */
void probe_host_init(struct probe_host *host, const struct probe_host_table *table,
                     void *context);
void probe_host_receive(struct probe_host *host, uint8_t byte);
void probe_host_fault(struct probe_host *host);
void probe_host_poll(struct probe_host *host);

#endif
