/* The probe: answers for the pins of the microcontroller that it runs on.
 *
 * Portable core, no hardware: bytes come in by probe_receive, replies leave by hw_send, pins and
 * converter are the functions of probe_hw.h. All state is in struct probe, so that a host can run
 * several. The language is IEEE 488.2 program messages in SCPI-1999 style; protocols/probe-link.md
 * gives its exact bytes. */
#ifndef PROBE_H
#define PROBE_H

#include <stdbool.h>
#include <stdint.h>

#include "burst.h"
#include "chip.h"

#define PROBE_VERSION "1.0"
#define PROBE_LINE_MAX 224u     /* bytes of a line without its LF */
#define PROBE_ERRORS 8u         /* places in the error queue */
#define PROBE_HOLD_DEFAULT 3000u /* ms of silence after which outputs go off */

struct probe {
    void *hw; /* handed to every hardware function, never looked into */

    /* line.c: the line that is being received */
    char line[PROBE_LINE_MAX + 1u]; /* a NUL behind it while it runs */
    uint8_t length;
    bool discarding; /* the line overran or was damaged: ignore all up to its LF */

    /* reply.c: the reply that is being sent */
    uint16_t crc;  /* over the request and the reply so far */
    uint16_t request_crc; /* over the request alone */
    bool replied;  /* this line has sent data */
    bool in_unit;  /* the command that runs has sent data */

    /* status.c: IEEE 488.2 registers and the error queue */
    uint8_t errors[PROBE_ERRORS];
    uint8_t error_count;
    uint8_t line_error; /* first error of this line, 0 for none */
    uint8_t esr, ese, sre;
    uint16_t operation_enable, questionable_enable;

    /* outputs.c: bit = channel number */
    chip_set allowed;  /* may be driven, and are */
    chip_set off_high; /* of these, those that are off at high level */
    chip_set on;       /* of these, those that are on */
    chip_set discharge; /* may be discharged before a digital read */
    uint32_t hold_ms;
    uint32_t heard_ms; /* when the host was last heard or answered */

    /* identity.c */
    uint32_t boots; /* boot count of this boot, 0 while the probe has no identity */
    uint8_t cause;  /* HW_RESET_ bits */

    /* measure.c */
    uint8_t references; /* HW_REFERENCE_ numbers that may be selected, as bits */
    uint8_t reference;  /* the one that is selected */
    uint8_t of_pins;    /* the one that pins are measured against */
    struct burst burst;
    struct raw raw;
};

/* Puts the probe in its state after a reset: pins inputs, queue empty, boot counted. */
void probe_init(struct probe *p, void *hw);

/* Takes one byte from the line; runs the line at its LF and sends the reply before it returns. */
void probe_receive(struct probe *p, uint8_t byte);

/* Reports that bytes were lost or damaged before they came here: the line is discarded to its LF
 * and `error` (ERR_COMMUNICATION damaged, ERR_OVERRUN lost) is queued. */
void probe_line_fault(struct probe *p, uint8_t error);

/* Housekeeping, to be called at least every 10 ms: switches outputs off after silence. */
void probe_poll(struct probe *p);

#endif
