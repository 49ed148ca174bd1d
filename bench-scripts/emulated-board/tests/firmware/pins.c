/* A few bare accesses to the chip, one a command byte, to test the emulator with. Not the probe.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <stdlib.h>

static volatile uint8_t got[8], written;
static uint8_t taken, cause;
static volatile uint16_t codes[6];
static volatile uint8_t done;

ISR(USART_RX_vect) { got[written++ & 7] = UDR0; }

/* Free running: the next conversion has started already, so a new channel counts for the one after. */
ISR(ADC_vect) {
    if (done < 6) codes[done++] = ADC;
    if (done == 6) ADCSRA &= ~(1 << ADATE);
    ADMUX = (1 << REFS0) | ((done + 1) % 6);
}

static uint8_t byte(void) {
    for (;;) {
        cli();
        if (taken != written) break;
        sleep_enable();
        sei();
        sleep_cpu();
        sleep_disable();
    }
    sei();
    return got[taken++ & 7];
}

static void put(char c) {
    while (!(UCSR0A & (1 << UDRE0))) {}
    UDR0 = c;
}

static void number(uint16_t n, char end) {
    char text[6];
    utoa(n, text, 10);
    for (char *c = text; *c; c++) put(*c);
    put(end);
}

static uint16_t convert(uint8_t mux) {
    ADMUX = (1 << REFS0) | mux;
    ADCSRA = (1 << ADEN) | (1 << ADSC) | 7;
    while (ADCSRA & (1 << ADSC)) {}
    return ADC;
}

static void free_running(void) {
    done = 0;
    ADCSRA = 0;
    ADCSRB = 0;
    ADMUX = 1 << REFS0;
    ADCSRA = (1 << ADEN) | (1 << ADSC) | (1 << ADATE) | (1 << ADIE) | (1 << ADIF) | 7;
    ADMUX = (1 << REFS0) | 1; /* while the first one runs: counts for the second */
    while (done < 6) {}
    while (ADCSRA & (1 << ADSC)) {}
    ADCSRA = 1 << ADEN;
    for (uint8_t i = 0; i < 6; i++) number(codes[i], i == 5 ? '\n' : ',');
}

static uint16_t changed_while_running(uint8_t from, uint8_t to) {
    ADMUX = (1 << REFS0) | from;
    ADCSRA = (1 << ADEN) | (1 << ADSC) | 7;
    ADMUX = (1 << REFS0) | to;
    while (ADCSRA & (1 << ADSC)) {}
    ADMUX = (1 << REFS0) | from;
    uint8_t low = ADCL;
    return low | ADCH << 8;
}

static void port_d(uint8_t bit, uint8_t mode) { /* 0 input, 1 pull-up, 2 low, 3 high */
    if (mode & 1) PORTD |= 1 << bit; else PORTD &= ~(1 << bit);
    if (mode & 2) DDRD |= 1 << bit; else DDRD &= ~(1 << bit);
}

int main(void) {
    cause = MCUSR;
    MCUSR = 0;
    UBRR0 = 3; /* 250,000 baud */
    UCSR0B = (1 << RXEN0) | (1 << TXEN0) | (1 << RXCIE0);
    sei();
    for (;;) {
        uint8_t command = byte(), a, b;
        switch (command) {
        case 'a': number(convert(byte() - '0'), '\n'); break;
        case 'u': a = byte() - '0'; PORTC |= 1 << a; number(convert(a), '\n'); PORTC = 0; break;
        case 'l': ADMUX = (1 << REFS0) | (1 << ADLAR) | (byte() - '0');
                  ADCSRA = (1 << ADEN) | (1 << ADSC) | 7;
                  while (ADCSRA & (1 << ADSC)) {}
                  number(ADCH, '\n');
                  break;
        case 'f': free_running(); break;
        case 'c': a = byte() - '0'; b = byte() - '0'; number(changed_while_running(a, b), '\n'); break;
        case 'd': a = byte() - '0'; b = byte() - '0'; port_d(a, b); put('\n'); break;
        case 'i': a = byte() - '0'; number(PIND >> a & 1, '\n'); break;
        case 'I': DIDR0 = 0x3f; a = byte() - '0'; number(PINC >> a & 1, '\n'); DIDR0 = 0; break;
        case 'n': MCUCR |= 1 << PUD; put('\n'); break;
        case 'e': eeprom_write_byte(0, byte()); put('\n'); break;
        case 'E': number(eeprom_read_byte(0), '\n'); break;
        case 'r': number(cause, '\n'); break;
        case 'x': cli(); sleep_enable(); sleep_cpu(); break;
        case '=': for (;;) put(byte());
        }
    }
}
