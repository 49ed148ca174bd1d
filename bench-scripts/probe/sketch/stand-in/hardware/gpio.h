/* The SDK's pin functions, see Arduino.h. */
#ifndef STAND_IN_GPIO_H
#define STAND_IN_GPIO_H

enum gpio_function { GPIO_FUNC_SIO = 5, GPIO_FUNC_NULL = 0x1f };

extern "C" {
void gpio_put(unsigned gpio, bool level);
bool gpio_get(unsigned gpio);
void gpio_set_dir(unsigned gpio, bool out);
void gpio_set_pulls(unsigned gpio, bool up, bool down);
void gpio_set_function(unsigned gpio, gpio_function function);
}

#endif
