/* The line and the clock, by the core's API: the same on every chip. */
#include <Arduino.h>

#include "sketch.h"

#ifndef PROBE_BAUD
#define PROBE_BAUD 250000UL /* means nothing where the link is USB itself */
#endif

static struct probe the_probe;

/* On USB every write is a packet: bytes go in as large ones as there are. */
static uint8_t outbox[64];
static uint8_t waiting;

static void flush_outbox()
{
    Serial.write(outbox, waiting);
    waiting = 0;
}

void hw_send(void *hw, uint8_t byte)
{
    (void)hw;
    outbox[waiting++] = byte;
    if (waiting == sizeof outbox || byte == '\n') {
        flush_outbox();
    }
}

uint32_t hw_now_ms(void *hw)
{
    (void)hw;
    return millis();
}

/* Says nothing by itself: a boot loader, or a board that was taken for another, is not disturbed. */
void sketch_setup(void)
{
    hardware_begin();
    Serial.begin(PROBE_BAUD);
    probe_init(&the_probe, 0);
}

void sketch_loop(void)
{
    while (Serial.available() > 0) {
        probe_receive(&the_probe, (uint8_t)Serial.read());
    }
    probe_poll(&the_probe);
}
