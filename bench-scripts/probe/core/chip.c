#include "chip.h"

chip_set chip_bit(uint8_t pin)
{
    return (chip_set)1 << pin;
}

bool chip_has(chip_set set, uint8_t pin)
{
    return (set & chip_bit(pin)) != 0;
}
