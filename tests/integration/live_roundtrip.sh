#!/bin/sh
# From the contact to the stored instant, by USB latency class: 500 presses on three pads, a table.  sh live_roundtrip.sh BUILD
# Takes 40 s: skipped unless BELLROPE_LONG is set.
set -eu
[ -n "${BELLROPE_LONG:-}" ] || { echo "skipped: 40 s, for the long run (BELLROPE_LONG=1)"; exit 77; }
build=$(cd "$1" && pwd)
data=$(cd "$(dirname "$0")/../data/dives" && pwd)
. "$(dirname "$0")/live_common"

live_begin roundtrip 50
# three pads instead of two
sed -e '/^\[pad science\]/,/^\[feed bridge\]/{/^\[feed bridge\]/!d}' "$dir/bellrope.ini" >"$dir/three.ini"
for name in direct quick slow; do
    printf '\n[pad %s]\nport = %s/rig/pad-%s\nplan = %s/science.plan\nseat = %s\n' "$name" "$dir" "$name" "$data" "$name"
done >>"$dir/three.ini"
mv "$dir/three.ini" "$dir/bellrope.ini"
live_rig "$data/roundtrip.rig"
live_daemon
live_rig_end
live_settle
live_stop
live_compare --by-pad
