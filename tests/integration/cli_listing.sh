#!/bin/sh
# What the verbs that read a record say of the worked dive, without a daemon: tables, rows, the life of a record, the doctor's findings on a
# sound and on a hurt tape, what an archive would ask, a dive packed, labels for keys. The figures come from the script of the dive and
# from the database itself.
#   sh cli_listing.sh BUILD
set -eu
build=$(cd "$1" && pwd)
data=$(cd "$(dirname "$0")/../data/dives" && pwd)
. "$(dirname "$0")/cli_common"
cli_begin listing
cli_dive

# ---- markers ----
presses=$(grep -c '"type":"press"' truth.jsonl)
[ "$presses" -eq 155 ] || fail "the worked dive has $presses presses"
run 0 markers --db dive.db
silent
total=$(sqlite3 -readonly dive.db "SELECT count(*) FROM marker")
lines $((total + 2))
prints "MARKER" "WITHIN" "TIMECODE" "$total markers of dive L001" "struck" "M0001   05:00:02.210" "In water"
run 0 markers
tells "no daemon answers; this is what $dir/dive.db has"
lines $((total + 2))
run 0 markers --db dive.db --last 3
lines 5
prints "3 markers of dive L001" "On deck"
run 0 markers --db dive.db --last 1
prints "1 marker of dive L001"
run 0 markers --db dive.db --json
lines "$total"
[ "$(jq -r .number out | tr '\n' ' ')" = "$(seq -s ' ' 1 "$total") " ] || fail "the markers are not numbered as they came"
jq -se 'all(.[]; .dive == "L001" and .utc_bound_ms < 10 and (.id | startswith("L001-M")))' out >/dev/null || fail "$said: another row"
run 0 markers --db dive.db --json --last 2 --dive L001
[ "$(jq -r .id out | tr '\n' ' ')" = "$(sqlite3 -readonly dive.db "SELECT ref || ' ' FROM (SELECT ref, number FROM marker_now ORDER BY number DESC LIMIT 2) ORDER BY number" | tr -d '\n')" ] || fail "not the newest two"
run 1 markers --db dive.db --dive L009
tells "there is no dive L009"
run 1 markers --db none.db
tells "none.db: there is no such database; check the name"
run 1 markers --db bellrope.ini
tells "bellrope.ini is no database"
run 2 markers --db dive.db --last 0
tells "--last '0': must be a whole number, 1 to 1000000000"

# ---- sightings, samples, dives ----
run 0 sightings --db dive.db
silent
prints "SIGHTING" "next subject" "struck" "49 sightings of dive L001"
run 0 sightings --db dive.db --json
jq -r '[.number, .label, .state, .individuals, .closed_by, .tie, .tied_to, .again_of] | map(. // "" | tostring) | join(",")' out |
    sed -E 's/L001-S0*//g' >got.csv
sed 1d "$data/worked.sightings.csv" | sed -E 's/L001-S0*//g' | diff - got.csv >diff.log || fail "other sightings than expected (diff.log)"
run 0 sightings --db dive.db --ask-shore
asked=$(sqlite3 -readonly dive.db "SELECT count(DISTINCT sighting) FROM marker_now WHERE label = 'Ask shore' AND NOT struck AND sighting IS NOT NULL")
[ "$asked" -eq 3 ] || fail "the worked dive asks shore about $asked sightings"
prints "$asked sightings of dive L001" "shore"
lines $((asked + 2))
run 0 samples --db dive.db
prints "6 samples of dive L001" "BOX-1" "retired" "A001    05:00:11.364" " S 8.2695" "±"
run 0 samples --db dive.db --json
[ "$(jq -rs 'map(select(.state == "taken") | .container) | join(" ")' out)" = "$(sqlite3 -readonly dive.db "SELECT group_concat(container, ' ') FROM sample WHERE state = 'taken'")" ] || fail "other containers"
run 0 dive list --db dive.db
prints "L001" "2031-03-04 05:00:00" "0:01:22" "Quill" "Lantern Gull" "Hollin Bank"
run 0 dive list --db dive.db --json
[ "$(jq -r '[.id, .vehicle, .ship, .site, .markers, .sightings, .samples, .open] | map(tostring) | join("|")' out)" = "L001|Quill|Lantern Gull|Hollin Bank|$total|49|6|false" ] || fail "$said: $(cat out)"
run 1 dive list --db none.db
tells "none.db: there is no such database; check the name"

