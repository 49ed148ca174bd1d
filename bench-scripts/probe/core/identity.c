/* Identity and boot count in two slots at the end of the EEPROM.
 *
 * Slot, 80 bytes, numbers big-endian: 0 magic, 4 sequence, 5 length of unit, 6 boot count,
 * 10 identity, 14 unit (64 bytes, zeros behind it), 78 CRC-16/IBM-3740 over all before it.
 * The slots are written in turn, so that a power cut in a write leaves the other one whole. */
#include <stddef.h>

#include "chip.h"
#include "commands.h"
#include "probe_hw.h"
#include "reply.h"
#include "status.h"

#define SLOT_SIZE 80u
#define UNIT_MAX 64u
#define AT_SEQUENCE 4u
#define AT_LENGTH 5u
#define AT_BOOTS 6u
#define AT_IDENTITY 10u
#define AT_UNIT 14u
#define AT_CRC 78u
#define NO_SLOT 2u

static const ROM char magic[] = {'S', 'W', 'p', '1'};
#ifdef PROBE_ANY_CHIP
#define lead(p) (hw_chip((p)->hw)->lead)
#else
static const ROM char lead_text[] = "Strapwise,PROBE-" CHIP_NAME ",";
#define lead(p) lead_text
#endif
static const ROM char firmware[] = "," PROBE_VERSION;

static uint16_t slot_at(struct probe *p, uint8_t slot)
{
    (void)p; /* where the chip is known at compile time */
    return (uint16_t)(chip_eeprom(p) - (2u - slot) * SLOT_SIZE);
}

static uint8_t slot_byte(struct probe *p, uint8_t slot, uint8_t at)
{
    return hw_eeprom_read(p->hw, (uint16_t)(slot_at(p, slot) + at));
}

static uint32_t slot_u32(struct probe *p, uint8_t slot, uint8_t at)
{
    uint32_t value = 0;
    uint8_t i;

    for (i = 0; i < 4u; i++) {
        value = value << 8 | slot_byte(p, slot, (uint8_t)(at + i));
    }
    return value;
}

static bool slot_valid(struct probe *p, uint8_t slot)
{
    const uint8_t length = slot_byte(p, slot, AT_LENGTH);
    uint16_t crc = CRC_START;
    uint8_t i;

    for (i = 0; i < SLOT_SIZE; i++) {
        const uint8_t byte = slot_byte(p, slot, i);

        if (i < sizeof magic && byte != (uint8_t)magic[i]) {
            return false;
        }
        if (i >= AT_UNIT && i < AT_UNIT + length && (byte < 0x20u || byte >= 0x7Fu)) {
            return false; /* would break the line that it is sent in */
        }
        crc = crc_add(crc, byte);
    }
    return length <= UNIT_MAX && crc == 0; /* data and its CRC together leave 0 */
}

/* The valid slot that was written last, NO_SLOT when none is. */
static uint8_t newest_slot(struct probe *p)
{
    const bool kept = chip_eeprom(p) != 0;
    const bool first = kept && slot_valid(p, 0), second = kept && slot_valid(p, 1);

    if (first && second) {
        const uint8_t ahead =
            (uint8_t)(slot_byte(p, 1, AT_SEQUENCE) - slot_byte(p, 0, AT_SEQUENCE));

        return ahead != 0 && ahead < 128u ? 1 : 0;
    }
    return first ? 0 : (second ? 1 : NO_SLOT);
}

/* ---- writing ------------------------------------------------------------------------------- */

struct writer {
    struct probe *p;
    uint16_t at;
    uint16_t crc;
};

/* Leaves a byte alone that is right already: a cell bears 100,000 writes, each takes 3.4 ms. */
static void put(struct writer *w, uint8_t byte)
{
    w->crc = crc_add(w->crc, byte);
    if (hw_eeprom_read(w->p->hw, w->at) != byte) {
        hw_eeprom_write(w->p->hw, w->at, byte);
    }
    w->at++;
}

static void put_u32(struct writer *w, uint32_t value)
{
    put(w, (uint8_t)(value >> 24));
    put(w, (uint8_t)(value >> 16));
    put(w, (uint8_t)(value >> 8));
    put(w, (uint8_t)value);
}

