#define FACTS chip_rp2040
#include "../core/chips/rp2040.h"
#include "facts.h"
