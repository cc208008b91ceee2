#!/bin/sh
# The clapper, live: `bellrope clap` lights a pad's lamp, the first frame that shows it is given, the offset is told by `status`, outlives a kill
# of the daemon, and applies to what is pressed afterwards.  sh live_clap.sh BUILD
#
# Here what is recorded is what is heard, and the camera sees the lamp in the frame in which it was lit: the offset must hold zero, and the
# rig's own comparison of timecodes must still be right.
set -eu
build=$(cd "$1" && pwd)
data=$(cd "$(dirname "$0")/../data/dives" && pwd)
. "$(dirname "$0")/live_common"

bellrope() {
    "$build/bellrope" "$@" --config "$dir/bellrope.ini"
}

# until_timecode PATTERN: until the status line of timecode is like that
until_timecode() {
    tries=0
    until bellrope status 2>/dev/null | grep timecode | grep -q "$1"; do
        tries=$((tries + 1))
        [ "$tries" -lt 100 ] || live_fail "timecode is not $1: $(bellrope status 2>&1 | grep timecode)"
        sleep 0.1
    done
}

live_begin clap 25
cat >"$dir/clap.rig" <<'EOF'
seed 11
pad science serial P-01 clock 1800ppm
pad nav serial P-02
ship
acoustic
vehicle
ctd
recorder rate 25 start 10:00:00:00
at 12 random 20 pads science,nav keys A1,A2,A3 for 4
at 17 end
EOF
live_rig "$dir/clap.rig"
live_daemon
until_timecode locked
bellrope clap --pad P-01 >"$dir/clap.log" 2>&1 || live_fail "the lamp was not lit: $(cat "$dir/clap.log")"
label=$(sed -n 's/.* \([0-9][0-9]:[0-9][0-9]:[0-9][0-9][:;][0-9][0-9]\).*/\1/p' "$dir/clap.log" | head -n 1)
[ -n "$label" ] || live_fail "the timecode heard is not told: $(cat "$dir/clap.log")"
bellrope clap --frame "$label" >"$dir/frame.log" 2>&1 || live_fail "$label is not taken: $(cat "$dir/frame.log")"
live_kill
live_daemon
until_timecode "locked.*by a clap, within [01]\."
live_rig_end
live_settle
live_stop
live_compare
expect "claps in the journal" "SELECT count(*) FROM notice WHERE about = 'clap' AND state LIKE 'measured%'" 1
expect "frames that stand with the error of the clap" \
    "SELECT count(*) > 0 FROM settled WHERE timecode_state = 'locked' AND timecode_bound_frames > 0.2" 1
expect "offsets that do not hold zero" "SELECT count(*) FROM clock_observation WHERE clock = 'clap' AND (a + lo > 0 OR a + hi < 0)" 0
