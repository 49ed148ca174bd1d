#define FACTS chip_samd21
#include "../core/chips/samd21.h"
#include "facts.h"
