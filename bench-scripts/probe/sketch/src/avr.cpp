/* ATmega328P and ATmega2560: converter, pins, EEPROM and fuses are the registers of avr/, as in the
 * image; the core has left some of them in a state of its own. */
#ifdef __AVR__

#include <Arduino.h>

#include "sketch.h"

void hardware_begin(void)
{
    ADCSRA = 0; /* off, so that its first conversion is known for one */
    DIDR0 = 0;  /* converter pins can be read as digital ones, too */
#ifdef DIDR2
    DIDR2 = 0;
#endif
    MCUCR &= (uint8_t)~_BV(PUD); /* pull-ups can be switched on */
    TCCR1A = 0;                  /* timer 1 counts processor cycles, for a burst's pace */
    TCCR1B = _BV(CS10);
}

#endif