struct contents {
    uint8_t sequence;
    uint32_t identity;
    const char *unit; /* NULL: copy it from slot `from` */
    uint8_t length;
    uint8_t from;
};

static void write_slot(struct probe *p, uint8_t slot, const struct contents *c)
{
    struct writer w;
    uint16_t crc;
    uint8_t i;

    w.p = p;
    w.at = slot_at(p, slot);
    w.crc = CRC_START;
    for (i = 0; i < sizeof magic; i++) {
        put(&w, (uint8_t)magic[i]);
    }
    put(&w, c->sequence);
    put(&w, c->length);
    put_u32(&w, p->boots);
    put_u32(&w, c->identity);
    for (i = 0; i < UNIT_MAX; i++) {
        if (i >= c->length) {
            put(&w, 0);
        } else if (c->unit != NULL) {
            put(&w, (uint8_t)c->unit[i]);
        } else {
            put(&w, slot_byte(p, c->from, (uint8_t)(AT_UNIT + i)));
        }
    }
    crc = w.crc;
    put(&w, (uint8_t)(crc >> 8));
    put(&w, (uint8_t)crc);
}

/* Counts this boot, but only on a board that the probe has an identity on: what a stranger keeps
 * in these bytes is not touched. */
void identity_init(struct probe *p)
{
    const uint8_t newest = newest_slot(p);
    struct contents c;

    p->cause = hw_reset_cause(p->hw);
    p->boots = 0;
    if (newest == NO_SLOT) {
        return;
    }
    p->boots = slot_u32(p, newest, AT_BOOTS) + 1u;
    c.sequence = (uint8_t)(slot_byte(p, newest, AT_SEQUENCE) + 1u);
    c.identity = slot_u32(p, newest, AT_IDENTITY);
    c.unit = NULL;
    c.length = slot_byte(p, newest, AT_LENGTH);
    c.from = newest;
    write_slot(p, (uint8_t)(1u - newest), &c);
}

/* ---- commands ------------------------------------------------------------------------------ */

/* The one that was written, else the chip's own number, else 0. */
static void reply_identity(struct probe *p, uint8_t newest)
{
    const uint32_t identity =
        newest != NO_SLOT ? slot_u32(p, newest, AT_IDENTITY) : chip_number(p);

    if (identity == 0) {
        reply_char(p, '0');
    } else {
        reply_hex32(p, identity);
    }
}

/* Nothing can be kept on a chip without EEPROM. */
static bool has_slots(struct probe *p)
{
    if (chip_eeprom(p) == 0) {
        status_error(p, ERR_HARDWARE_MISSING);
    }
    return chip_eeprom(p) != 0;
}

void run_idn_query(struct probe *p, const struct args *a)
{
    const uint8_t newest = newest_slot(p);

    (void)a;
    reply_field(p);
    reply_rom(p, lead(p));
    reply_identity(p, newest);
    reply_rom(p, firmware);
}

static const ROM char cause_power[] = "POWER";
static const ROM char cause_brownout[] = "BROWNOUT";
static const ROM char cause_external[] = "EXTERNAL";
static const ROM char cause_watchdog[] = "WATCHDOG";
static const ROM char cause_unknown[] = "UNKNOWN";

/* A power-on may set any other flag, too; a brown-out is never hidden by a lesser cause. */
static const ROM char *cause_name(uint8_t cause)
{
    if ((cause & HW_RESET_POWER) != 0) {
        return cause_power;
    }
    if ((cause & HW_RESET_BROWNOUT) != 0) {
        return cause_brownout;
    }
    if ((cause & HW_RESET_WATCHDOG) != 0) {
        return cause_watchdog;
    }
    return (cause & HW_RESET_EXTERNAL) != 0 ? cause_external : cause_unknown;
}

void run_boot_query(struct probe *p, const struct args *a)
{
    (void)a;
    reply_number(p, p->boots);
    reply_field(p);
    reply_rom(p, cause_name(p->cause));
    reply_number(p, hw_now_ms(p->hw));
}

