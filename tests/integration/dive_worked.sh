#!/bin/sh
# The worked dive: 155 presses, invented, and the sightings that must come of them (tests/data/dives/worked.*). It is played as a tape, twice,
# and both tapes are the same bytes; replayed, every press is one marker inside its bound and the sightings are those expected.
# With BELLROPE_LONG=1 it is also run live (75 s), with the same result.
#   sh dive_worked.sh BUILD
set -eu
build=$(cd "$1" && pwd)
data=$(cd "$(dirname "$0")/../data/dives" && pwd)
. "$(dirname "$0")/live_common"

sightings() {
    sqlite3 -readonly -csv "$1" "SELECT number, label, state, individuals, closed_by, tie, tied_to, again_of FROM sighting
        ORDER BY number" | tr -d '"\r' >"$2"
    sed 1d "$data/worked.sightings.csv" | diff - "$2" || live_fail "$2: other sightings came of it than expected (<) "
}

live_begin worked 29.97df
for run in 1 2; do
    "$build/bellrope-rig" --script "$data/worked.rig" --config "$dir/bellrope.ini" --udp "127.0.0.1:$port" \
        --tape "$dir/$run.tape" --truth "$dir/$run.jsonl" >"$dir/tape.log" 2>&1 || live_fail "the rig made no tape"
    "$build/bellrope" replay "$dir/$run.tape" -o "$dir/$run.db" >"$dir/replay.log" 2>&1 || live_fail "the tape does not replay"
done
cmp "$dir/1.tape" "$dir/2.tape" || live_fail "two runs of one script gave two tapes"
"$build/bellrope-rig" --compare "$dir/1.db" "$dir/1.jsonl" || live_fail "the record is not the truth"
sightings "$dir/1.db" "$dir/taped.csv"
for run in 1 2; do
    sqlite3 "$dir/$run.db" "SELECT seq, event FROM journal ORDER BY seq" >"$dir/$run.journal"
done
cmp "$dir/1.journal" "$dir/2.journal" || live_fail "one tape gave two journals"

[ -n "${BELLROPE_LONG:-}" ] || exit 0
live_rig "$data/worked.rig"
live_daemon
live_rig_end
live_settle
"$build/bellrope" dive end --config "$dir/bellrope.ini" >"$dir/end.log" 2>&1 || live_fail "the dive does not end"
live_stop
live_compare
sightings "$dir/dive.db" "$dir/live.csv"
