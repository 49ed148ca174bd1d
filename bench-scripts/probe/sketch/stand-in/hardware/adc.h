/* The SDK's converter functions, see Arduino.h beside it. */
#ifndef STAND_IN_ADC_H
#define STAND_IN_ADC_H

#include <stdint.h>

extern "C" {
void adc_init(void);
void adc_gpio_init(unsigned gpio);
void adc_select_input(unsigned input);
uint16_t adc_read(void);
}

#endif
