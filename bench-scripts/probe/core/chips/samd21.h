/* SAMD21: channels 0..31 are PA00 to PA31, 32..63 PB00 to PB31, as far as the 64-pin package has
 * them. PA24 and PA25 are USB, which carries the link, PA30 and PA31 the debugger's; the package
 * has no PA26, PA29, PB18 to PB21 and PB24 to PB29. */
#define CHIP_NAME "SAMD21"
#define CHIP_PINS 64u
#define CHIP_USABLE 0xC0C3FFFF18FFFFFFull
#define CHIP_DIGITAL CHIP_USABLE
/* AIN numbers (multiplexing table of DS40001882, from memory): PA02 is AIN0, PA03 AIN1, PB08 AIN2,
 * PB09 AIN3, PA04 to PA07 AIN4 to 7, PB00 to PB07 AIN8 to 15, PA08 to PA11 AIN16 to 19. */
#define CHIP_MUX(pin) \
    ((pin) >= 2u && (pin) < 4u     ? (uint8_t)((pin) - 2u) \
     : (pin) >= 4u && (pin) < 8u   ? (uint8_t)(pin) \
     : (pin) >= 8u && (pin) < 12u  ? (uint8_t)((pin) + 8u) \
     : (pin) >= 32u && (pin) < 40u ? (uint8_t)((pin) - 24u) \
     : (pin) >= 40u && (pin) < 42u ? (uint8_t)((pin) - 38u) \
                                   : CHIP_NO_MUX)
#define CHIP_CODE_BITS 12u
#define CHIP_INTERNAL 0 /* the core's API reaches none of its internal inputs */
#define CHIP_MUX_BANDGAP CHIP_NO_MUX
#define CHIP_MUX_GROUND CHIP_NO_MUX
#define CHIP_BY_BOARD /* a variant of the core has only the pins that its board brings out */
#define CHIP_EEPROM 0u
#define CHIP_NUMBER 1
