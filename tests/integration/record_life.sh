#!/bin/sh
# The record as people work on it, with soft keys: a prepared dive, watches that change, late entries that read the stored record, names from a
# checklist, lengths, key plans swapped while sightings are open, a crash in the middle, ended dives amended through the daemon and, without
# one, in the database itself. The tape of all of it must replay to the same journal.
# Usage: record_life.sh BUILD
set -eu
build=$(cd "${1:?say the build folder}" && pwd)
plans=$(cd "$(dirname "$0")/../../docs/plans" && pwd)
. "$(dirname "$0")/cli_common"
command -v xmllint >/dev/null 2>&1 || { echo "skipped: xmllint is not installed"; exit 77; }
cli_folder life
rope=$build/bellrope
# until WHAT VALUE SQL: waits for it
until_is() {
    tries=0
    while [ "$(sqlite3 -readonly "$dir/dive.db" "$3" 2>/dev/null)" != "$2" ]; do
        tries=$((tries + 1))
        [ "$tries" -lt 200 ] || fail "$1 never came to be '$2'"
        sleep 0.05
    done
}
cp "$plans/science.plan" "$dir/science.plan"
cat >"$dir/bellrope.ini" <<END
[dive]
checklist = names.tsv
planned_bottom_min = 30
[store]
file = dive.db
tape = dive.tape
[timecode]
source = time-of-day
rate = 25
[pad science]
port = $dir/no-pad
plan = science.plan
seat = science
[pad nav]
port = $dir/no-pad-either
plan = $plans/navigator.plan
seat = nav
[feed ctd]
input = file:ctd.txt
format = columns
column.1 = vehicle.depth_m
[socket]
unix = sock
END
printf 'taxonID\tscientificName\ttaxonRank\tacceptedNameUsage\nx:1\tBrisinga costata\tspecies\t\nx:2\tGersemia clavata\tspecies\t\nx:3\tBrisinga vetusta\tspecies\tBrisinga costata\n' >"$dir/names.tsv"
: >"$dir/ctd.txt"
export BELLROPE_CONFIG="$dir/bellrope.ini"
"$build/bellroped" --config "$dir/bellrope.ini" --check >"$dir/out" 2>&1 || fail "the configuration does not check"

# A prepared dive: mistakes are told with their line, and nothing is begun.
start
printf '[dive]\nid = D101\nsite = Lantern ridge\nplanned_bottom_min = 90\ncaptain = nobody\n[seats]\nscience = A. Quill\n' >"$dir/bad.ini"
run 1 dive begin --from "$dir/bad.ini"
says "bad.ini:5: [dive] captain"
sed /captain/d "$dir/bad.ini" >"$dir/D101.ini"
run 0 dive begin --from "$dir/D101.ini"
says "begun D101"
is "site" "Lantern ridge" "SELECT site FROM dive"
for depth in 100 101 102 103 104 105 106 107; do
    echo "$depth" >>"$dir/ctd.txt"
    [ "$depth" != 103 ] || middle=$(date -u +%Y-%m-%dT%H:%M:%S.%3NZ)
    sleep 0.15
done
run 0 press 'On bottom' --seat nav
run 0 status
says "left; "
says "1 h 2" # minutes of the ninety are left, fewer on a slow machine

# Watches change in mid-dive: earlier markers keep their name.
run 0 press A1 --note 'red, small'
run 0 press C4
run 0 seat science --who 'B. Tarn'
run 0 press A1
is "who" "A. Quill|A. Quill|B. Tarn|B. Tarn" "SELECT group_concat(who, '|') FROM (SELECT who FROM marker_now WHERE seat = 'science' ORDER BY number)"
run 0 sample --container 'box 3' --note 'tip broken' --by 'C. Moor'
is "the sample's note" "tip broken|C. Moor" "SELECT s.note || '|' || m.entered_by FROM sample s JOIN marker m ON m.number = s.marker"
run 0 status
says "seat science"
says "S1 Fish for"

# A crash. What was open is open; a late entry for an instant before the change of watch carries that watch's name, changes no other one, and
# takes depth from the stored record.
kill -9 "$daemon_pid"
wait "$daemon_pid" 2>/dev/null || true
start
run 0 status
says "S1 Fish for"
says "1 h 2" # minutes of the ninety are left, fewer on a slow machine
sqlite3 "$dir/dive.db" "SELECT number, who FROM marker_now ORDER BY number" >"$dir/before"
run 0 press C1 --at "$middle" --by 'C. Moor' --json
late=$(jq -r .ref "$dir/out")
until_is "the late entry's settling" "record" "SELECT cause FROM settled s JOIN marker m ON m.dive = s.dive AND m.number = s.marker WHERE m.origin = 'late'"
is "the late entry" "late|A. Quill|C. Moor" "SELECT origin || '|' || who || '|' || entered_by FROM marker_now WHERE ref = '$late'"
is "its UTC is the one given" "$middle" "SELECT utc FROM marker_now WHERE ref = '$late'"
is "its depth is of that instant" "1" "SELECT abs(json_extract(channels, '\$.\"vehicle.depth_m\".v') - 103) < 1.1 FROM marker_now WHERE ref = '$late'"
sqlite3 "$dir/dive.db" "SELECT number, who FROM marker_now WHERE origin <> 'late' ORDER BY number" | cmp -s - "$dir/before" || fail "a late entry renamed earlier markers"
timecode=$(sqlite3 "$dir/dive.db" "SELECT timecode FROM marker_now WHERE number = 2")
if [ -n "$timecode" ]; then # a machine whose clock nobody sets has no time of day to speak of
    run 0 press C2 --at "$timecode"
    is "an entry by timecode" "$timecode" "SELECT timecode FROM marker_now ORDER BY number DESC LIMIT 1"
