/* The commands: one table, and the functions behind it. */
#ifndef PROBE_COMMANDS_H
#define PROBE_COMMANDS_H

#include <stdbool.h>
#include <stdint.h>

#include "lex.h"
#include "probe.h"
#include "rom.h"

/* Limits of the numbers. */
#define SETTLE_MAX 1000000u /* us: five time constants of 50 kOhm and 4 uF */
#define DISCARD_MAX 100u
#define LEVELS_MAX 1000u
#define PAIRS_MIN 4u
#define PAIRS_MAX 2000u
#define HOLD_MIN 100u /* ms */
#define HOLD_MAX 60000u
#define BUS_FIRST 8u /* the 7-bit addresses before and behind are reserved, UM10204 table 4 */
#define BUS_LAST 119u

/* Parameters of a command as read by its row's letters. */
struct args {
    uint32_t number[4]; /* the numbers in their order */
    uint8_t choice;     /* `b` 1 ON, `l` 1 HIGH, `p` enum pull */
    uint8_t reference;  /* `r` */
    uint8_t references; /* `R`, bit = number of the reference */
    chip_set channels;  /* `c`, bit = channel number; only channels that exist are let through */
    uint8_t channel;    /* the lowest of them */
    uint8_t before;     /* that of the channel parameter before the last */
    char *text;         /* `s` */
    uint8_t text_length;
};

/* What a pin has been through before it is read. */
enum pull { PULL_OFF = 0, PULL_UP = 1, PULL_DISCHARGED = 2 };

struct command {
    /* b ON|OFF, p ON|OFF|DISCharge, l LOW|HIGH, c channels, 1 one channel, s string, r a
     * reference, R references up to the end; numbers: N conversions, S settling time, D discarded
     * conversions, P prescaler, L reads or few conversions, C pairs, H silence, M slot, I identity,
     * B byte, E enable register, A address on a bus */
    const ROM char *params;
    void (*run)(struct probe *p, const struct args *a);
};

/* Finds the command of a header; false when there is none. */
bool command_find(const char *header, struct command *command);
/* Whether the command's own last parameter is a string, so that only one more is a tag. */
bool command_ends_in_string(const struct command *command, uint8_t *count);
/* Reads the parameters and runs the command; queues what goes wrong. */
void command_run(struct probe *p, const struct command *command, struct cursor *c);

/* common.c */
void run_cls(struct probe *p, const struct args *a);
void run_ese(struct probe *p, const struct args *a);
void run_ese_query(struct probe *p, const struct args *a);
void run_esr_query(struct probe *p, const struct args *a);
void run_opc(struct probe *p, const struct args *a);
void run_one(struct probe *p, const struct args *a);
void run_sre(struct probe *p, const struct args *a);
void run_sre_query(struct probe *p, const struct args *a);
void run_stb_query(struct probe *p, const struct args *a);
void run_nothing(struct probe *p, const struct args *a);
void run_zero(struct probe *p, const struct args *a);
void run_error_query(struct probe *p, const struct args *a);
void run_version_query(struct probe *p, const struct args *a);
void run_operation(struct probe *p, const struct args *a);
void run_operation_query(struct probe *p, const struct args *a);
void run_questionable(struct probe *p, const struct args *a);
void run_questionable_query(struct probe *p, const struct args *a);
void run_preset(struct probe *p, const struct args *a);

/* identity.c */
void identity_init(struct probe *p);
void run_idn_query(struct probe *p, const struct args *a);
void run_boot_query(struct probe *p, const struct args *a);
void run_fuses_query(struct probe *p, const struct args *a);
void run_identity(struct probe *p, const struct args *a);
void run_identity_query(struct probe *p, const struct args *a);
void run_slot(struct probe *p, const struct args *a);
void run_slot_query(struct probe *p, const struct args *a);

/* measure.c */
void measure_init(struct probe *p);
void run_reference(struct probe *p, const struct args *a);
void run_reference_query(struct probe *p, const struct args *a);
void run_burst_query(struct probe *p, const struct args *a);
void run_raw_query(struct probe *p, const struct args *a);
void run_product_query(struct probe *p, const struct args *a);
void run_level_query(struct probe *p, const struct args *a);
void run_charge_query(struct probe *p, const struct args *a);
void run_supply_query(struct probe *p, const struct args *a);
void run_supply_step_query(struct probe *p, const struct args *a);
void run_step_query(struct probe *p, const struct args *a);
void run_test_query(struct probe *p, const struct args *a);

/* Lets a pin go that the host has named for a discharge: it may be pulled low. An error else. */
bool measure_may_pull_low(struct probe *p, uint8_t pin);

/* bus.c */
void run_acknowledge_query(struct probe *p, const struct args *a);

/* outputs.c */
void outputs_init(struct probe *p);
void outputs_heard(struct probe *p);
/* Switches outputs off when the line has been silent too long; true when it did. */
bool outputs_silence(struct probe *p);
void run_abort(struct probe *p, const struct args *a);
void run_rst(struct probe *p, const struct args *a);
void run_allow(struct probe *p, const struct args *a);
void run_discharge(struct probe *p, const struct args *a);
void run_output(struct probe *p, const struct args *a);
/* Puts these on or off, which must all be allowed; an error else. */
bool outputs_switch(struct probe *p, chip_set pins, bool on);
/* Drives every pin that is allowed as it is on or off. */
void outputs_drive(struct probe *p);
void run_output_query(struct probe *p, const struct args *a);
void run_hold(struct probe *p, const struct args *a);
void run_hold_query(struct probe *p, const struct args *a);

#endif
