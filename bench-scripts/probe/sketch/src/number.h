/* A chip's own number folded to the 32 bits of an identity. */
#ifndef PROBE_NUMBER_H
#define PROBE_NUMBER_H

#include <stddef.h>
#include <stdint.h>

/* FNV-1a with 32 bits (RFC 9923, from memory), never 0, which stands for none. */
static inline uint32_t number_of_bytes(const uint8_t *bytes, size_t count)
{
    uint32_t hash = 2166136261u;
    size_t i;

    for (i = 0; i < count; i++) {
        hash = (hash ^ bytes[i]) * 16777619u;
    }
    return hash == 0 ? 1u : hash;
}

#endif
