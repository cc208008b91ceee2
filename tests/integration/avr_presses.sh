#!/bin/sh
# Presses with bouncing contacts through the keypad's machine code on an emulated ATmega328P: none missed, none doubled, none made by
# chatter, every stamp's bounds hold the first contact. 1,000 presses; 10,000 with BELLROPE_LONG=1.
# Usage: avr_presses.sh BUILD
set -eu
build=$(cd "${1:?say the build folder}" && pwd)
[ -f "$build/bellrope-pad.elf" ] || { echo "skipped: no keypad image; avr-gcc (packages gcc-avr, avr-libc) was not there at build time"; exit 77; }
[ -x "$build/bellrope-emulator" ] || { echo "skipped: no emulator; simavr (packages libsimavr-dev, libelf-dev) was not there at build time"; exit 77; }
count=1000
[ -z "${BELLROPE_LONG:-}" ] || count=10000
exec "$build/bellrope-emulator" presses "$build/bellrope-pad.elf" --count "$count" --seed "${BELLROPE_SEED:-41}"
