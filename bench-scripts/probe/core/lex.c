#include "lex.h"

#include <stddef.h>

#include "status.h"

static char upper(char c)
{
    return c >= 'a' && c <= 'z' ? (char)(c - 'a' + 'A') : c;
}

static bool is_letter(char c)
{
    return upper(c) >= 'A' && upper(c) <= 'Z';
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static bool in_mnemonic(char c)
{
    return is_letter(c) || is_digit(c) || c == '_';
}

char lex_peek(const struct cursor *c)
{
    return c->at < c->end ? upper(*c->at) : '\0';
}

void lex_space(struct cursor *c)
{
    while (c->at < c->end && (*c->at == ' ' || *c->at == '\t')) {
        c->at++;
    }
}

bool lex_find(struct cursor *c, char mark)
{
    char quote = '\0';
    uint8_t depth = 0;

    for (; c->at < c->end; c->at++) {
        const char ch = *c->at;

        if (quote != '\0') {
            quote = ch == quote ? '\0' : quote;
        } else if (ch == '"' || ch == '\'') {
            quote = ch;
        } else if (ch == '(') {
            depth++;
        } else if (ch == ')' && depth > 0) {
            depth--;
        } else if (ch == mark && depth == 0) {
            return true;
        }
    }
    return false;
}

/* ---- headers ------------------------------------------------------------------------------- */

static uint8_t add_mnemonic(struct cursor *c, struct header *h, uint8_t *length)
{
    uint8_t count = 0;

    if (!is_letter(lex_peek(c))) {
        return ERR_SYNTAX;
    }
    for (; in_mnemonic(lex_peek(c)); c->at++) {
        if (++count > MNEMONIC_MAX) {
            return ERR_MNEMONIC_TOO_LONG;
        }
        if (*length >= HEADER_MAX - 1u) {
            return ERR_HEADER;
        }
        h->text[(*length)++] = lex_peek(c);
    }
    return ERR_NONE;
}

static uint8_t add_nodes(struct cursor *c, struct header *h, uint8_t *length)
{
    uint8_t error;

    for (;;) {
        error = add_mnemonic(c, h, length);
        if (error != ERR_NONE || lex_peek(c) != ':') {
            return error;
        }
        if (*length >= HEADER_MAX - 1u) {
            return ERR_HEADER;
        }
        h->text[(*length)++] = ':';
        h->path = *length;
        c->at++;
    }
}

uint8_t lex_header(struct cursor *c, struct header *h)
{
    uint8_t length;
    uint8_t error;

    h->text[h->path] = '\0';
    if (lex_peek(c) == '*') {
        c->at++;
        h->start = h->path;
        length = h->path;
        if (length >= HEADER_MAX - 1u) {
            return ERR_HEADER;
        }
        h->text[length++] = '*';
        error = add_mnemonic(c, h, &length);
    } else {
        if (lex_peek(c) == ':') {
            c->at++;
            h->path = 0;
        }
        h->start = 0;
        length = h->path;
        error = add_nodes(c, h, &length);
    }
    if (error == ERR_NONE && lex_peek(c) == '?') {
        c->at++;
        h->text[length++] = '?';
    }
    h->text[length] = '\0';
    if (error == ERR_NONE && c->at < c->end && *c->at != ' ' && *c->at != '\t') {
        error = ERR_SEPARATOR;
    }
    return error;
}

/* Length of the text node that is the short (leading capitals) or long form of the pattern's node,
 * 0 when it is neither. The text has to end in something that is no letter. */
static uint8_t match_node(const ROM char *pattern, const char *text)
{
    uint8_t length = 0, shorter = 0, longer, i;

    while (in_mnemonic(text[length]) || text[length] == '*') {
        length++;
    }
    while (pattern[shorter] == '*' || (pattern[shorter] >= 'A' && pattern[shorter] <= 'Z')) {
        shorter++;
    }
    longer = shorter;
    while (is_letter(pattern[longer])) {
        longer++;
    }
    if (length != shorter && length != longer) {
        return 0;
    }
    for (i = 0; i < length; i++) {
        if (upper(pattern[i]) != upper(text[i])) {
            return 0;
        }
    }
    return length;
}

__attribute__((noinline)) bool lex_match(const ROM char *stem, const ROM char *rest, const char *text)
{
    const ROM char *pattern = stem;

    for (;;) {
        bool optional, colon;
        uint8_t length = 0;

        if (*pattern == '\0' && rest != NULL) {
            pattern = rest;
            rest = NULL;
        }
        if (*pattern == '\0' || *pattern == '?') {
            return *pattern == *text && (*text == '\0' || text[1] == '\0');
        }
        optional = *pattern == '[';
        colon = optional || *pattern == ':';
        pattern += optional ? 2 : (colon ? 1 : 0);
        if (!colon || *text == ':') {
            length = match_node(pattern, colon ? text + 1 : text);
        }
        if (length == 0 && !optional) {
            return false;
        }
        if (length > 0) {
            text += length + (colon ? 1 : 0);
        }
        while (is_letter(*pattern) || *pattern == '*' || *pattern == ']') {
            pattern++;
        }
    }
}

/* ---- parameters ---------------------------------------------------------------------------- */

uint8_t lex_string(struct cursor *c, char **text, uint8_t *length)
{
    const char quote = lex_peek(c);
    char *to;

    if (quote != '"' && quote != '\'') {
        return ERR_DATA_TYPE;
    }
    to = ++c->at;
    *text = to;
    while (c->at < c->end) {
        if (*c->at == quote) {
            c->at++;
            if (c->at >= c->end || *c->at != quote) {
                *length = (uint8_t)(to - *text);
                return ERR_NONE;
            }
        }
        *to++ = *c->at++;
    }
    return ERR_STRING;
}

/* The number of a channel, with blanks round it. */
static uint8_t list_number(struct cursor *c, uint8_t *number)
{
    uint32_t value;
    uint8_t error;

    lex_space(c);
    if (!is_digit(lex_peek(c))) {
        return ERR_EXPRESSION;
    }
    error = lex_number(c, &value);
    lex_space(c);
    if (error == ERR_NONE && value > CHIP_SET_LAST) {
        error = ERR_RANGE;
    }
    *number = (uint8_t)value;
    return error;
}

static uint8_t list_entry(struct cursor *c, chip_set *bits)
{
    uint8_t first, last, i;
    uint8_t error = list_number(c, &first);

    last = first;
    if (error == ERR_NONE && lex_peek(c) == ':') {
        c->at++;
        error = list_number(c, &last);
    }
    if (error == ERR_NONE && first > last) {
        error = ERR_RANGE;
    }
    if (error == ERR_NONE) {
        for (i = first; i <= last; i++) {
            *bits |= chip_bit(i);
        }
    }
    return error;
}

uint8_t lex_channels(struct cursor *c, chip_set *bits)
{
    uint8_t error;

    if (lex_peek(c) != '(') {
        return ERR_DATA_TYPE;
    }
    c->at++;
    lex_space(c);
    if (lex_peek(c) != '@') {
        return ERR_EXPRESSION;
    }
    *bits = 0;
    do {
        c->at++;
        error = list_entry(c, bits);
        if (error != ERR_NONE) {
            return error;
        }
    } while (lex_peek(c) == ',');
    if (lex_peek(c) != ')') {
        return ERR_EXPRESSION;
    }
    c->at++;
    return ERR_NONE;
}

uint8_t lex_choice(struct cursor *c, const ROM char *words, uint8_t *place)
{
    if (!is_letter(lex_peek(c))) {
        return ERR_DATA_TYPE;
    }
    for (*place = 0;; (*place)++) {
        const uint8_t length = match_node(words, c->at);

        if (length > 0) {
            c->at += length;
            return ERR_NONE;
        }
        while (*words != '|' && *words != '\0') {
            words++;
        }
        if (*words++ == '\0') {
            return ERR_ILLEGAL;
        }
    }
}
