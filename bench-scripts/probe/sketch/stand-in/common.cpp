/* Clock, line and main: standard input is what the host sends, standard output what it hears. Time
 * passes by one microsecond each time it is asked for, so every run is the same. */
#include <Arduino.h>
#include <cstdio>

static uint32_t clock_us;
static bool ended;

StandInSerial Serial;

uint32_t micros(void)
{
    return clock_us++;
}

uint32_t millis(void)
{
    return micros() / 1000u;
}

void delayMicroseconds(uint32_t us)
{
    clock_us += us;
}

void delay(uint32_t ms)
{
    clock_us += 1000u * ms;
}

void StandInSerial::begin(unsigned long baud)
{
    (void)baud;
}

int StandInSerial::available()
{
    const int byte = std::getchar();

    ended = byte == EOF;
    if (!ended) {
        std::ungetc(byte, stdin);
    }
    return ended ? 0 : 1;
}

int StandInSerial::read()
{
    return std::getchar();
}

size_t StandInSerial::write(const uint8_t *bytes, size_t count)
{
    return std::fwrite(bytes, 1, count, stdout);
}

void setup();
void loop();

int main()
{
    setup();
    while (!ended) {
        loop();
    }
    return 0;
}
