#!/bin/sh
# Power fails at random instants in the keypad's machine code on an emulated ATmega328P: every press shown green is stored exactly once,
# every press on record in the EEPROM is delivered after the next power-up, once. 100 cuts; 1,000 with BELLROPE_LONG=1. And a firmware
# that has lost its way is restarted by the watchdog, with the same care for its presses.
# Usage: avr_cuts.sh BUILD
set -eu
build=$(cd "${1:?say the build folder}" && pwd)
[ -f "$build/bellrope-pad.elf" ] || { echo "skipped: no keypad image; avr-gcc (packages gcc-avr, avr-libc) was not there at build time"; exit 77; }
[ -x "$build/bellrope-emulator" ] || { echo "skipped: no emulator; simavr (packages libsimavr-dev, libelf-dev) was not there at build time"; exit 77; }
count=100
[ -z "${BELLROPE_LONG:-}" ] || count=1000
"$build/bellrope-emulator" hang "$build/bellrope-pad.elf"
exec "$build/bellrope-emulator" cuts "$build/bellrope-pad.elf" --count "$count" --seed "${BELLROPE_SEED:-42}"
