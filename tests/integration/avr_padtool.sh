#!/bin/sh
# The bench tool against the keypad's machine code behind a pseudo-terminal: it says who it is, takes a serial once, keeps it through
# loss of power, and shows a press.
# Usage: avr_padtool.sh BUILD
set -eu
build=$(cd "${1:?say the build folder}" && pwd)
[ -f "$build/bellrope-pad.elf" ] || { echo "skipped: no keypad image; avr-gcc (packages gcc-avr, avr-libc) was not there at build time"; exit 77; }
[ -x "$build/bellrope-emulator" ] || { echo "skipped: no emulator; simavr (packages libsimavr-dev, libelf-dev) was not there at build time"; exit 77; }
dir=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-padtool.XXXXXX")
emulator=
tool=
clean() {
    status=$?
    trap - EXIT
    for pid in $tool $emulator; do kill "$pid" 2>/dev/null || true; done
    [ "$status" -eq 0 ] || cat "$dir"/*.txt >&2 || true
    rm -rf "$dir"
    exit "$status"
}
trap clean EXIT
fail() {
    echo "FAILED: $*" >&2
    exit 1
}
# until COMMAND: waits for it to succeed
until_true() {
    tries=0
    until eval "$1" 2>/dev/null; do
        tries=$((tries + 1))
        [ "$tries" -lt 300 ] || fail "never came true: $1"
        sleep 0.1
    done
}

mkfifo "$dir/commands"
"$build/bellrope-emulator" run "$build/bellrope-pad.elf" --link "$dir/pad" --eeprom "$dir/eeprom" <"$dir/commands" >"$dir/emulator.txt" 2>&1 &
emulator=$!
exec 3>"$dir/commands"
until_true '[ -e "$dir/pad" ]'

# On a busy machine the emulated pad runs slower than the tool has patience for: then it is asked again.
padtool() {
    asked=0
    until "$build/bellrope-padtool" "$dir/pad" "$@" >"$dir/tool.txt" 2>&1; do
        asked=$((asked + 1))
        grep -q 'no keypad answers' "$dir/tool.txt" && [ "$asked" -lt 12 ] || return 1
    done
}
padtool hello || fail "no hello"
grep -q 'serial         (not set)' "$dir/tool.txt" || fail "a new pad has no serial"
grep -q '4 rows of 4' "$dir/tool.txt" || fail "it does not say its matrix"
padtool serial P-03 || fail "the serial was not taken"
if padtool serial P-04; then fail "a second serial was taken"; fi
grep -q 'P-03 already' "$dir/tool.txt" || fail "it does not say why not"
if padtool serial 'P 05'; then fail "a serial with a blank was taken"; fi

echo cut >&3
until_true '[ ! -e "$dir/pad" ]'
if padtool hello; then fail "a pad without power answers"; fi
echo power >&3
until_true '[ -e "$dir/pad" ]'
padtool hello || fail "no hello after the power-up"
grep -q 'serial         P-03' "$dir/tool.txt" || fail "the serial did not survive"

"$build/bellrope-padtool" "$dir/pad" try >"$dir/try.txt" 2>&1 &
tool=$!
until_true 'grep -q "press every key" "$dir/try.txt"'
echo 'press C3' >&3
until_true 'grep -q "^C3 *down" "$dir/try.txt"'
until_true 'grep -q green "$dir/emulator.txt"'
echo quit >&3
exec 3>&-
wait "$emulator"
emulator=
echo "hello, serial set once, kept through loss of power, a press shown"