# ---- the life of a record ----
run 0 log S6 --db dive.db
silent
head -n 1 out | grep -qx 'L001-S006' || fail "$said: it does not begin with the record"
prints "open, Coral, 1 individual" "closed, Coral, closed by key"
! grep -q '1 individuals' out || fail "$said: 1 individuals"
run 0 log L001-S006 --db dive.db --json
[ "$(jq -r .seq out | tr '\n' ' ')" = "$(sqlite3 -readonly dive.db "SELECT seq || ' ' FROM journal WHERE ref = 'L001-S006' ORDER BY seq" | tr -d '\n')" ] || fail "$said: other entries than the journal"
run 0 log last --db dive.db
head -n 1 out | grep -qx "$(sqlite3 -readonly dive.db 'SELECT ref FROM marker_now ORDER BY number DESC LIMIT 1')" || fail "last is another"
struck=$(sqlite3 -readonly dive.db "SELECT ref FROM marker_now WHERE struck ORDER BY number LIMIT 1")
run 0 log "$struck" --db dive.db
prints "strike" "marker"
run 0 log T1 --db dive.db --dive L001
prints "In water, closed by key"
run 0 log A1 --db dive.db
prints "taken, Push core, in BOX-1"
run 1 log whale --db dive.db
tells "'whale' is no reference; give one such as M112, S31"
run 1 log M999 --db dive.db
tells "there is no record L001-M0999; \`bellrope markers\` and \`bellrope sightings\` list them"
run 1 log M1 --db none.db
tells "none.db: cannot be read: No such file or directory"
run 1 log M1 --socket nowhere
tells "name it with --db FILE or --config FILE"

# ---- the doctor ----
run 0 doctor dive.db
silent
prints "Dive L001, begun 2031-03-04 05:00:00 UTC" "! 05:00:35 to 05:00:38 (3.1 s)  pad P-01: the pad was unplugged or hung up" "waited in a pad for more than 2 s"
run 0 doctor dive.db --json
jq -se 'length >= 3 and all(.[]; .dive == "L001" and (.weight == "trouble" or .weight == "note") and .unended == false)' out >/dev/null || fail "$said: $(cat out)"
cp out of-database
run 0 doctor dive.tape --json
cmp -s out of-database || fail "the doctor says other things of the tape than of its database"
[ "$(find "${TMPDIR:-/tmp}" -maxdepth 1 -name 'bellrope-doctor-*' -newer of-database | wc -l)" -eq 0 ] || fail "the tape's database was left behind"
cp dive.tape hurt.tape
printf 'XXXXXXXXXXXXXXXXXXXX' | dd of=hurt.tape bs=1 seek=200000 conv=notrunc 2>/dev/null
run 0 doctor hurt.tape
prints "The tape itself" "1 damaged place was skipped: what stood there is missing" "Dive L001"
run 0 doctor hurt.tape --json
head -n 1 out | jq -e '.kind == "tape" and .weight == "trouble" and .dive == ""' >/dev/null || fail "$said: the tape's damage does not come first"
head -c 300000 dive.tape >cut.tape
run 0 doctor cut.tape --dive L001
prints "of a record cut short stand at its end: the daemon was killed" "Dive L001"
run 0 replay cut.tape -o cut.db
prints "the tape ends in the middle of a record (" "entries, " " markers, in cut.db"
run 0 replay hurt.tape -o hurt.db --json
jq -e '.damaged_places == 1 and .runs == 1 and .markers > 150' out >/dev/null || fail "$said: $(cat out)"
head -c 8 dive.tape >empty.tape
run 1 doctor empty.tape
run 1 replay empty.tape -o empty.db
run 1 doctor dive.db --dive L009
tells "there is no dive L009 in it; without --dive all are shown"
run 1 doctor none.db
tells "none.db: cannot be read: No such file or directory"
run 1 doctor bellrope.ini
tells "bellrope.ini is no database"
TMPDIR=/none run 1 doctor dive.tape
tells "no folder can be made for the tape's record: set TMPDIR to a place with room"
run 1 replay dive.tape -o dive.db
tells "dive.db is there already"

# ---- what an archive would ask ----
run 1 check --db dive.db
silent
prints "WHAT TO DO" "no licence" "no institution code" "L001-S001" "bellrope identify REF NAME"
run 1 check --db dive.db --json
must=$(jq -s 'map(select(.required)) | length' out)
cat >cruise.ini <<END
[dataset]
title = Dives on Hollin Bank
institution_code = EXAMPLE
license = http://creativecommons.org/publicdomain/zero/1.0/
creator = A. Quill
email = data@example.org
id_prefix = urn:example:cruise-7:
strict_names = yes
END
run 1 check --db dive.db --dataset cruise.ini --json
[ "$(jq -s 'map(select(.required)) | length' out)" -eq $((must - 5)) ] || fail "$said: a data set that is described leaves as much to do"
jq -se 'all(.[]; .id == "dataset" or (.id | startswith("L001-"))) and any(.[]; .term == "scientificName")' out >/dev/null || fail "$said: another row"
run 1 check --db dive.db --dive L009
tells "there is no dive L009"
run 1 check --db none.db
tells "none.db: cannot be read"
run 1 check --db dive.db --dataset none.ini
tells "none.ini: cannot be read: No such file or directory; it is an INI file with a [dataset] section"
run 1 check --socket nowhere
tells "this is read from the database; name it with --db FILE or --config FILE"
printf '[dataset]\ntitel = x\nstrict_names = maybe\nemail = %0200d\n[set]\n' 1 >wrong.ini
run 1 check --db dive.db --dataset wrong.ini
tells "wrong.ini:2: [dataset] titel: is not known; accepted: title" "wrong.ini:3: [dataset] strict_names: takes yes or no" "wrong.ini:4: " "wrong.ini:5: [set]"

