#!/bin/sh
# The emulator that the keypad's machine code is tried on keeps time itself: see avr_clock.c.
# Usage: avr_clock.sh BUILD
set -eu
build=$(cd "${1:?say the build folder}" && pwd)
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
[ -f "$build/bellrope-pad.elf" ] || { echo "skipped: no keypad image; avr-gcc (packages gcc-avr, avr-libc) was not there at build time"; exit 77; }
[ -x "$build/bellrope-emulator" ] || { echo "skipped: no emulator; simavr (packages libsimavr-dev, libelf-dev) was not there at build time"; exit 77; }
command -v cc >/dev/null || { echo "skipped: cc is not installed"; exit 77; }
dir=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-clock.XXXXXX")
trap 'rm -rf "$dir"' EXIT
rig=$root/firmware-sim/rig
# shellcheck disable=SC2046
cc -O1 -D_GNU_SOURCE -I"$rig" $(pkg-config --cflags simavr) "$here/avr_clock.c" "$rig/emulator_chip.c" "$rig/chance.c" -lsimavr -lelf -lm -o "$dir/avr_clock"
"$dir/avr_clock" "$build/bellrope-pad.elf"
