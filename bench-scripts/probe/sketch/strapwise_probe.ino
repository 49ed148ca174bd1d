// The probe as a sketch over the Arduino core of the chip. Put the folder together with
// `bench-scripts/probe/build --sketch --out DIR`, open DIR/strapwise_probe in the IDE, choose the
// board, upload.
#include "src/sketch.h"

void setup()
{
    sketch_setup();
}

void loop()
{
    sketch_loop();
}
