/* ATmega328P: channels 0..7 are port D, 8..13 port B, 14..19 port C, 20 and 21 the converter-only
 * pins ADC6 and ADC7. PD0 and PD1 carry the link. */
#define CHIP_NAME "ATMEGA328P"
#define CHIP_PINS 22u
#define CHIP_USABLE 0x3FFFFCul
#define CHIP_DIGITAL 0x0FFFFFul
#define CHIP_MUX(pin) ((pin) >= 14u && (pin) < CHIP_PINS ? (uint8_t)((pin) - 14u) : CHIP_NO_MUX)
#define CHIP_CODE_BITS 10u
#define CHIP_INTERNAL 1
#define CHIP_MUX_BANDGAP 14u /* ADMUX of the data sheet */
#define CHIP_MUX_GROUND 15u
#define CHIP_EEPROM 1024u
#define CHIP_NUMBER 0
