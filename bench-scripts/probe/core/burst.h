/* A burst: conversions taken together, kept as sums so that no sample need be stored. */
#ifndef PROBE_BURST_H
#define PROBE_BURST_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chip.h"
#include "raw.h"

#ifndef BURST_MAX /* the fuzzer takes less, to come round oftener */
#define BURST_MAX 65535u /* conversions; bounds the time a command takes */
/* So many products of two codes fit into 32 bits: 4096 * 1023^2 = 4,286,582,784 and
 * 256 * 4095^2 = 4,292,870,400 are below 2^32. */
#if defined(CHIP_CODE_BITS) && CHIP_CODE_BITS == 10
#define BURST_FOLD 4096u
#else
#define BURST_FOLD 256u
#endif
#endif
#define BURST_BINS 64u

/* A sum of 64 bits in two halves, which takes an 8-bit chip less than its own 64-bit numbers. */
struct wide {
    uint32_t low, high;
};

struct burst {
    uint16_t n;
    uint16_t low, high;     /* smallest and largest code */
    uint16_t first;         /* the first code and the code before, for the lag sum */
    uint16_t previous;
    uint16_t base;          /* code of bin 0 */
    uint16_t part_n;        /* products in the parts below */
    uint32_t sum;           /* 65,535 * 4095 fits */
    uint32_t square_part, lag_part; /* fast 32-bit parts of the 64-bit sums */
    struct wide square, lag;
#ifdef PROBE_ANY_CHIP
    uint16_t full_scale;
#endif
    struct raw *raw;        /* where the codes go besides; NULL: nowhere */
    uint16_t bins[BURST_BINS]; /* the outer two hold everything beyond them, too */
};

void burst_start(struct burst *b, uint16_t full_scale);

/* Highest code. */
static inline uint16_t burst_full_scale(const struct burst *b)
{
#ifdef PROBE_ANY_CHIP
    return b->full_scale;
#else
    (void)b;
    return chip_full_scale(b);
#endif
}

/* What is to be done while conversions are made, a frame of samples to be sent at the most. */
void burst_work(struct burst *b);
/* Moves the 32-bit parts into the 64-bit sums. */
void burst_fold(struct burst *b);
/* To be called once after the last code: its product with the first closes the circle, so that
 * the autocorrelation follows from the sums alone. */
void burst_close(struct burst *b);
/* The bins are centred on the first code and kept inside the scale. */
void burst_first(struct burst *b, uint16_t code);
/* Code of the nearest rank ceil(n * percent / 100). In an outer bin that holds codes beyond it
 * the answer is the smallest or largest code of the burst, the worse side. */
uint16_t burst_quantile(const struct burst *b, uint8_t percent);
/* hw_burst by way of hw_convert. */
bool burst_by_single(void *hw, uint8_t mux, uint8_t prescaler, uint8_t discard, struct burst *b,
                     uint16_t n);

/* Adds a code. Inline: on the AVR it runs inside the conversion-complete interrupt. */
static inline void burst_add(struct burst *b, uint16_t code)
{
    uint16_t bin;

    if (b->raw != NULL && !raw_add(b->raw, code)) {
        return;
    }
    if (b->n == 0) {
        burst_first(b, code);
    } else {
        b->lag_part += (uint32_t)b->previous * code;
    }
    b->n++;
    b->previous = code;
    b->sum += code;
    b->square_part += (uint32_t)code * code;
    if (code < b->low) {
        b->low = code;
    }
    if (code > b->high) {
        b->high = code;
    }
    bin = code < b->base ? 0 : (uint16_t)(code - b->base);
    b->bins[bin < BURST_BINS ? bin : BURST_BINS - 1u]++;
    if (++b->part_n == BURST_FOLD) {
        burst_fold(b);
    }
}

#endif
