/* Raw samples: kept in two frames by turns, one filled while the other is sent. */
#ifndef PROBE_RAW_H
#define PROBE_RAW_H

#include <stdbool.h>
#include <stdint.h>

/* A frame of 32 codes is 67 bytes on the line: 2.68 ms at 250,000 baud, while 32 conversions at
 * prescaler 128 take 3.33 ms. So one can be sent while the other fills. */
#define RAW_CODES 32u

struct probe;
struct burst;

struct raw_frame {
    volatile uint8_t count; /* codes that wait to be sent; 0: free */
    uint16_t number;        /* of the frame, from 0; it starts with code number * RAW_CODES */
    uint16_t codes[RAW_CODES];
};

struct raw {
    struct probe *p;
    struct raw_frame frames[2];
    uint16_t n;    /* codes that came */
    uint8_t lead;  /* so many of them come before a load is on: they go to the frames alone */
    bool dropping; /* there was no room for the frame that is due: it is left out whole */
    bool started;  /* a frame has been sent */
};

void raw_start(struct raw *r, struct probe *p);
/* Sends a frame that is full, if there is one. */
void raw_send(struct raw *r);
/* Sends what is left, once all codes are added. */
void raw_finish(struct raw *r);
/* Switches the load. */
void raw_step(struct raw *r);

/* Adds a code; whether it is to be added up as well. On the AVR it runs inside the
 * conversion-complete interrupt, with the next conversion under way. */
static inline bool raw_add(struct raw *r, uint16_t code)
{
    const uint16_t i = r->n++;
    struct raw_frame *const frame = &r->frames[i / RAW_CODES % 2u];
    const uint8_t slot = (uint8_t)(i % RAW_CODES);

    if (slot == 0) {
        r->dropping = frame->count != 0;
    }
    if (!r->dropping) {
        frame->codes[slot] = code;
        if (slot == RAW_CODES - 1u) {
            frame->number = (uint16_t)(i / RAW_CODES);
            frame->count = RAW_CODES;
        }
    }
    if (i >= r->lead) {
        return true;
    }
    if (i + 2u == r->lead) {
        raw_step(r);
    }
    return false;
}

#endif
