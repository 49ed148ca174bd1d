#include "host.h"

#include "../core/burst.h"
#include "../core/probe.h"
#include "../core/probe_hw.h"
#include "../core/status.h"

struct probe_host {
    struct probe_host_table table;
    void *context;
    struct probe probe;
};

const struct chip_facts *probe_host_chip(uint8_t place)
{
    static const struct chip_facts *const chips[] = {&chip_atmega328p, &chip_atmega2560,
                                                     &chip_samd21, &chip_rp2040};

    return chips[place < sizeof chips / sizeof chips[0] ? place : 0];
}

size_t probe_host_size(void)
{
    return sizeof(struct probe_host);
}

void probe_host_init(struct probe_host *host, const struct probe_host_table *table,
                     void *context)
{
    host->table = *table;
    host->context = context;
    probe_init(&host->probe, host);
}

void probe_host_receive(struct probe_host *host, uint8_t byte)
{
    probe_receive(&host->probe, byte);
}

void probe_host_fault(struct probe_host *host)
{
    probe_line_fault(&host->probe, ERR_COMMUNICATION);
}

void probe_host_poll(struct probe_host *host)
{
    probe_poll(&host->probe);
}

static const struct probe_host *host_of(const void *hw)
{
    return hw;
}

const struct chip_facts *hw_chip(void *hw)
{
    return host_of(hw)->table.chip;
}

uint32_t hw_number(void *hw)
{
    return host_of(hw)->table.number(host_of(hw)->context);
}

void hw_send(void *hw, uint8_t byte)
{
    host_of(hw)->table.send(host_of(hw)->context, byte);
}

void hw_reference(void *hw, uint8_t reference)
{
    host_of(hw)->table.reference(host_of(hw)->context, reference);
}

uint16_t hw_convert(void *hw, uint8_t mux, uint8_t prescaler)
{
    return host_of(hw)->table.convert(host_of(hw)->context, mux, prescaler);
}

/* As a converter that runs freely: the next code is being converted while one is added. */
bool hw_burst(void *hw, uint8_t mux, uint8_t prescaler, uint8_t discard, struct burst *b,
              uint16_t n)
{
    uint16_t code;

    while (discard-- > 0) {
        (void)hw_convert(hw, mux, prescaler);
    }
    code = hw_convert(hw, mux, prescaler);
    while (n-- > 0) {
        const uint16_t next = n > 0 ? hw_convert(hw, mux, prescaler) : 0;

        burst_add(b, code);
        burst_work(b);
        code = next;
    }
    return true;
}

void hw_pin_mode(void *hw, uint8_t pin, uint8_t mode)
{
    host_of(hw)->table.pin_mode(host_of(hw)->context, pin, mode);
}

bool hw_pin_read(void *hw, uint8_t pin)
{
    return host_of(hw)->table.pin_read(host_of(hw)->context, pin);
}

void hw_wait_us(void *hw, uint32_t us)
{
    host_of(hw)->table.wait_us(host_of(hw)->context, us);
}

uint32_t hw_now_ms(void *hw)
{
    return host_of(hw)->table.now_ms(host_of(hw)->context);
}

uint8_t hw_eeprom_read(void *hw, uint16_t at)
{
    return host_of(hw)->table.eeprom_read(host_of(hw)->context, at);
}

void hw_eeprom_write(void *hw, uint16_t at, uint8_t byte)
{
    host_of(hw)->table.eeprom_write(host_of(hw)->context, at, byte);
}

uint8_t hw_reset_cause(void *hw)
{
    return host_of(hw)->table.reset_cause(host_of(hw)->context);
}

bool hw_fuses(void *hw, uint8_t bytes[4])
{
    return host_of(hw)->table.fuses(host_of(hw)->context, bytes);
}
