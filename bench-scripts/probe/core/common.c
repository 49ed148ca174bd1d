/* Common commands of IEEE 488.2 chapter 10 and the commands that SCPI-1999 section 4.2.1 requires.
 */
#include <stddef.h>

#include "commands.h"
#include "reply.h"
#include "status.h"

#define TEXT(name, number, text) text "\0"

static const ROM char error_texts[] = ERRORS(TEXT); /* one behind the other */

static const ROM char version[] = "1999.0";

void run_cls(struct probe *p, const struct args *a)
{
    (void)a;
    status_clear(p);
}

void run_ese(struct probe *p, const struct args *a)
{
    p->ese = (uint8_t)a->number[0];
}

void run_ese_query(struct probe *p, const struct args *a)
{
    (void)a;
    reply_number(p, p->ese);
}

void run_esr_query(struct probe *p, const struct args *a)
{
    (void)a;
    reply_number(p, p->esr);
    p->esr = 0;
}

/* Every command is complete when the next one is looked at. */
void run_opc(struct probe *p, const struct args *a)
{
    (void)a;
    p->esr |= ESR_OPERATION_COMPLETE;
}

void run_one(struct probe *p, const struct args *a)
{
    (void)a;
    reply_number(p, 1);
}

void run_sre(struct probe *p, const struct args *a)
{
    p->sre = (uint8_t)(a->number[0] & ~(uint32_t)STB_SUMMARY);
}

void run_sre_query(struct probe *p, const struct args *a)
{
    (void)a;
    reply_number(p, p->sre);
}

void run_stb_query(struct probe *p, const struct args *a)
{
    (void)a;
    reply_number(p, status_byte(p));
}

void run_nothing(struct probe *p, const struct args *a)
{
    (void)p;
    (void)a;
}

void run_zero(struct probe *p, const struct args *a)
{
    (void)a;
    reply_number(p, 0);
}

void run_error_query(struct probe *p, const struct args *a)
{
    const uint8_t error = status_next(p);
    const ROM char *text = error_texts;
    uint8_t i;

    (void)a;
    for (i = 0; i < error; i++) {
        while (*text++ != '\0') {
        }
    }
    reply_error(p, error);
    reply_field(p);
    reply_char(p, '"');
    reply_rom(p, text);
    reply_char(p, '"');
}

void run_version_query(struct probe *p, const struct args *a)
{
    (void)a;
    reply_field(p);
    reply_rom(p, version);
}

void run_operation(struct probe *p, const struct args *a)
{
    p->operation_enable = (uint16_t)a->number[0];
}

void run_operation_query(struct probe *p, const struct args *a)
{
    (void)a;
    reply_number(p, p->operation_enable);
}

void run_questionable(struct probe *p, const struct args *a)
{
    p->questionable_enable = (uint16_t)a->number[0];
}

void run_questionable_query(struct probe *p, const struct args *a)
{
    (void)a;
    reply_number(p, p->questionable_enable);
}

void run_preset(struct probe *p, const struct args *a)
{
    (void)a;
    p->operation_enable = 0;
    p->questionable_enable = 0;
}
