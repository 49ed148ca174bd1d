#include "commands.h"

#include <string.h>

#include "chip.h"
#include "status.h"

/* What many headers begin with, called by its place in the list; at 0 stands nothing. */
static const ROM char stems[] = "\0" "SYSTem\0" "MEASure\0" "OUTPut\0" "STATus:OPERation\0"
                                "STATus:QUEStionable";
#define SYSTEM "\1"
#define MEASURE "\2"
#define OUTPUT "\3"
#define OPERATION "\4"
#define QUESTIONABLE "\5"

/* Header, parameters by their letters (commands.h), function. The last nine are the registers that
 * SCPI-1999 section 4.2.1 requires; the probe has no events for them. */
#define COMMANDS(X) \
    X("*CLS", "", run_cls) \
    X("*ESE", "B", run_ese) \
    X("*ESE?", "", run_ese_query) \
    X("*ESR?", "", run_esr_query) \
    X("*IDN?", "", run_idn_query) \
    X("*OPC", "", run_opc) \
    X("*OPC?", "", run_one) \
    X("*RST", "", run_rst) \
    X("*SRE", "B", run_sre) \
    X("*SRE?", "", run_sre_query) \
    X("*STB?", "", run_stb_query) \
    X("*TST?", "", run_test_query) \
    X("*WAI", "", run_nothing) \
    X(SYSTEM ":ERRor[:NEXT]?", "", run_error_query) \
    X(SYSTEM ":VERSion?", "", run_version_query) \
    X(SYSTEM ":BOOT?", "", run_boot_query) \
    X(SYSTEM ":FUSes?", "", run_fuses_query) \
    X(SYSTEM ":IDENtity", "Is", run_identity) \
    X(SYSTEM ":IDENtity?", "", run_identity_query) \
    X(SYSTEM ":REFerence", "R", run_reference) \
    X(SYSTEM ":REFerence?", "", run_reference_query) \
    X("MEMory:SLOT", "Ms", run_slot) \
    X("MEMory:SLOT?", "M", run_slot_query) \
    X(MEASURE ":BURSt?", "NbSDP1", run_burst_query) \
    X(MEASURE ":RAW?", "NbSDP1", run_raw_query) \
    X(MEASURE ":PRODuct?", "NDPr11", run_product_query) \
    X(MEASURE ":LEVel?", "LpS1", run_level_query) \
    X(MEASURE ":CHARge?", "C1", run_charge_query) \
    X(MEASURE ":SUPPly?", "N", run_supply_query) \
    X(MEASURE ":SUPPly:STEP?", "LLc", run_supply_step_query) \
    X(MEASURE ":STEP?", "LL1c", run_step_query) \
    X(MEASURE ":ACKNowledge?", "Ab11", run_acknowledge_query) \
    X(OUTPUT ":ALLow", "lc", run_allow) \
    X(OUTPUT ":DISCharge", "c", run_discharge) \
    X(OUTPUT "[:STATe]", "bc", run_output) \
    X(OUTPUT "[:STATe]?", "c", run_output_query) \
    X(OUTPUT ":HOLD", "H", run_hold) \
    X(OUTPUT ":HOLD?", "", run_hold_query) \
    X("ABORt", "", run_abort) \
    X(OPERATION "[:EVENt]?", "", run_zero) \
    X(OPERATION ":CONDition?", "", run_zero) \
    X(OPERATION ":ENABle", "E", run_operation) \
    X(OPERATION ":ENABle?", "", run_operation_query) \
    X(QUESTIONABLE "[:EVENt]?", "", run_zero) \
    X(QUESTIONABLE ":CONDition?", "", run_zero) \
    X(QUESTIONABLE ":ENABle", "E", run_questionable) \
    X(QUESTIONABLE ":ENABle?", "", run_questionable_query) \
    X("STATus:PRESet", "", run_preset)

#define TEXT(header, params, run) header "\0" params "\0"
#define RUN(header, params, run) run,

/* The texts stand one behind the other, which takes half the room of a table. */
static const ROM char texts[] = COMMANDS(TEXT);
static void (*const ROM runs[])(struct probe *p, const struct args *a) = {COMMANDS(RUN)};

static const ROM char switch_words[] = "OFF|ON";
static const ROM char pull_words[] = "OFF|ON|DISCharge"; /* in the order of enum pull */
static const ROM char level_words[] = "LOW|HIGH";
/* In the order of the hardware's numbers; a blank word is none. */
static const ROM char reference_words[] = "EXTernal|SUPPly||INTernal";

static const ROM char *behind(const ROM char *text)
{
    while (*text++ != '\0') {
    }
    return text;
}

static bool is_header(const ROM char *text, const char *header)
{
    const ROM char *stem = stems;

    if (*text < ' ') {
        char place;

        for (place = *text++; place > 0; place--) {
            stem = behind(stem);
        }
    }
    return lex_match(stem, text, header);
}

bool command_find(const char *header, struct command *command)
{
    const ROM char *text = texts;
    uint8_t i;

    for (i = 0; i < sizeof runs / sizeof runs[0]; i++) {
        command->params = behind(text);
        command->run = runs[i];
        if (is_header(text, header)) {
            return true;
        }
        text = behind(command->params);
    }
    return false;
}

