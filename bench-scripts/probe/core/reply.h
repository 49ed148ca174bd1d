/* Replies: fields, the separators between them, and the CRC over request and reply. */
#ifndef PROBE_REPLY_H
#define PROBE_REPLY_H

#include <stdint.h>

#include "probe.h"
#include "rom.h"

/* CRC-16/IBM-3740: polynomial 0x1021, start 0xFFFF, not reflected. */
#define CRC_START 0xFFFFu
uint16_t crc_add(uint16_t crc, uint8_t byte);

/* Starts a field: sends the `;` or `,` that divides it from what was sent before. */
void reply_field(struct probe *p);
void reply_char(struct probe *p, char c);
void reply_rom(struct probe *p, const ROM char *text);
char hex_digit(uint8_t value);
/* A field of hexadecimal digits begins. */
void reply_hex_field(struct probe *p);
void reply_hex(struct probe *p, uint8_t byte);
void reply_hex32(struct probe *p, uint32_t value);
/* Whole fields. */
void reply_number(struct probe *p, uint32_t value);
void reply_wide(struct probe *p, const struct wide *value);
void reply_error(struct probe *p, uint8_t error);
/* Ends the line's reply; `tag` (without quotes, may be NULL) as the link document says. */
void reply_end(struct probe *p, const char *tag, uint8_t tag_length);

#endif
