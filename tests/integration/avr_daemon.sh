#!/bin/sh
# The real daemon and the keypad's real machine code, joined by a pseudo-terminal: presses, holds and a press with the daemon away, loss of
# power with presses waiting. Every press becomes one marker, its instant within the bound the daemon gives it, and the lamp says so.
# 6 presses and one cut; with BELLROPE_LONG=1 60 presses and 10 cuts.
# Usage: avr_daemon.sh BUILD
set -eu
build=$(cd "${1:?say the build folder}" && pwd)
plans=$(cd "$(dirname "$0")/../../docs/plans" && pwd)
[ -f "$build/bellrope-pad.elf" ] || { echo "skipped: no keypad image; avr-gcc (packages gcc-avr, avr-libc) was not there at build time"; exit 77; }
for program in bellrope-emulator bellroped; do
    [ -x "$build/$program" ] || { echo "skipped: $build/$program was not built"; exit 77; }
done
command -v sqlite3 >/dev/null || { echo "skipped: sqlite3 is not installed"; exit 77; }
command -v jq >/dev/null || { echo "skipped: jq is not installed"; exit 77; }
dir=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-avr.XXXXXX")
emulator=
daemon=
clean() {
    status=$?
    trap - EXIT
    [ -z "$daemon" ] || kill -9 "$daemon" 2>/dev/null || true
    [ -z "$emulator" ] || kill "$emulator" 2>/dev/null || true
    [ "$status" -eq 0 ] || tail -n 40 "$dir"/*.log >&2 || true
    rm -rf "$dir"
    exit "$status"
}
trap clean EXIT
fail() {
    echo "FAILED: $*" >&2
    exit 1
}
until_true() {
    tries=0
    until eval "$1" 2>/dev/null; do
        tries=$((tries + 1))
        [ "$tries" -lt 600 ] || fail "never came true: $1"
        sleep 0.1
    done
}
markers() {
    sqlite3 -readonly "$dir/dive.db" "SELECT count(*) FROM marker WHERE pad IS NOT NULL"
}

cat >"$dir/bellrope.ini" <<INI
[dive]
id = A001
[store]
file = dive.db
[pad science]
port = $dir/pad
plan = $plans/science.plan
seat = science
[socket]
unix = socket
INI
start_daemon() {
    "$build/bellroped" --config "$dir/bellrope.ini" >>"$dir/daemon.log" 2>&1 &
    daemon=$!
}
stop_daemon() {
    kill "$daemon"
    wait "$daemon" || fail "the daemon ended badly"
    daemon=
}

mkfifo "$dir/commands"
"$build/bellrope-emulator" run "$build/bellrope-pad.elf" --link "$dir/pad" --eeprom "$dir/eeprom" <"$dir/commands" >"$dir/emulator.log" 2>&1 &
emulator=$!
exec 3>"$dir/commands"
until_true '[ -e "$dir/pad" ]'
start_daemon
until_true 'grep -q "pad science" "$dir/daemon.log"'

presses=6
cuts=1
[ -z "${BELLROPE_LONG:-}" ] || { presses=60; cuts=10; }
made=0
# press KEY: a contact, and its marker
press() {
    echo "press $1" >&3
    made=$((made + 1))
}
n=0
while [ "$n" -lt "$presses" ]; do
    n=$((n + 1))
    press A$((n % 3 + 1))
    until_true '[ "$(markers)" -ge "$made" ]'
done
until_true 'grep -q green "$dir/emulator.log"'
sleep 1 # the finger is off the last key: it is the first of the next part

# Power fails with a press waiting; the daemon is away when it is made, and there when power comes back.
n=0
while [ "$n" -lt "$cuts" ]; do
    n=$((n + 1))
    stop_daemon
    contacts=$(grep -c '"contact"' "$dir/emulator.log")
    lamps=$(grep -c '"amber"' "$dir/emulator.log")
    press A1
    until_true '[ "$(grep -c "\"contact\"" "$dir/emulator.log")" -gt "$contacts" ]'
    until_true '[ "$(grep -c "\"amber\"" "$dir/emulator.log")" -gt "$lamps" ]'
    # its record is written within 0.35 s; the second blink of amber, a second after the press, is long past that
    until_true '[ "$(grep -c "\"amber\"" "$dir/emulator.log")" -gt "$((lamps + 2))" ]'
    echo cut >&3
    until_true '[ ! -e "$dir/pad" ]'
    echo power >&3
    until_true '[ -e "$dir/pad" ]'
    start_daemon
    until_true '[ "$(markers)" -ge "$made" ]'
done
sleep 0.5
stop_daemon
echo quit >&3
exec 3>&-
wait "$emulator" || fail "the emulator ended badly"
emulator=

# Each contact has one marker, none has two, and key by key in order they are the same.
grep '"contact"' "$dir/emulator.log" | jq -r '[.contact, (.boottime_ns | tostring)] | @tsv' >"$dir/truth"
sqlite3 -readonly -separator '	' "$dir/dive.db" "SELECT key, mono_ns, mono_bound_ns FROM marker WHERE pad IS NOT NULL ORDER BY seq" >"$dir/stored"
[ "$(wc -l <"$dir/truth")" -eq "$made" ] || fail "the emulator made $(wc -l <"$dir/truth") contacts of $made"
[ "$(wc -l <"$dir/stored")" -eq "$made" ] || fail "$(wc -l <"$dir/stored") markers of $made presses"
cut -f1 "$dir/truth" >"$dir/a"
cut -f1 "$dir/stored" >"$dir/b"
cmp -s "$dir/a" "$dir/b" || fail "other keys, or another order"
[ "$(sqlite3 -readonly "$dir/dive.db" "SELECT count(*) FROM (SELECT DISTINCT pad, pad_boot, press_seq FROM marker)")" -eq "$made" ] || fail "a press is stored twice"
# The true instant of the first contact lies within the bound that the marker carries; a marker may carry none (its power-up was over
# before a daemon heard of it).
paste "$dir/truth" "$dir/stored" >"$dir/both"
while IFS='	' read -r key true_ns _ mono_ns bound_ns; do
    [ -n "$bound_ns" ] || continue
    error_ns=$((mono_ns - true_ns))
    [ "$error_ns" -ge 0 ] || error_ns=$((-error_ns))
    echo "$key off by $((error_ns / 1000)) us, bound $((bound_ns / 1000)) us"
    [ "$error_ns" -le "$((bound_ns + 1000))" ] || fail "the stamp of $key is off by $error_ns ns, its bound is $bound_ns ns"
done <"$dir/both" >"$dir/errors"
cat "$dir/errors"
[ "$(wc -l <"$dir/errors")" -ge "$presses" ] || fail "of $made markers only $(wc -l <"$dir/errors") carry a bound"
echo "$made presses, $cuts cuts: $made markers, none lost, none doubled"
