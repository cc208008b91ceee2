#!/bin/sh
# The worked dive: 155 presses, invented, and the sightings that must come of them (tests/data/dives/worked.*). It is played as a tape, twice,
# and both tapes are the same bytes; replayed, every press is one marker inside its bound and the sightings are those expected. Then it is run
# live through the rig (75 s): the same sightings, spans and samples, marker for marker.
#   sh worked_dive.sh BUILD
set -eu
build=$(cd "$1" && pwd)
data=$(cd "$(dirname "$0")/../data/dives" && pwd)
. "$(dirname "$0")/live_common"

# what follows from the markers besides sightings, and where each marker went
objects() {
    sqlite3 -readonly -csv "$1" "SELECT 'marker', number, seat, key, gesture, label, sighting, object, struck FROM marker_now ORDER BY number;
        SELECT 'span', number, kind, label, transect, state, first_marker, last_marker, closed_by FROM span ORDER BY number;
        SELECT 'sample', number, state, container, gear, marker, sighting FROM sample ORDER BY number" >"$2"
}
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
objects "$dir/1.db" "$dir/taped.objects"
[ "$(grep -c '^marker' "$dir/taped.objects")" -ge 150 ] || live_fail "fewer than 150 markers"
for run in 1 2; do
    sqlite3 "$dir/$run.db" "SELECT seq, event FROM journal ORDER BY seq" >"$dir/$run.journal"
done
cmp "$dir/1.journal" "$dir/2.journal" || live_fail "one tape gave two journals"

live_rig "$data/worked.rig"
live_daemon
live_rig_end
live_settle
"$build/bellrope" dive end --config "$dir/bellrope.ini" >"$dir/end.log" 2>&1 || live_fail "the dive does not end"
live_stop
live_compare
sightings "$dir/dive.db" "$dir/live.csv"
objects "$dir/dive.db" "$dir/live.objects"
diff "$dir/taped.objects" "$dir/live.objects" || live_fail "live, the dive came out otherwise (>) than as a tape (<)"
echo "$(grep -c '^marker' "$dir/live.objects") presses, $(wc -l <"$dir/live.csv") sightings: live as on tape, as expected"
