#include "reply.h"

#include <stdbool.h>
#include <stddef.h>

#include "probe_hw.h"
#include "status.h"

uint16_t crc_add(uint16_t crc, uint8_t byte)
{
    uint8_t bit;

    crc = (uint16_t)(crc ^ (uint16_t)((uint16_t)byte << 8));
    for (bit = 0; bit < 8u; bit++) {
        const bool carry = (crc & 0x8000u) != 0;

        crc = (uint16_t)(crc << 1);
        if (carry) {
            crc = (uint16_t)(crc ^ 0x1021u);
        }
    }
    return crc;
}

void reply_char(struct probe *p, char c)
{
    p->crc = crc_add(p->crc, (uint8_t)c);
    hw_send(p->hw, (uint8_t)c);
}

void reply_field(struct probe *p)
{
    if (p->in_unit) {
        reply_char(p, ',');
    } else if (p->replied) {
        reply_char(p, ';');
    }
    p->in_unit = true;
    p->replied = true;
}

void reply_rom(struct probe *p, const ROM char *text)
{
    while (*text != '\0') {
        reply_char(p, *text++);
    }
}

char hex_digit(uint8_t value)
{
    return (char)(value < 10u ? value + '0' : value - 10 + 'A');
}

void reply_hex_field(struct probe *p)
{
    reply_field(p);
    reply_char(p, '#');
    reply_char(p, 'H');
}

void reply_hex(struct probe *p, uint8_t byte)
{
    reply_char(p, hex_digit(byte >> 4));
    reply_char(p, hex_digit(byte & 15u));
}

void reply_hex32(struct probe *p, uint32_t value)
{
    uint8_t i;

    for (i = 4; i > 0; i--) {
        reply_hex(p, (uint8_t)(value >> (8u * (i - 1u))));
    }
}

/* Doubles a row of decimal digits bit by bit: smaller on 8 bits than 64-bit division. */
static void put_decimal(struct probe *p, uint32_t high, uint32_t low)
{
    uint8_t digits[20];
    uint8_t count = 1;
    uint8_t bit, i;

    digits[0] = 0;
    for (bit = 0; bit < 64u; bit++) {
        uint8_t carry = (uint8_t)(high >> 31);

        high <<= 1;
        if ((low & 0x80000000u) != 0) {
            high |= 1u;
        }
        low <<= 1;
        for (i = 0; i < count; i++) {
            const uint8_t twice = (uint8_t)(2u * digits[i] + carry);

            carry = twice >= 10u;
            digits[i] = carry ? (uint8_t)(twice - 10u) : twice;
        }
        if (carry) {
            digits[count++] = 1;
        }
    }
    while (count > 0) {
        reply_char(p, (char)('0' + digits[--count]));
    }
}

void reply_wide(struct probe *p, const struct wide *value)
{
    reply_field(p);
    put_decimal(p, value->high, value->low);
}

void reply_number(struct probe *p, uint32_t value)
{
    reply_field(p);
    put_decimal(p, 0, value);
}

#define NUMBER(name, number, text) number,
static const ROM uint16_t error_numbers[] = {ERRORS(NUMBER)};

void reply_error(struct probe *p, uint8_t error)
{
    reply_field(p);
    if (error != ERR_NONE) {
        reply_char(p, '-');
    }
    put_decimal(p, 0, error_numbers[error]);
}

void reply_end(struct probe *p, const char *tag, uint8_t tag_length)
{
    uint16_t crc;

    if (tag != NULL) {
        p->in_unit = p->replied;
        reply_error(p, p->line_error);
        reply_char(p, ',');
        reply_char(p, '"');
        while (tag_length-- > 0) {
            reply_char(p, *tag++);
        }
        reply_char(p, '"');
        reply_char(p, ',');
        crc = p->crc;
        reply_char(p, '#');
        reply_char(p, 'H');
        reply_hex(p, (uint8_t)(crc >> 8));
        reply_hex(p, (uint8_t)crc);
    }
    if (p->replied) {
        reply_char(p, '\n');
    }
}
