/* ATmega2560: channels 0..7 are port A, 8..15 port B, 16..23 C, 24..31 D, 32..39 E, 40..47 F,
 * 48..53 G, 56..63 K. PE0 and PE1 carry the link. Ports H, J and L are left out: a set of channels
 * has 64 places. */
#define CHIP_NAME "ATMEGA2560"
#define CHIP_PINS 64u
#define CHIP_USABLE 0xFF3FFFFCFFFFFFFFull
#define CHIP_DIGITAL 0xFF3FFFFFFFFFFFFFull
/* MUX5 to MUX0 of the data sheet (2549 section 26.8.2, from memory): ADC0 is 0, ADC8 is 32. */
#define CHIP_MUX(pin) \
    ((pin) >= 40u && (pin) < 48u   ? (uint8_t)((pin) - 40u) \
     : (pin) >= 56u && (pin) < 64u ? (uint8_t)((pin) - 24u) \
                                   : CHIP_NO_MUX)
#define CHIP_CODE_BITS 10u
#define CHIP_INTERNAL 1
#define CHIP_MUX_BANDGAP 30u
#define CHIP_MUX_GROUND 31u
#define CHIP_EEPROM 4096u
#define CHIP_NUMBER 0
