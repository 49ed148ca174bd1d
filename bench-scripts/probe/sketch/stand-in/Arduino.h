/* A stand-in for the Arduino core of a SAMD21 or an RP2040: only what the sketch uses, written for
 * this test from what the core's documentation says these functions do. It proves that the hardware
 * files compile and ask the right things; it proves nothing of the silicon. */
#ifndef STAND_IN_ARDUINO_H
#define STAND_IN_ARDUINO_H

#include <stddef.h>
#include <stdint.h>

#define LOW 0
#define HIGH 1
#define INPUT 0
#define OUTPUT 1
#define INPUT_PULLUP 2

extern "C" {
uint32_t millis(void);
uint32_t micros(void);
void delay(uint32_t ms);
void delayMicroseconds(uint32_t us);
void pinMode(uint32_t number, uint32_t mode);
void digitalWrite(uint32_t number, uint32_t level);
int digitalRead(uint32_t number);
}

class StandInSerial {
public:
    void begin(unsigned long baud);
    int available();
    int read();
    size_t write(const uint8_t *bytes, size_t count);
};
extern StandInSerial Serial;

#ifdef ARDUINO_ARCH_SAMD
#include "samd.h"
#endif

#endif
