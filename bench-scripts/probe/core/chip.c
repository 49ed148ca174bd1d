#include "chip.h"

bool chip_has(chip_set set, uint8_t pin)
{
    return (set >> pin & 1u) != 0;
}
