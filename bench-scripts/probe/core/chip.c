#include "chip.h"

bool chip_has(uint32_t set, uint8_t pin)
{
    return (set >> pin & 1u) != 0;
}