void run_fuses_query(struct probe *p, const struct args *a)
{
    uint8_t bytes[4], i;

    (void)a;
    if (!hw_fuses(p->hw, bytes)) {
        status_error(p, ERR_HARDWARE_MISSING);
        return;
    }
    for (i = 0; i < sizeof bytes; i++) {
        reply_hex_field(p);
        reply_hex(p, bytes[i]);
    }
}

void run_identity_query(struct probe *p, const struct args *a)
{
    const uint8_t newest = newest_slot(p);
    uint8_t length = 0, i;

    (void)a;
    reply_hex_field(p);
    reply_identity(p, newest);
    if (newest != NO_SLOT) {
        length = slot_byte(p, newest, AT_LENGTH);
    }
    reply_field(p);
    reply_char(p, '"');
    for (i = 0; i < length; i++) {
        const char c = (char)slot_byte(p, newest, (uint8_t)(AT_UNIT + i));

        reply_char(p, c);
        if (c == '"') {
            reply_char(p, c);
        }
    }
    reply_char(p, '"');
}

void run_identity(struct probe *p, const struct args *a)
{
    const uint8_t newest = newest_slot(p);
    const uint8_t first = newest == NO_SLOT ? 0 : (uint8_t)(1u - newest);
    struct contents c;

    if (!has_slots(p)) {
        return;
    }
    if (a->text_length > UNIT_MAX) {
        status_error(p, ERR_STRING);
        return;
    }
    c.sequence = newest == NO_SLOT ? 0 : (uint8_t)(slot_byte(p, newest, AT_SEQUENCE) + 1u);
    c.identity = a->number[0];
    c.unit = a->text;
    c.length = a->text_length;
    c.from = NO_SLOT;
    write_slot(p, first, &c); /* the older one first: a power cut here leaves the newer */
    c.sequence++;
    write_slot(p, (uint8_t)(1u - first), &c);
    if (!slot_valid(p, 0) || !slot_valid(p, 1)) {
        status_error(p, ERR_HARDWARE);
    }
}

void run_slot_query(struct probe *p, const struct args *a)
{
    uint8_t i;

    if (!has_slots(p)) {
        return;
    }
    reply_field(p);
    reply_char(p, '"');
    for (i = 0; i < SLOT_SIZE; i++) {
        reply_hex(p, slot_byte(p, (uint8_t)(a->number[0] - 1u), i));
    }
    reply_char(p, '"');
}

/* Value of two hexadecimal digits, or over 0xFF when they are none. */
static uint16_t hex_pair(const char *text)
{
    uint16_t value = 0;
    uint8_t i;

    for (i = 0; i < 2u; i++) {
        const char c = text[i];

        if (c >= '0' && c <= '9') {
            value = (uint16_t)(value << 4 | (uint16_t)(c - '0'));
        } else if ((c >= 'A' && c <= 'F') || (c >= 'a' && c <= 'f')) {
            value = (uint16_t)(value << 4 | (uint16_t)((c & 7) + 9));
        } else {
            return 0x100u;
        }
    }
    return value;
}

void run_slot(struct probe *p, const struct args *a)
{
    bool good = a->text_length == 2u * SLOT_SIZE;
    struct writer w;
    uint8_t i;

    if (!has_slots(p)) {
        return;
    }
    for (i = 0; good && i < SLOT_SIZE; i++) {
        good = hex_pair(a->text + 2u * i) <= 0xFFu;
    }
    if (!good) {
        status_error(p, ERR_STRING);
        return;
    }
    w.p = p;
    w.at = slot_at(p, (uint8_t)(a->number[0] - 1u));
    w.crc = CRC_START;
    for (i = 0; i < SLOT_SIZE; i++) {
        put(&w, (uint8_t)hex_pair(a->text + 2u * i));
    }
    for (i = 0; i < SLOT_SIZE; i++) {
        if (slot_byte(p, (uint8_t)(a->number[0] - 1u), i) != hex_pair(a->text + 2u * i)) {
            status_error(p, ERR_HARDWARE);
            return;
        }
    }
}
