#include "raw.h"

#include <stddef.h>
#include <string.h>

#include "commands.h"
#include "probe.h"
#include "probe_hw.h"
#include "reply.h"

void raw_start(struct raw *r, struct probe *p)
{
    memset(r, 0, sizeof *r);
    r->p = p;
}

/* Sends a character of a frame: the frame has a checksum of its own, the line's leaves it out. */
static void put(struct raw *r, uint16_t *crc, uint8_t c)
{
    *crc = crc_add(*crc, c);
    hw_send(r->p->hw, c);
}

static void put_hex16(struct raw *r, uint16_t *crc, uint16_t value)
{
    uint8_t i;

    for (i = 0; i < 4u; i++, value = (uint16_t)(value << 4)) {
        put(r, crc, (uint8_t)hex_digit((uint8_t)(value >> 12)));
    }
}

/* The bits of a code, one code behind the other, six bits a character from `0` to `o`, the last one
 * filled up with zeros. */
static void put_codes(struct raw *r, uint16_t *crc, const struct raw_frame *frame)
{
    uint16_t held = 0;
    uint8_t bits = 0, i;

    for (i = 0; i < frame->count; i++) {
        held = (uint16_t)(held << chip_code_bits(r->p) | frame->codes[i]);
        for (bits = (uint8_t)(bits + chip_code_bits(r->p)); bits >= 6u; bits = (uint8_t)(bits - 6u)) {
            put(r, crc, (uint8_t)('0' + (held >> (bits - 6u) & 63u)));
        }
    }
    if (bits > 0) {
        put(r, crc, (uint8_t)('0' + (held << (6u - bits) & 63u)));
    }
}

/* A definite-length block: number, codes, CRC over the request and what is in the block before it.
 * No byte of it can be taken for a line's end. */
static void send_frame(struct raw *r, struct raw_frame *frame)
{
    const uint8_t length = (uint8_t)((chip_code_bits(r->p) * frame->count + 5u) / 6u + 8u);
    uint16_t crc = r->p->request_crc, sum;

    if (r->started) {
        hw_send(r->p->hw, ',');
    } else {
        reply_field(r->p);
        r->started = true;
    }
    hw_send(r->p->hw, '#');
    hw_send(r->p->hw, '2');
    hw_send(r->p->hw, (uint8_t)('0' + length / 10u));
    hw_send(r->p->hw, (uint8_t)('0' + length % 10u));
    put_hex16(r, &crc, frame->number);
    put_codes(r, &crc, frame);
    sum = crc;
    put_hex16(r, &crc, sum);
    frame->count = 0;
}

void raw_send(struct raw *r)
{
    struct raw_frame *const a = &r->frames[0], *const b = &r->frames[1];

    if (a->count != 0 && (b->count == 0 || a->number < b->number)) {
        send_frame(r, a);
    } else if (b->count != 0) {
        send_frame(r, b);
    }
}

void raw_step(struct raw *r)
{
    outputs_drive(r->p);
}

void raw_finish(struct raw *r)
{
    const uint16_t n = r->n;
    struct raw_frame *const last = &r->frames[n / RAW_CODES % 2u];
    const uint8_t rest = (uint8_t)(n % RAW_CODES);

    if (rest != 0 && !r->dropping) {
        last->number = (uint16_t)(n / RAW_CODES);
        last->count = rest;
    }
    raw_send(r);
    raw_send(r);
}
