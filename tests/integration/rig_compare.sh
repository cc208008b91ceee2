#!/bin/sh
# The comparison of a record with the truth must be able to fail: a sound record is spoilt in one place at a time, and each time it says so.
#   sh rig_compare.sh BUILD
set -eu
build=$(cd "$1" && pwd)
data=$(cd "$(dirname "$0")/../data/dives" && pwd)
. "$(dirname "$0")/live_common"

live_begin compare 29.97df
"$build/bellrope-rig" --script "$data/worked.rig" --config "$dir/bellrope.ini" --udp "127.0.0.1:$port" --tape "$dir/dive.tape" \
    --truth "$dir/truth.jsonl" >"$dir/tape.log" 2>&1 || live_fail "the rig made no tape"
"$build/bellrope" replay "$dir/dive.tape" -o "$dir/dive.db" >"$dir/replay.log" 2>&1 || live_fail "the tape does not replay"
live_compare --json

# spoil WHAT SQL MEMBER: after the SQL the comparison fails, and MEMBER of its JSON is not 0
spoil() {
    cp "$dir/dive.db" "$dir/spoilt.db"
    sqlite3 "$dir/spoilt.db" "PRAGMA foreign_keys = OFF; PRAGMA ignore_check_constraints = ON; $2"
    ended=0
    "$build/bellrope-rig" --compare "$dir/spoilt.db" "$dir/truth.jsonl" --json >"$dir/spoilt.json" 2>"$dir/spoilt.log" || ended=$?
    [ "$ended" -eq 1 ] || live_fail "$1: the comparison ended with $ended"
    grep -q "\"$3\":[1-9]" "$dir/spoilt.json" || live_fail "$1: $3 is 0: $(cat "$dir/spoilt.json")"
}
some="(SELECT seq FROM marker WHERE number = 40)"
spoil "a marker less" "DELETE FROM marker WHERE seq = $some" lost
spoil "a marker that nobody made" "UPDATE marker SET press_seq = 99999 WHERE seq = $some" doubled
spoil "a time outside its bound" "UPDATE marker SET mono_ns = mono_ns + 9000000 WHERE number = 40;
    UPDATE settled SET mono_ns = mono_ns + 9000000 WHERE marker = 40" outside
spoil "a bound too narrow" "UPDATE marker SET mono_bound_ns = 0; UPDATE settled SET mono_bound_ns = 0" outside
spoil "UTC outside its bound" "UPDATE marker SET utc_ns = utc_ns + 90000000 WHERE number = 40;
    UPDATE settled SET utc_ns = utc_ns + 90000000 WHERE marker = 40" utc_outside
spoil "a frame outside its bound" "UPDATE marker SET timecode_frame = timecode_frame + 2 WHERE number = 40;
    UPDATE settled SET timecode_frame = timecode_frame + 2 WHERE marker = 40" frames_outside

cp "$dir/dive.db" "$dir/spoilt.db"
sqlite3 "$dir/spoilt.db" "PRAGMA foreign_keys = OFF; DELETE FROM journal WHERE seq = 77"
if "$build/bellrope-rig" --compare "$dir/spoilt.db" "$dir/truth.jsonl" >"$dir/spoilt.log" 2>&1; then
    live_fail "a gap in the journal was not seen"
fi
grep -q "JOURNAL ENTRIES MISSING *1" "$dir/spoilt.log" || live_fail "the gap was not told"

# a press that never came to be kept is lost too
sed '/"type":"kept"/d' "$dir/truth.jsonl" >"$dir/unkept.jsonl"
if "$build/bellrope-rig" --compare "$dir/dive.db" "$dir/unkept.jsonl" >"$dir/unkept.log" 2>&1; then
    live_fail "presses that were never kept were not missed"
fi

for wrong in "$dir/nosuch.db" "$dir/truth.jsonl"; do
    ended=0
    "$build/bellrope-rig" --compare "$wrong" "$dir/truth.jsonl" >"$dir/wrong.log" 2>&1 || ended=$?
    [ "$ended" -eq 2 ] || live_fail "$wrong is no record, and the comparison ended with $ended"
done
ended=0
"$build/bellrope-rig" --compare "$dir/dive.db" "$dir/dive.db" >"$dir/wrong.log" 2>&1 || ended=$?
[ "$ended" -eq 2 ] || live_fail "a database is no truth file, and the comparison ended with $ended"
