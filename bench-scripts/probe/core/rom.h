/* Where constant data lives: in flash on a Harvard machine, anywhere on others. */
#ifndef PROBE_ROM_H
#define PROBE_ROM_H

#ifdef __AVR__
#define ROM __flash /* ISO/IEC TR 18037 named address space; RAM is too small for tables */
#else
#define ROM
#endif

#endif
