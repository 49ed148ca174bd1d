/* The elements of program messages (IEEE 488.2 chapter 7), read from a piece of the line.
 * Every reader moves the cursor past what it took and returns 0, or returns a SCPI error number.
 */
#ifndef PROBE_LEX_H
#define PROBE_LEX_H

#include <stdbool.h>
#include <stdint.h>

#include "chip.h"
#include "rom.h"

struct cursor {
    char *at;
    char *end;
};

#define HEADER_MAX 48u
#define MNEMONIC_MAX 12u /* IEEE 488.2 section 7.6.1.4.1 */

/* A header, upper case, with the path that a later header of the same line continues. */
struct header {
    char text[HEADER_MAX + 1u];
    uint8_t path;  /* length of the path, up to and with its last colon */
    uint8_t start; /* where the text to look up starts: past the path for common commands */
};

void lex_space(struct cursor *c);
/* The next character in upper case, NUL at the end. */
char lex_peek(const struct cursor *c);
/* Moves to the first `mark` outside strings and parentheses, or to the end; true when found. */
bool lex_find(struct cursor *c, char mark);

uint8_t lex_header(struct cursor *c, struct header *h);
/* Unsigned whole number from NRf or #H, #Q, #B form; a fraction is rounded, halves up. */
uint8_t lex_number(struct cursor *c, uint32_t *value);
/* String in either quote; doubled quotes are made single in place. */
uint8_t lex_string(struct cursor *c, char **text, uint8_t *length);
/* Channel list `(@1,3:5)` as bits. */
uint8_t lex_channels(struct cursor *c, chip_set *bits);
/* One of the words of a list such as OFF|ON|DISCharge, in its short or long form; its place. */
uint8_t lex_choice(struct cursor *c, const ROM char *words, uint8_t *place);

/* Whether header text is the short or the long form of a pattern such as SYSTem:ERRor[:NEXT]?, which
 * comes in two pieces. */
bool lex_match(const ROM char *stem, const ROM char *rest, const char *text);

#endif
