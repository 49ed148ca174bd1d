/* Error queue and status registers of IEEE 488.2 and SCPI-1999. */
#ifndef PROBE_STATUS_H
#define PROBE_STATUS_H

#include <stdint.h>

#include "probe.h"

/* SCPI-1999 error numbers that the probe uses. */
enum {
    ERR_NONE = 0,
    ERR_INVALID_CHARACTER = -101,
    ERR_SYNTAX = -102,
    ERR_SEPARATOR = -103,
    ERR_DATA_TYPE = -104,
    ERR_NOT_ALLOWED = -108,
    ERR_MISSING = -109,
    ERR_MNEMONIC_TOO_LONG = -112,
    ERR_HEADER = -113,
    ERR_NUMBER = -121,
    ERR_EXPONENT = -123,
    ERR_SUFFIX = -138,
    ERR_STRING = -151,
    ERR_EXPRESSION = -170,
    ERR_CONFLICT = -221,
    ERR_RANGE = -222,
    ERR_ILLEGAL = -224,
    ERR_HARDWARE = -240,
    ERR_HARDWARE_MISSING = -241,
    ERR_OVERFLOW = -350,
    ERR_COMMUNICATION = -360,
    ERR_OVERRUN = -363,
    ERR_TIME_OUT = -365
};

/* Standard event status register, IEEE 488.2 section 11.5.1. */
#define ESR_OPERATION_COMPLETE 0x01u
#define ESR_QUERY 0x04u
#define ESR_DEVICE 0x08u
#define ESR_EXECUTION 0x10u
#define ESR_COMMAND 0x20u
#define ESR_POWER_ON 0x80u

/* Status byte, IEEE 488.2 section 11.2 and SCPI-1999. */
#define STB_ERRORS 0x04u
#define STB_EVENTS 0x20u
#define STB_SUMMARY 0x40u

void status_init(struct probe *p);
/* Queues an error and sets its class's event bit; in a full queue the last becomes -350. */
void status_error(struct probe *p, int16_t error);
/* Takes the oldest error out of the queue, 0 when it is empty. */
int16_t status_next(struct probe *p);
void status_clear(struct probe *p);
uint8_t status_byte(const struct probe *p);

#endif
