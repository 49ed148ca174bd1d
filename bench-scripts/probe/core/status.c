#include "status.h"

void status_init(struct probe *p)
{
    p->error_count = 0;
    p->line_error = ERR_NONE;
    p->esr = ESR_POWER_ON;
    p->ese = 0;
    p->sre = 0;
    p->operation_enable = 0;
    p->questionable_enable = 0;
}

static uint8_t event_of(uint8_t error)
{
    if (error >= ERR_OVERFLOW) {
        return ESR_DEVICE;
    }
    return error >= ERR_CONFLICT ? ESR_EXECUTION : ESR_COMMAND;
}

void status_error(struct probe *p, uint8_t error)
{
    p->esr |= event_of(error);
    if (p->line_error == ERR_NONE) {
        p->line_error = error;
    }
    if (p->error_count < PROBE_ERRORS) {
        p->errors[p->error_count++] = error;
    } else {
        p->errors[PROBE_ERRORS - 1u] = ERR_OVERFLOW;
        p->esr |= event_of(ERR_OVERFLOW);
    }
}

uint8_t status_next(struct probe *p)
{
    const uint8_t error = p->error_count > 0 ? p->errors[0] : ERR_NONE;
    uint8_t i;

    if (p->error_count > 0) {
        p->error_count--;
    }
    for (i = 0; i < p->error_count; i++) {
        p->errors[i] = p->errors[i + 1u];
    }
    return error;
}

void status_clear(struct probe *p)
{
    p->error_count = 0;
    p->esr = 0;
}

/* No message-available bit: a reply is on the wire before the next command is looked at. */
uint8_t status_byte(const struct probe *p)
{
    uint8_t byte = 0;

    if (p->error_count > 0) {
        byte |= STB_ERRORS;
    }
    if ((p->esr & p->ese) != 0) {
        byte |= STB_EVENTS;
    }
    if ((byte & p->sre) != 0) {
        byte |= STB_SUMMARY;
    }
    return byte;
}
