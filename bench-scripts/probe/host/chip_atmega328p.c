#define FACTS chip_atmega328p
#include "../core/chips/atmega328p.h"
#include "facts.h"