fi
run 1 press A1 --at 2199-01-01T00:00:00Z
says "in the future"

# Names: the list's spelling, rank and identifier; a slip gets suggestions; a synonym its accepted name; what shore is asked.
run 0 identify S1 'brisinga  costata' --qualifier inc. --by 'A. Quill'
is "the name" "Brisinga costata|inc.|species|x:1|1" "SELECT name || '|' || qualifier || '|' || rank || '|' || name_id || '|' || listed FROM identification"
run 0 identify S1 'Brisinga vetusta'
says "accepted name is Brisinga costata"
run 0 identify S1 'Brisinga costatta'
says "not on the checklist"
says "near it: Brisinga costata"
run 0 press A4
run 0 sightings --ask-shore
says "LISTED"
says "1 sighting of dive D101"
run 0 size S1 --pixels 350 --laser-pixels 200
says "0.1750 m, within 0.0023 m"
run 0 size S1 --pixels 350 --laser-pixels 200 --spacing-m 0.1 --pixel-error 2 --spacing-error-m 0
run 2 size S1 --pixels 0 --laser-pixels 200
run 0 sightings --json
jq -se 'any(.[]; .id == "D101-S001" and .length.value_m == 0.175 and .ask_shore and (.identification.listed | not))' "$dir/out" >/dev/null || fail "the length is not in the sighting's row"
run 0 sightings
awk '{ gsub(/±|…/, "x") } length($0) > 100 { exit 1 }' "$dir/out" || fail "a line is longer than 100"
run 0 log S1
for word in identification measurement costatta Quill; do says "$word"; done
awk '{ gsub(/±|…/, "x") } length($0) > 100 { exit 1 }' "$dir/out" || fail "a line of log is longer than 100"
run 0 log S1 --json
jq -e .seq "$dir/out" >/dev/null || fail "log --json is no JSON"
run 1 log S77

# SIGHUP: a plan with a mistake is refused whole; a good one takes its place while a sighting stays open.
open=$(sqlite3 "$dir/dive.db" "SELECT number FROM sighting WHERE state = 'open'")
sed 's/^label = Sponge$/label = Vase sponge/' "$plans/science.plan" >"$dir/good.plan"
sed 's/^kind = subject$/kind = subjekt/' "$plans/science.plan" >"$dir/science.plan"
kill -HUP "$daemon_pid"
tries=0
until grep -q "has errors; the one in force stays" "$dir/daemon.log"; do
    tries=$((tries + 1))
    [ "$tries" -lt 200 ] || fail "a bad plan is not refused"
    sleep 0.05
done
run 0 press A4
is "the old plan is in force" "$open|2" "SELECT number || '|' || individuals FROM sighting WHERE state = 'open'"
cp "$dir/good.plan" "$dir/science.plan"
kill -HUP "$daemon_pid"
tries=0
until grep -q "key plan .*science.plan read again" "$dir/daemon.log"; do
    tries=$((tries + 1))
    [ "$tries" -lt 200 ] || fail "the plan is not read again"
    sleep 0.05
done
is "nothing was lost" "$open|2" "SELECT number || '|' || individuals FROM sighting WHERE state = 'open'"
run 0 press C1
is "the sighting in hand is the same" "$open" "SELECT sighting FROM marker_now ORDER BY number DESC LIMIT 1"
run 0 press A4
is "the new label" "Vase sponge|open" "SELECT label || '|' || state FROM sighting ORDER BY number DESC LIMIT 1"
run 0 keys --json
jq -se 'any(.[]; .key == "A4" and .gesture == "tap" and .label == "Vase sponge")' "$dir/out" >/dev/null || fail "keys shows another plan"
run 0 keys -o "$dir/labels.svg"
xmllint --noout "$dir/labels.svg" || fail "the labels are no XML"
grep -q 'width="210mm" height="297mm"' "$dir/labels.svg" || fail "the labels are not true to the millimetre"