bool command_ends_in_string(const struct command *command, uint8_t *count)
{
    *count = 0;
    while (command->params[*count] != '\0') {
        (*count)++;
    }
    return *count > 0 && command->params[*count - 1u] == 's';
}

static uint8_t read_channels(struct probe *p, struct cursor *c, struct args *a, bool single)
{
    const uint8_t error = lex_channels(c, &a->channels);

    (void)p; /* where the chip is known at compile time */

    if (error != ERR_NONE) {
        return error;
    }
    if ((a->channels & ~chip_usable(p)) != 0) {
        return ERR_RANGE;
    }
    if (single && (a->channels & (a->channels - 1u)) != 0) {
        return ERR_ILLEGAL;
    }
    a->before = a->channel;
    a->channel = 0;
    while (!chip_has(a->channels, a->channel)) {
        a->channel++;
    }
    return ERR_NONE;
}

/* A word of the list, or a number: 0 is the first of the words, any other the second. */
static uint8_t read_switch(struct cursor *c, const ROM char *words, uint8_t *place)
{
    uint32_t number = 0;
    uint8_t error = lex_choice(c, words, place);

    if (error == ERR_DATA_TYPE) {
        error = lex_number(c, &number);
        *place = number != 0;
    }
    return error;
}

static uint8_t read_references(struct cursor *c, struct args *a)
{
    for (;;) {
        const uint8_t error = lex_choice(c, reference_words, &a->reference);

        if (error != ERR_NONE) {
            return error;
        }
        a->references |= (uint8_t)(1u << a->reference);
        lex_space(c);
        if (lex_peek(c) != ',') {
            return ERR_NONE;
        }
        c->at++;
        lex_space(c);
    }
}

/* Limits of the numbers, by their letters. */
struct limit {
    char kind;
    uint8_t low;
    uint32_t high;
};

static const ROM struct limit limits[] = {
    {'N', 1, BURST_MAX}, {'S', 0, SETTLE_MAX}, {'D', 0, DISCARD_MAX}, {'L', 1, LEVELS_MAX},
    {'C', PAIRS_MIN, PAIRS_MAX}, {'H', HOLD_MIN, HOLD_MAX}, {'M', 1, 2}, {'I', 1, UINT32_MAX},
    {'B', 0, 255}, {'E', 0, 32767}, {'P', 0, UINT32_MAX}, {'A', BUS_FIRST, BUS_LAST},
};

static uint8_t read_number(struct cursor *c, char kind, uint32_t *value)
{
    const ROM struct limit *limit = limits;
    const uint8_t error = lex_number(c, value);

    if (error != ERR_NONE) {
        return error;
    }
    while (limit->kind != kind) {
        limit++;
    }
    if (*value < limit->low || *value > limit->high) {
        return ERR_RANGE;
    }
    if (kind == 'P' && *value != 16 && *value != 32 && *value != 64 && *value != 128) {
        return ERR_ILLEGAL;
    }
    return ERR_NONE;
}

static uint8_t read_param(struct probe *p, struct cursor *c, char kind, struct args *a,
                          uint8_t *numbers)
{
    switch (kind) {
    case 'b': return read_switch(c, switch_words, &a->choice);
    case 'p': return read_switch(c, pull_words, &a->choice);
    case 'l': return lex_choice(c, level_words, &a->choice);
    case 'r': return lex_choice(c, reference_words, &a->reference);
    case 'R': return read_references(c, a);
    case 's': return lex_string(c, &a->text, &a->text_length);
    case 'c': return read_channels(p, c, a, false);
    case '1': return read_channels(p, c, a, true);
    default: return read_number(c, kind, &a->number[(*numbers)++]);
    }
}

static uint8_t read_params(struct probe *p, struct cursor *c, const ROM char *kinds,
                           struct args *a)
{
    uint8_t numbers = 0;
    bool first = true;

    lex_space(c);
    for (; *kinds != '\0'; kinds++, first = false) {
        uint8_t error;

        if (c->at >= c->end) {
            return ERR_MISSING;
        }
        if (!first) {
            if (lex_peek(c) != ',') {
                return ERR_SEPARATOR;
            }
            c->at++;
            lex_space(c);
            if (c->at >= c->end) {
                return ERR_MISSING;
            }
        }
        error = read_param(p, c, *kinds, a, &numbers);
        if (error != ERR_NONE) {
            return error;
        }
        lex_space(c);
    }
    if (c->at >= c->end) {
        return ERR_NONE;
    }
    return first || lex_peek(c) == ',' ? ERR_NOT_ALLOWED : ERR_SEPARATOR;
}

void command_run(struct probe *p, const struct command *command, struct cursor *c)
{
    struct args a;
    uint8_t error;

    memset(&a, 0, sizeof a);
    error = read_params(p, c, command->params, &a);
    if (error != ERR_NONE) {
        status_error(p, error);
        return;
    }
    command->run(p, &a);
}
