/* Whether a part on an I2C bus answers to its address: an answer proves that it has its supply.
 *
 * Bit by bit on two pins that are pulled low or let go, never driven high, as UM10204 section 3.1
 * has it (from memory): start, address with the bit for writing, the part's answer, stop. Nothing is
 * written to it. */
#include "commands.h"
#include "probe_hw.h"
#include "reply.h"

/* us, and more for the steps round it: 13 to 23 kHz in the emulator, standard mode has 100.
 * A bus of 100 pF under a pull-up of 50 kOhm is up in 10 us. */
#define HALF_BIT 5u
#define STRETCH 250u /* looks at the clock for which a part may hold it: 5 ms */

#define SILENT 0u
#define ANSWERS 1u
#define HELD_LOW 2u

/* The pins are those of the two channel parameters, and let go with the pull-up where that is
 * asked for. */
#define SDA(a) ((a)->before)
#define SCL(a) ((a)->channel)

static void set(struct probe *p, uint8_t pin, uint8_t mode)
{
    hw_pin_mode(p->hw, pin, mode);
    hw_wait_us(p->hw, HALF_BIT);
}

/* Lets the clock go and waits for a part that holds it; the level of the data then, low when the
 * clock stays low. */
static bool clock_up(struct probe *p, const struct args *a)
{
    uint8_t tries = STRETCH;

    do {
        set(p, SCL(a), a->choice);
    } while (!hw_pin_read(p->hw, SCL(a)) && --tries > 0);
    return hw_pin_read(p->hw, SDA(a)) && tries > 0;
}

/* Eight bits and one for the answer, which is the level that is returned. */
static bool send_byte(struct probe *p, const struct args *a, uint8_t byte)
{
    bool level = false;
    uint8_t i;

    for (i = 0; i < 9u; i++, byte = (uint8_t)(byte << 1 | 1u)) {
        set(p, SDA(a), (byte & 0x80u) != 0 ? a->choice : HW_LOW);
        level = clock_up(p, a);
        set(p, SCL(a), HW_LOW);
    }
    return level;
}

void run_acknowledge_query(struct probe *p, const struct args *a)
{
    uint8_t result = HELD_LOW;

    if (!measure_may_pull_low(p, SDA(a)) || !measure_may_pull_low(p, SCL(a))) {
        return;
    }
    /* Nine clocks free the data of a part that was cut off in the middle of a byte. */
    (void)send_byte(p, a, 0xFFu);
    if (clock_up(p, a)) {
        set(p, SDA(a), HW_LOW);
        set(p, SCL(a), HW_LOW);
        result = send_byte(p, a, (uint8_t)(a->number[0] << 1)) ? SILENT : ANSWERS;
        set(p, SDA(a), HW_LOW);
        (void)clock_up(p, a);
    }
    set(p, SDA(a), HW_INPUT);
    set(p, SCL(a), HW_INPUT);
    reply_number(p, result);
}
