#!/bin/sh
# A live dive in short: rig and daemon as two processes, two pads, one of them pulled and replugged with presses waiting, the daemon
# killed with SIGKILL and started again. Nothing is lost or doubled, every truth lies inside its bound, the journal has no gap, and a
# subscriber that resumes sees each event once.
#   sh live_dive.sh BUILD
set -eu
build=$(cd "$1" && pwd)
data=$(cd "$(dirname "$0")/../data/dives" && pwd)
. "$(dirname "$0")/live_common"

live_begin short 25
live_rig "$data/short.rig"
live_daemon
live_subscribe
live_wait_signal kill
live_kill
live_wait_signal start
live_daemon
live_rig_end
live_settle
live_subscriber_end
live_stop
live_compare

expect "runs of the daemon" "SELECT count(*) FROM run" 2
expect "dives" "SELECT group_concat(id) FROM dive" L001
expect "markers outside the dive" "SELECT count(*) FROM marker WHERE dive <> 'L001'" 0
expect "markers numbered without a gap" "SELECT count(*) = max(number) FROM marker" 1
expect "markers with timecode, also of presses made while the daemon was down" \
    "SELECT count(*) FROM marker WHERE timecode_state <> 'none' OR EXISTS
     (SELECT 1 FROM settled s WHERE s.dive = marker.dive AND s.marker = marker.number AND s.timecode_state <> 'none')" \
    "$(sqlite3 "$dir/dive.db" 'SELECT count(*) FROM marker')"

# The tape makes the same record again. A kill takes the last second of its run off the tape; what is on it gives the same rows.
"$build/bellrope" replay "$dir/dive.tape" -o "$dir/again.db" >"$dir/replay.log" 2>&1 || live_fail "the tape does not replay"
for database in dive again; do
    sqlite3 "$dir/$database.db" "SELECT seq, event FROM journal ORDER BY seq" | LC_ALL=C sort >"$dir/$database.rows"
done
LC_ALL=C comm -13 "$dir/dive.rows" "$dir/again.rows" >"$dir/other.rows"
[ ! -s "$dir/other.rows" ] || live_fail "the replay made rows that the dive has not: $(head -c 500 "$dir/other.rows")"
lost=$(LC_ALL=C comm -23 "$dir/dive.rows" "$dir/again.rows" | wc -l)
[ "$lost" -le 8 ] || live_fail "the replay lacks $lost rows"