# An ended dive is amended between dives, not while another one is open.
run 0 dive end
run 1 dive begin D101
says "there is a dive D101"
run 0 dive begin D102 --planned-bottom-min 20
run 0 press A2
run 1 strike D101-S2
says "D102 is open"
run 1 press A1 --dive D101 --at "$middle"
says "D102 is open"
run 0 remark D101-S1 'seen again on the video' --by 'A. Quill'
run 1 remark D101-S99 'nothing'
says "there is no S99 in dive D101"
run 0 dive end
before=$(sqlite3 "$dir/dive.db" "SELECT count(*) FROM sighting WHERE dive = 'D101' AND state = 'struck'")
run 0 strike D101-S2 --why 'another animal' --by 'A. Quill'
is "the struck sighting" "$((before + 1))" "SELECT count(*) FROM sighting WHERE dive = 'D101' AND state = 'struck'"
run 0 press A2 --dive D101 --at "$middle" --by 'A. Quill'
says "kept D101-M"
run 1 press A2 --dive D101
says "not within dive D101"
is "nobody else's marker moved" "1" "SELECT count(*) FROM marker WHERE dive = 'D102'"
run 1 press A1 --dive D999 --at "$middle"
says "there is no dive D999"
run 1 remark M1 x --db "$dir/dive.db"
stop
last=$(sqlite3 "$dir/dive.db" 'SELECT max(seq) FROM journal')

# Weeks later, without a daemon: the same commands on the database itself.
cp "$dir/dive.db" "$dir/ashore.db"
run 0 remark D101-M0002 'the frame before is sharper' --by 'D. Fell'
says "entered into"
run 0 press 'Good view' --seat science --dive D101 --at "$middle" --by 'D. Fell'
is "an entry at the video" "late|D. Fell" "SELECT origin || '|' || entered_by FROM marker WHERE dive = 'D101' ORDER BY number DESC LIMIT 1"
is "it takes depth from the record" "1" "SELECT json_extract(channels, '\$.\"vehicle.depth_m\".v') > 90 FROM marker_now WHERE dive = 'D101' ORDER BY number DESC LIMIT 1"
run 0 strike D101-S2 --undo
is "the sighting stands again" "$before" "SELECT count(*) FROM sighting WHERE dive = 'D101' AND state = 'struck'"
run 0 retime D101-M0002 --at "$middle" --why 'the flash on the video' --by 'D. Fell'
is "a retimed marker keeps the time of its press" "$middle|1" "SELECT utc || '|' || (pressed_utc <> utc) FROM marker_now WHERE ref = 'D101-M0002'"
run 0 log D101-M0002
says "flash"
run 0 identify D101-S1 'Gersemia clavata' --db "$dir/ashore.db"
run 0 press A1 --db "$dir/ashore.db" --dive D101 --at "$middle"
says "kept D101-M"
run 0 size D101-S1 --pixels 100 --laser-pixels 50 --db "$dir/ashore.db"
[ "$(sqlite3 "$dir/ashore.db" "SELECT origin || kind || label FROM marker WHERE dive = 'D101' ORDER BY number DESC LIMIT 1")" = latesubjectFish ] ||
    fail "without a configuration a key does not mean what it meant"
for db in dive ashore; do
    [ "$(sqlite3 "$dir/$db.db" "SELECT count(*) - max(seq) FROM journal")" = 0 ] || fail "the journal of $db.db has a hole"
    [ "$(sqlite3 "$dir/$db.db" "PRAGMA integrity_check")" = ok ] || fail "$db.db is damaged"
done
sqlite3 "$dir/ashore.db" "SELECT count(*) FROM refused" | grep -qx 0 || fail "an entry was refused"

run 0 replay "$dir/dive.tape" -o "$dir/replayed.db"
for db in dive replayed; do
    sqlite3 "$dir/$db.db" "SELECT seq, type, dive, ref, event FROM journal WHERE seq <= $last ORDER BY seq" >"$dir/$db.journal"
done
cmp -s "$dir/dive.journal" "$dir/replayed.journal" || fail "the replay differs from the dives"

# Completion and manual pages come of the verbs' own tables.
run 0 completion bash
bash -n "$dir/out" || fail "the completion for bash does not read"
bash -c '. "$1"; COMP_WORDS=(bellrope press --no); COMP_CWORD=2; _bellrope; [ "${COMPREPLY[*]}" = --note ]' - "$dir/out" || fail "bash does not complete --note"
run 0 completion zsh
says "--laser-pixels"
mkdir "$dir/man"
run 0 manpage -o "$dir/man"
[ "$(ls "$dir/man" | wc -l)" -gt 20 ] || fail "manual pages are missing"
if command -v groff >/dev/null; then
    groff -man -ww -z "$dir"/man/*.1 2>"$dir/err"
    [ ! -s "$dir/err" ] || fail "groff has something to say about the manual pages"
fi
echo "$last journal entries by hand, amended afterwards, and replayed alike"
