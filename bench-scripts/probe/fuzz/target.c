/* One run of the fuzzer: a probe from its reset on, and whatever the input does to it.
 *
 * Most bytes go to the line as they are. Some, which a line never holds, are events: 1 n lets n * 20
 * ms pass, 2 n resets the probe with the cause n, 3 damages the line, 4 makes the EEPROM forget a
 * byte, 5 n puts another chip in its place. After all of it the next line has to be answered, and what was sent has to be bounded. */
#include <stdlib.h>
#include <string.h>

#include "../core/probe.h"
#include "../host/stand_in.h"

/* The longest answers for their requests: raw samples, in frames of 76 bytes on a chip with codes of
 * twelve bits, with their sums, to the 24 bytes of `RAW? 300,0,0,0,16,(@14);`, and a slot, 164 bytes to the 8 of `SLOT? 1;`. */
#define SENT_FOR_A_BYTE (((BURST_MAX / RAW_CODES + 1u) * 76u + 80u) / 24u + 164u / 8u + 1u)

static struct stand_in pins;
static char tail[8];

static void out(uint8_t byte)
{
    memmove(tail, tail + 1, sizeof tail - 1u);
    tail[sizeof tail - 1u] = (char)byte;
}

static void boot(struct probe_host *host)
{
    const struct probe_host_table table = stand_in_table(&pins);

    probe_host_init(host, &table, &pins);
}

static void line(struct probe_host *host, const char *text)
{
    while (*text != '\0') {
        probe_host_receive(host, (uint8_t)*text++);
    }
}

/* Handles an event; how many bytes of the input it took, 0 when the byte is none. */
static size_t event(struct probe_host *host, const uint8_t *data, size_t left)
{
    const uint8_t value = left > 1u ? data[1] : 0;

    switch (data[0]) {
    case 1:
        pins.clock_us += value * 20000u;
        probe_host_poll(host);
        return 2;
    case 2:
        pins.cause = value & 15u;
        boot(host);
        return 2;
    case 3:
        probe_host_fault(host);
        return 1;
    case 4:
        if (pins.chip->eeprom != 0) {
            pins.eeprom[pins.chip->eeprom - 1u - value % 160u] ^= 0x10u;
        }
        return 2;
    case 5:
        pins.chip = probe_host_chip(value & 3u);
        memset(pins.modes, HW_INPUT, sizeof pins.modes);
        boot(host);
        return 2;
    default:
        return 0;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct probe_host *const host = malloc(probe_host_size());
    size_t at = 0;

    if (host == NULL) {
        return 0;
    }
    stand_in_init(&pins, out);
    boot(host);
    while (at < size) {
        const size_t taken = event(host, data + at, size - at);

        if (taken == 0) {
            probe_host_receive(host, data[at]);
        }
        at += taken == 0 ? 1 : taken;
    }
    if (pins.sent > (size + 1u) * SENT_FOR_A_BYTE) {
        abort();
    }
    line(host, "\n*RST;*CLS\n*OPC?;:SYST:ERR? \"f\"\n");
    /* The CRC of the document over this request and `1;0,"No error",0,"f",`. */
    if (memcmp(tail, ",#H07C7\n", sizeof tail) != 0) {
        abort();
    }
    free(host);
    return 0;
}