# ---- a dive packed ----
run 0 dive pack L001 -o packed.db --db dive.db
prints "packed L001 into packed.db"
run 0 markers --db packed.db --json
cp out packed.markers
run 0 markers --db dive.db --json
cmp -s out packed.markers || fail "the packed dive has other markers"
run 1 dive pack L001 -o packed.db --db dive.db
tells "packed.db is there already"
run 0 dive pack L001 -o packed2.db --db dive.db --json
[ "$(cat out)" = '{"dive":"L001","file":"packed2.db"}' ] || fail "$said: $(cat out)"
run 1 dive pack L001 -o packed9.db --socket nowhere
tells "this is read from the database; name it with --db FILE or --config FILE"
run 1 dive pack L009 -o packed9.db --db dive.db
tells "has no dive L009; \`bellrope dive list\` names them"
[ ! -e packed9.db ] || fail "a dive that is not there was packed"
run 1 dive pack L001 -o none/packed.db --db dive.db
run 1 dive pack L001 -o packed3.db --db none.db
tells "none.db: cannot be read"

# ---- keys ----
run 0 keys
silent
prints "Test plan, science: pad science, seat science; held is 600 ms and longer" "Sea star" "Brooding" "Jar 1, 3 samples" "JAR-1"
run 0 keys --seat nav --json
jq -se 'all(.[]; .seat == "nav") and any(.[]; .key == "C1" and .kind == "sample" and .container == "BOX-1")' out >/dev/null || fail "$said: another plan"
run 1 keys --seat pilot
tells "the configuration has no pad at that seat"
run 0 keys -o labels.svg
prints "labels.svg: print at 100 %, without fitting to the page"
grep -q 'width="210mm" height="297mm"' labels.svg || fail "the page is not A4"
for label in Fish 'Sea star' Brooding 'Push core' BOX-1 'In water'; do
    grep -q ">[^<]*$(echo "$label" | cut -d ' ' -f 1)" labels.svg || fail "the labels lack $label"
done
run 0 keys -o - --seat science
cmp -s out labels.svg && fail "--seat makes no difference"
grep -q '</svg>' out || fail "no labels on standard output"
run 1 keys -o labels.svg --pitch-mm 50
tells "the keys do not fit on one page of A4; give a smaller --pitch-mm, or one --seat"
run 1 keys -o none/labels.svg
tells "none/labels.svg cannot be made: No such file or directory"
sed 's|^plan = .*science.plan|plan = none.plan|' bellrope.ini >noplan.ini
run 1 keys --config noplan.ini
tells "none.plan" "is no key plan; see above"
printf '[store]\nfile = x.db\n[socket]\nunix = x\n' >nopads.ini
run 1 keys --config nopads.ini
tells "the configuration has no pad; a [pad NAME] section with plan = FILE makes one"
run 1 keys --socket nowhere
tells "key plans are named in the configuration: give --config FILE"
printf '[dive]\nid = D 1\n' >bad.ini
run 1 keys --config bad.ini
tells "bad.ini:2: [dive] id"
printf '[plan]\ntitle = Pairs\n[key A1]\nkind = subject\nlabel = Fish\n[keys A1+B1]\nkind = detail\nlabel = Both at once\n[key A2]\nkind = sample\nlabel = Water\ncontainer = NET\n[container NET]\nlabel = Hand net\n' >pairs.plan
sed "s|^plan = .*science.plan|plan = pairs.plan|" bellrope.ini >pairs.ini
run 0 keys --config pairs.ini --seat science
prints "A1+B1" "Both at once" "NET Hand net, no limit"
run 0 keys --config pairs.ini --seat science -o -
grep -q 'A1+B1  Both' out || fail "$said: two keys together are not listed"

# ---- a record with nothing in it, and one without a dive ----
printf '[store]\nfile = dive.db\n[pad a]\nport = nothing\nplan = pairs.plan\nseat = science\n[socket]\nunix = socket\n' >bellrope.ini
rm dive.db*
start
run 0 markers
prints "0 markers without a dive"
run 0 dive list
prints "no dive yet; \`bellrope dive begin ID\` begins one"
run 1 log last --db dive.db
tells "there is no marker yet"
run 1 identify last Actiniaria
tells "there is no sighting yet in this dive; name one such as S31"
run 0 doctor dive.db
lines 0
run 0 press Fish
run 0 dive begin E1
run 0 dive end
stop
run 0 doctor dive.db
prints "Dive E1, begun " "Without a dive"
run 0 markers --db dive.db --dive ''
prints "1 marker without a dive"
echo "$total markers, 49 sightings, 6 samples listed, told, checked and packed"
