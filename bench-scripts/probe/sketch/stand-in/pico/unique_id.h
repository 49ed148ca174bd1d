/* The SDK's number of the flash chip, see Arduino.h. */
#ifndef STAND_IN_UNIQUE_ID_H
#define STAND_IN_UNIQUE_ID_H

#include <stdint.h>

struct pico_unique_board_id_t {
    uint8_t id[8];
};

extern "C" void pico_get_unique_board_id(pico_unique_board_id_t *id);

#endif
