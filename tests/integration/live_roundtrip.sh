#!/bin/sh
# From the contact to the stored instant, by USB latency class: presses on three pads, a table; then the instants once more from the clock
# observations that are in the record, by other arithmetic.  sh live_roundtrip.sh BUILD [PRESSES]
# 90 presses in 20 s; 500 in a minute with BELLROPE_LONG=1 or where so many are asked for.
set -eu
build=$(cd "$1" && pwd)
data=$(cd "$(dirname "$0")/../data/dives" && pwd)
here=$(cd "$(dirname "$0")" && pwd)
presses=${2:-90}
[ -z "${BELLROPE_LONG:-}" ] || presses=500
. "$(dirname "$0")/live_common"

live_begin roundtrip 50
# three pads instead of two
sed -e '/^\[pad science\]/,/^\[feed bridge\]/{/^\[feed bridge\]/!d}' "$dir/bellrope.ini" >"$dir/three.ini"
for name in direct quick slow; do
    printf '\n[pad %s]\nport = %s/rig/pad-%s\nplan = %s/science.plan\nseat = %s\n' "$name" "$dir" "$name" "$data" "$name"
done >>"$dir/three.ini"
mv "$dir/three.ini" "$dir/bellrope.ini"
# ten presses a second: closer together they would fall into step, since two on one pad keep 180 ms apart
seconds=$((presses / 10))
sed -e "s/random 500/random $presses/" -e "s/ for 32\$/ for $seconds/" -e "s/^at 36 end/at $((seconds + 4)) end/" \
    "$data/roundtrip.rig" >"$dir/roundtrip.rig"
live_rig "$dir/roundtrip.rig"
live_daemon
live_rig_end
live_settle
live_stop
live_compare --by-pad
expect "presses made" "SELECT count(*) FROM marker" "$presses"
/usr/bin/python3 "$here/roundtrip_again.py" "$dir/dive.db" "$dir/truth.jsonl" || live_fail "the stored observations do not give the instants again"
