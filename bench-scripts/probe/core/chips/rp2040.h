/* RP2040: channel n is GPIOn. USB, which carries the link, has pins of its own. */
#define CHIP_NAME "RP2040"
#define CHIP_PINS 30u
#define CHIP_USABLE 0x3FFFFFFFul
#define CHIP_DIGITAL CHIP_USABLE
#define CHIP_MUX(pin) ((pin) >= 26u && (pin) < CHIP_PINS ? (uint8_t)((pin) - 26u) : CHIP_NO_MUX)
#define CHIP_CODE_BITS 12u
#define CHIP_INTERNAL 0 /* its converter reads four pins and the temperature */
#define CHIP_MUX_BANDGAP CHIP_NO_MUX
#define CHIP_MUX_GROUND CHIP_NO_MUX
#define CHIP_EEPROM 0u
#define CHIP_NUMBER 1
