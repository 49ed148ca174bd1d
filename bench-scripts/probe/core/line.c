/* The line: bytes are kept to the LF, then its messages run in turn and the reply is ended. */
#include <stddef.h>

#include "commands.h"
#include "probe.h"
#include "probe_hw.h"
#include "reply.h"
#include "status.h"

#define TAG_MAX 20u /* as TAG_MAX of the host, src/probe/message/wire.rs */

struct tag {
    const char *text; /* NULL: the line has none */
    uint8_t length;
};

void probe_init(struct probe *p, void *hw)
{
    p->hw = hw;
    p->length = 0;
    p->discarding = false;
    p->crc = CRC_START;
    p->request_crc = CRC_START;
    p->replied = false;
    p->in_unit = false;
    status_init(p);
    outputs_init(p);
    measure_init(p);
    identity_init(p);
}

/* Where the unit's last parameter starts, and how many there are. */
static char *last_param(struct cursor unit, uint8_t *count)
{
    char *start;

    lex_space(&unit);
    start = unit.at;
    *count = unit.at < unit.end ? 1 : 0;
    while (lex_find(&unit, ',')) {
        (*count)++;
        start = ++unit.at;
    }
    return start;
}

static bool tag_readable(const struct tag *tag)
{
    uint8_t i;

    for (i = 0; i < tag->length; i++) {
        if (tag->text[i] == '"' || tag->text[i] == '\'') {
            return false;
        }
    }
    return tag->length > 0 && tag->length <= TAG_MAX;
}

/* Cuts the tag off the last unit's parameters. A string in the place of the command's own string
 * parameter is not a tag. An error leaves the line without a tag and so without a checked reply. */
static uint8_t take_tag(struct cursor *unit, const struct command *command, struct tag *tag)
{
    uint8_t count, own = 0;
    char *text;
    struct cursor c;
    uint8_t error;

    c.at = last_param(*unit, &count);
    c.end = unit->end;
    lex_space(&c);
    if (lex_peek(&c) != '"' && lex_peek(&c) != '\'') {
        return ERR_NONE;
    }
    if (command != NULL && command_ends_in_string(command, &own) && count <= own) {
        return ERR_NONE;
    }
    unit->end = c.at;
    error = lex_string(&c, &text, &tag->length);
    lex_space(&c);
    if (error == ERR_NONE && c.at < c.end) {
        error = ERR_SEPARATOR;
    }
    tag->text = text;
    if (error == ERR_NONE && !tag_readable(tag)) {
        error = ERR_STRING;
    }
    if (error != ERR_NONE) {
        tag->text = NULL;
    }
    if (count > 1u) { /* the comma before the tag goes with it */
        do {
            unit->end--;
        } while (*unit->end != ',');
    }
    return error;
}

static void run_unit(struct probe *p, struct cursor *unit, struct header *h, bool last,
                     struct tag *tag)
{
    struct command found;
    const struct command *command = NULL;
    uint8_t error = lex_header(unit, h);

    if (error == ERR_NONE) {
        command = command_find(h->text + h->start, &found) ? &found : NULL;
        error = command == NULL ? ERR_HEADER : ERR_NONE;
    } else {
        while (unit->at < unit->end && *unit->at != ' ' && *unit->at != '\t') {
            unit->at++;
        }
    }
    if (last) {
        const uint8_t tag_error = take_tag(unit, command, tag);

        error = error == ERR_NONE ? tag_error : error;
    }
    if (p->line_error != ERR_NONE) {
        return; /* after an error the rest of a line is only looked through for its tag */
    }
    if (error != ERR_NONE) {
        status_error(p, error);
        return;
    }
    p->in_unit = false;
    command_run(p, command, unit);
}

static void run_units(struct probe *p, struct cursor *line, struct tag *tag)
{
    struct header header;
    bool more = true;

    header.path = 0;
    while (more) {
        struct cursor unit;

        lex_space(line);
        unit.at = line->at;
        more = lex_find(line, ';');
        unit.end = line->at;
        line->at += more ? 1 : 0;
        if (outputs_silence(p) && p->line_error == ERR_NONE) {
            status_error(p, ERR_TIME_OUT);
        }
        if (unit.at < unit.end) {
            run_unit(p, &unit, &header, !more, tag);
        }
    }
}

/* IEEE 488.2 strings and headers are 7-bit; control bytes other than the tab are damage here. */
static bool line_is_ascii(const struct cursor *line)
{
    const char *at;

    for (at = line->at; at < line->end; at++) {
        const uint8_t byte = (uint8_t)*at;

        if ((byte < 0x20u && byte != '\t') || byte >= 0x7Fu) {
            return false;
        }
    }
    return true;
}

static void run_line(struct probe *p)
{
    struct cursor line;
    struct tag tag = {NULL, 0};
    const char *at;

    line.at = p->line;
    line.end = p->line + p->length;
    if (line.end > line.at && line.end[-1] == '\r') {
        line.end--;
    }
    p->line[p->length] = '\0';
    p->crc = CRC_START;
    for (at = line.at; at < line.end; at++) {
        p->crc = crc_add(p->crc, (uint8_t)*at);
    }
    p->request_crc = p->crc;
    p->replied = false;
    p->in_unit = false;
    p->line_error = ERR_NONE;
    if (line_is_ascii(&line)) {
        run_units(p, &line, &tag);
        reply_end(p, tag.text, tag.length);
    } else {
        status_error(p, ERR_INVALID_CHARACTER);
    }
}

void probe_receive(struct probe *p, uint8_t byte)
{
    outputs_heard(p);
    if (byte == '\n') {
        if (!p->discarding) {
            run_line(p);
            outputs_heard(p); /* silence counts from the answer on */
        }
        p->length = 0;
        p->discarding = false;
    } else if (!p->discarding) {
        if (p->length < PROBE_LINE_MAX) {
            p->line[p->length++] = (char)byte;
        } else {
            probe_line_fault(p, ERR_OVERRUN);
        }
    }
}

void probe_line_fault(struct probe *p, uint8_t error)
{
    if (!p->discarding) {
        p->discarding = true;
        status_error(p, error);
    }
}

void probe_poll(struct probe *p)
{
    if (outputs_silence(p)) {
        status_error(p, ERR_TIME_OUT);
    }
}
