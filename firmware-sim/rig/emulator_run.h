/*
 * emulator_run: the emulated pad in real time behind a pseudo-terminal, so that the real daemon talks to the real machine code.
 *
 * Commands come on stdin, one a line; what happens is told on stdout, one JSON object a line:
 *
 *   press KEY [HOLD_MS]   {"contact": KEY, "boottime_ns": ..., "utc_ns": ..., "boot": power-ups so far}
 *   cut                   power fails; the pseudo-terminal hangs up
 *   power                 power comes back
 *   quit
 *   (lamp)                {"lamp": "dark"|"green"|"amber"|"red"|"white"|..., "utc_ns": ...}
 */
#ifndef BELLROPE_RIG_EMULATOR_RUN_H
#define BELLROPE_RIG_EMULATOR_RUN_H

#include <stdint.h>

/* `link`: path of a symbolic link to the pseudo-terminal, made and removed. `eeprom`: file of the memory, made when missing, or
 * NULL. Returns the exit status of the program. */
int emulator_run(const char *image, uint64_t seed, const char *link, const char *eeprom);

#endif
