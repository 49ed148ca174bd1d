/* What stands between the Arduino core and the probe's own core. */
#ifndef PROBE_SKETCH_H
#define PROBE_SKETCH_H

#ifdef __cplusplus
extern "C" {
#endif

#include "core/burst.h"
#include "core/chip.h"
#include "core/probe.h"
#include "core/probe_hw.h"

/* Called by setup and loop. */
void sketch_setup(void);
void sketch_loop(void);

/* A chip's hardware file makes its converter and pins ready; the chip has just started. */
void hardware_begin(void);

#ifdef __cplusplus
}
#endif

#endif
