/* What the SAMD core adds: its variant's table of pins, and the chip's registers by name. */
#ifndef STAND_IN_SAMD_H
#define STAND_IN_SAMD_H

#include <stdint.h>

enum EPortType { NOT_A_PORT = -1, PORTA = 0, PORTB = 1 };
enum EAnalogChannel { No_ADC_Channel = -1, ADC_Channel0 = 0 };
enum eAnalogReference { AR_DEFAULT };

struct PinDescription {
    EPortType ulPort;
    uint32_t ulPin;
    EAnalogChannel ulADCChannelNumber;
};
extern const PinDescription g_APinDescription[];
#define PINS_COUNT 8u
#define A0 4u

extern "C" {
void analogReadResolution(int bits);
void analogReference(eAnalogReference mode);
int analogRead(uint32_t number);
}

#define ADC_CTRLB_PRESCALER_DIV64_Val 4u
struct Adc {
    struct { struct { unsigned PRESCALER : 3; } bit; } CTRLB;
    struct { uint8_t reg; } SAMPCTRL;
    struct { struct { unsigned SYNCBUSY : 1; } bit; } STATUS;
};
struct Pm {
    struct { uint8_t reg; } RCAUSE;
};
extern Adc *const ADC;
extern Pm *const PM;

#endif
