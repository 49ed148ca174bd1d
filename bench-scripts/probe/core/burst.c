#include "burst.h"

#include <string.h>

#include "probe_hw.h"

void burst_start(struct burst *b, uint16_t full_scale)
{
    memset(b, 0, sizeof *b);
#ifdef PROBE_ANY_CHIP
    b->full_scale = full_scale;
#else
    (void)full_scale;
#endif
}

void burst_first(struct burst *b, uint16_t code)
{
    const uint16_t half = BURST_BINS / 2u;
    const uint16_t top = burst_full_scale(b) + 1u - BURST_BINS;

    b->first = code;
    b->low = code;
    b->high = code;
    b->base = code < half ? 0 : (uint16_t)(code - half);
    if (b->base > top) {
        b->base = top;
    }
}

void burst_work(struct burst *b)
{
    if (b->raw != NULL) {
        raw_send(b->raw);
    }
}

static void wide_add(struct wide *sum, uint32_t part)
{
    sum->low += part;
    if (sum->low < part) {
        sum->high++;
    }
}

void burst_fold(struct burst *b)
{
    wide_add(&b->square, b->square_part);
    wide_add(&b->lag, b->lag_part);
    b->square_part = 0;
    b->lag_part = 0;
    b->part_n = 0;
}

void burst_close(struct burst *b)
{
    burst_fold(b);
    wide_add(&b->lag, (uint32_t)b->previous * b->first);
}

uint16_t burst_quantile(const struct burst *b, uint8_t percent)
{
    const uint16_t rank = (uint16_t)(((uint32_t)b->n * percent + 99u) / 100u);
    uint16_t below = 0;
    uint16_t bin = 0;

    for (bin = 0; bin < BURST_BINS - 1u; bin++) {
        below = (uint16_t)(below + b->bins[bin]);
        if (below >= rank) {
            break;
        }
    }
    if (bin == 0 && b->low < b->base) {
        return b->low;
    }
    if (bin == BURST_BINS - 1u && b->high > b->base + bin) {
        return b->high;
    }
    return (uint16_t)(b->base + bin);
}

bool burst_by_single(void *hw, uint8_t mux, uint8_t prescaler, uint8_t discard, struct burst *b,
                     uint16_t n)
{
    while (discard-- > 0) {
        (void)hw_convert(hw, mux, prescaler);
    }
    while (n-- > 0) {
        burst_add(b, hw_convert(hw, mux, prescaler));
        burst_work(b);
    }
    return true;
}
