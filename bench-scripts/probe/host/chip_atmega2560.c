#define FACTS chip_atmega2560
#include "../core/chips/atmega2560.h"
#include "facts.h"
