/* Numbers: decimal (NRf) and non-decimal, read as unsigned whole numbers. */
#include <stdbool.h>

#include "lex.h"
#include "status.h"

#define EXPONENT_MAX 32000 /* IEEE 488.2 section 7.7.2.4.1 */

struct decimal {
    uint32_t digits;
    int16_t scale; /* value = digits * 10^scale */
    bool any;      /* has at least one digit */
};

static uint8_t digit_of(char c)
{
    if (c >= '0' && c <= '9') {
        return (uint8_t)(c - '0');
    }
    return c >= 'A' && c <= 'F' ? (uint8_t)(c - 'A' + 10) : 0xFFu;
}

static uint8_t non_decimal(struct cursor *c, uint32_t *value)
{
    uint32_t sum = 0;
    uint8_t bits = 0;
    bool any = false;

    c->at++;
    switch (lex_peek(c)) {
    case 'H': bits = 4; break;
    case 'Q': bits = 3; break;
    case 'B': bits = 1; break;
    default: return ERR_DATA_TYPE;
    }
    for (;;) {
        uint8_t digit, i;

        c->at++;
        digit = digit_of(lex_peek(c));
        if (digit >= 1u << bits) {
            break;
        }
        for (i = 0; i < bits; i++) { /* shorter on 8 bits than a shift by a number */
            if ((sum & 0x80000000u) != 0) {
                return ERR_RANGE;
            }
            sum <<= 1;
        }
        sum |= digit;
        any = true;
    }
    *value = sum;
    return any ? ERR_NONE : ERR_NUMBER;
}

/* Digits with at most one point. Digits that no longer fit only count as powers of ten. */
static void read_digits(struct cursor *c, struct decimal *d)
{
    bool point = false, full = false;

    for (;; c->at++) {
        const char ch = lex_peek(c);
        uint8_t digit;

        if (ch == '.' && !point) {
            point = true;
            continue;
        }
        if (ch < '0' || ch > '9') {
            return;
        }
        d->any = true;
        digit = (uint8_t)(ch - '0');
        full = full || d->digits > (UINT32_MAX - digit) / 10u;
        if (!full) {
            d->digits = d->digits * 10u + digit;
        }
        d->scale = (int16_t)(d->scale + (full ? 1 : 0) - (point ? 1 : 0));
    }
}

static uint8_t read_exponent(struct cursor *c, struct decimal *d)
{
    char *const back = c->at;
    int16_t exponent = 0;
    bool negative = false, any = false;

    lex_space(c);
    if (lex_peek(c) != 'E') {
        c->at = back;
        return ERR_NONE;
    }
    c->at++;
    lex_space(c);
    if (lex_peek(c) == '+' || lex_peek(c) == '-') {
        negative = lex_peek(c) == '-';
        c->at++;
    }
    for (; digit_of(lex_peek(c)) < 10u; c->at++) {
        any = true;
        exponent = exponent > EXPONENT_MAX / 10
                       ? EXPONENT_MAX + 1
                       : (int16_t)(exponent * 10 + digit_of(lex_peek(c)));
    }
    if (exponent > EXPONENT_MAX) {
        return ERR_EXPONENT;
    }
    d->scale = (int16_t)(d->scale + (negative ? -exponent : exponent));
    return any ? ERR_NONE : ERR_NUMBER;
}

static uint8_t scale_up_or_round(struct decimal *d, uint32_t *value)
{
    uint32_t digits = d->digits;
    int16_t scale = d->scale;
    uint8_t rest = 0; /* the digit that was cut off last */

    for (; scale > 0 && digits != 0; scale--) {
        if (digits > UINT32_MAX / 10u) {
            return ERR_RANGE;
        }
        digits *= 10u;
    }
    for (; scale < 0 && (digits != 0 || rest != 0); scale++) {
        rest = (uint8_t)(digits % 10u);
        digits /= 10u;
    }
    *value = digits + (rest >= 5u ? 1u : 0u);
    return ERR_NONE;
}

uint8_t lex_number(struct cursor *c, uint32_t *value)
{
    struct decimal d = {0, 0, false};
    bool negative = false;
    uint8_t error;
    const char first = lex_peek(c);

    if (first == '#') {
        error = non_decimal(c, value);
    } else if (first == '+' || first == '-' || first == '.' || digit_of(first) < 10u) {
        if (first == '+' || first == '-') {
            negative = first == '-';
            c->at++;
        }
        read_digits(c, &d);
        error = d.any ? read_exponent(c, &d) : ERR_NUMBER;
        if (error == ERR_NONE) {
            error = scale_up_or_round(&d, value);
        }
        if (error == ERR_NONE && negative && *value != 0) {
            error = ERR_RANGE;
        }
    } else {
        return ERR_DATA_TYPE;
    }
    if (error == ERR_NONE) {
        char *const back = c->at;

        lex_space(c);
        if (lex_peek(c) >= 'A' && lex_peek(c) <= 'Z') {
            return ERR_SUFFIX;
        }
        c->at = back;
    }
    return error;
}
