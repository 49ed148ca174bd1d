/* SAMD21: a board that brings out eight pins. Its table: PA10, PA08, PB10 and PA24, the USB pin, as
 * digital ones, from A0 on PA02, PB08, PA04 and PA05. PA02 is driven to 1000, PB08 is open and
 * follows its pull-up, PA04 is driven to 4095. Every fourth code is one more. */
#include <Arduino.h>
#include <cstdlib>
#include <cstring>
#include <sys/mman.h>

const PinDescription g_APinDescription[] = {
    {PORTA, 10, (EAnalogChannel)18}, {PORTA, 8, (EAnalogChannel)16}, {PORTB, 10, No_ADC_Channel},
    {PORTA, 24, No_ADC_Channel},     {PORTA, 2, ADC_Channel0},       {PORTB, 8, (EAnalogChannel)2},
    {PORTA, 4, (EAnalogChannel)4},   {PORTA, 5, (EAnalogChannel)5},
};

static Adc adc;
static Pm pm;
Adc *const ADC = &adc;
Pm *const PM = &pm;

static uint32_t modes[PINS_COUNT], levels[PINS_COUNT];
static int resolution = 10;
static unsigned turn;

/* The serial number at its place, and a reset by the reset pin. */
struct Chip {
    Chip()
    {
        void *const page = mmap((void *)0x0080A000, 4096, PROT_READ | PROT_WRITE,
                                MAP_PRIVATE | MAP_ANONYMOUS | MAP_FIXED_NOREPLACE, -1, 0);

        if (page == MAP_FAILED) {
            std::abort();
        }
        std::memcpy((char *)page + 0x00C, "\x01\x02\x03\x04", 4);
        std::memcpy((char *)page + 0x040, "\x05\x06\x07\x08\x09\x0A\x0B\x0C\x0D\x0E\x0F\x10", 12);
        pm.RCAUSE.reg = 16;
    }
};
static Chip chip;

static void known(uint32_t number)
{
    if (number >= PINS_COUNT || number == 3u) {
        std::abort(); /* not on the board, or the line's own */
    }
}

void pinMode(uint32_t number, uint32_t mode)
{
    known(number);
    modes[number] = mode;
}

void digitalWrite(uint32_t number, uint32_t level)
{
    known(number);
    levels[number] = level;
}

int digitalRead(uint32_t number)
{
    known(number);
    return modes[number] == OUTPUT ? (int)levels[number] : modes[number] == INPUT_PULLUP;
}

void analogReadResolution(int bits)
{
    resolution = bits;
}

void analogReference(eAnalogReference mode)
{
    (void)mode;
}

int analogRead(uint32_t number)
{
    number = number < A0 ? number + A0 : number;
    known(number);
    if (resolution != 12 || g_APinDescription[number].ulADCChannelNumber == No_ADC_Channel) {
        std::abort();
    }
    if (modes[number] == OUTPUT) {
        return levels[number] == HIGH ? 4095 : 0;
    }
    switch ((int)g_APinDescription[number].ulADCChannelNumber) {
    case 0: return 1000 + (turn++ % 4u == 3u ? 1 : 0);
    case 2: return modes[number] == INPUT_PULLUP ? 4000 : 0;
    default: return 4095;
    }
}
