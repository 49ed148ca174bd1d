/* Error queue and status registers of IEEE 488.2 and SCPI-1999. */
#ifndef PROBE_STATUS_H
#define PROBE_STATUS_H

#include <stdint.h>

#include "probe.h"

/* The SCPI-1999 errors that the probe uses: a place in this list in a byte inside, the number on the
 * line. Ordered by class. */
#define ERRORS(X) \
    X(ERR_NONE, 0, "No error") \
    X(ERR_INVALID_CHARACTER, 101, "Invalid character") \
    X(ERR_SYNTAX, 102, "Syntax error") \
    X(ERR_SEPARATOR, 103, "Invalid separator") \
    X(ERR_DATA_TYPE, 104, "Data type error") \
    X(ERR_NOT_ALLOWED, 108, "Parameter not allowed") \
    X(ERR_MISSING, 109, "Missing parameter") \
    X(ERR_MNEMONIC_TOO_LONG, 112, "Program mnemonic too long") \
    X(ERR_HEADER, 113, "Undefined header") \
    X(ERR_NUMBER, 121, "Invalid character in number") \
    X(ERR_EXPONENT, 123, "Exponent too large") \
    X(ERR_SUFFIX, 138, "Suffix not allowed") \
    X(ERR_STRING, 151, "Invalid string data") \
    X(ERR_EXPRESSION, 170, "Expression error") \
    X(ERR_CONFLICT, 221, "Settings conflict") \
    X(ERR_RANGE, 222, "Data out of range") \
    X(ERR_ILLEGAL, 224, "Illegal parameter value") \
    X(ERR_HARDWARE, 240, "Hardware error") \
    X(ERR_HARDWARE_MISSING, 241, "Hardware missing") \
    X(ERR_OVERFLOW, 350, "Queue overflow") \
    X(ERR_COMMUNICATION, 360, "Communication error") \
    X(ERR_OVERRUN, 363, "Input buffer overrun") \
    X(ERR_TIME_OUT, 365, "Time out error")

#define ERROR_NAME(name, number, text) name,
enum { ERRORS(ERROR_NAME) ERROR_COUNT };

/* Standard event status register, IEEE 488.2 section 11.5.1. */
#define ESR_OPERATION_COMPLETE 0x01u
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
void status_error(struct probe *p, uint8_t error);
/* Takes the oldest error out of the queue, 0 when it is empty. */
uint8_t status_next(struct probe *p);
void status_clear(struct probe *p);
uint8_t status_byte(const struct probe *p);

#endif
