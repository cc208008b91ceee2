#!/bin/sh
# `bellrope export` and `bellrope report` as they are called: every format of the worked dive with the options that go with it, counted
# against the database; standard output, one dive of several, what is refused; and that nothing half written is ever left behind.
#   sh cli_export.sh BUILD
set -eu
build=$(cd "$1" && pwd)
data=$(cd "$(dirname "$0")/../data/dives" && pwd)
. "$(dirname "$0")/cli_common"
for tool in xmllint unzip; do
    command -v $tool >/dev/null 2>&1 || { echo "skipped: $tool is not installed"; exit 77; }
done
cli_begin export
cli_dive
sql() { sqlite3 -readonly dive.db "$1"; }
standing=$(sql "SELECT count(*) FROM marker_now WHERE NOT struck")
total=$(sql "SELECT count(*) FROM marker_now")
sighted=$(sql "SELECT count(*) FROM sighting_now WHERE state <> 'struck'")
struck=$((total - standing))
[ "$struck" -ge 3 ] || fail "the worked dive has $struck struck markers"
count() { # count WHAT NUMBER PATTERN
    got=$(grep -cE -e "$3" "$dir/out" || true)
    [ "$got" -eq "$2" ] || fail "$said: $got $1, not $2"
}
export_it() {
    run 0 export "$@" --db dive.db
    silent
}

# ---- tables, the whole dive ----
export_it csv -o -
prints "id,dive,number,struck,utc,utc_bound_ms,clock,"
count "rows" "$total" '^L001-M'
count "struck rows" "$struck" '^L001-M[0-9]*,L001,[0-9]*,yes,'
cp out markers.csv
export_it csv -o table.csv --table markers --dive L001
lines 0
cmp -s table.csv markers.csv || fail "the file is another than what went to standard output"
export_it csv -o - --table sightings
count "rows" "$(sql 'SELECT count(*) FROM sighting_now')" '^L001-S'
export_it csv -o - --table spans
count "rows" "$(sql 'SELECT count(*) FROM span_now')" '^L001-T'
export_it csv -o - --table samples
count "rows" 6 '^L001-A'
export_it json -o dive.json
[ "$(jq -r '[.markers, .sightings, .spans, .samples] | map(length) | join(" ")' dive.json)" = "$total $(sql 'SELECT count(*) FROM sighting_now') $(sql 'SELECT count(*) FROM span_now') 6" ] || fail "$said: other rows"
[ "$(jq -r '[.markers[] | select(.struck)] | length' dive.json)" -eq "$struck" ] || fail "$said: other struck ones"

# ---- maps ----
export_it geojson -o dive.geojson
[ "$(jq '[.features[] | select(.id | startswith("L001-M"))] | length' dive.geojson)" -eq "$total" ] || fail "$said: other markers"
jq -e '[.features[] | select(.properties.struck == true)] | length > 0 and all(.[]; .geometry == null)' dive.geojson >/dev/null || fail "$said: a struck marker has a place"
jq -e '[.features[] | select(.geometry.type == "Point") | .geometry.coordinates] | length > 100 and all(.[]; .[0] > -9 and .[0] < -8 and .[1] > -22 and .[1] < -21)' dive.geojson >/dev/null || fail "$said: longitude comes first"
export_it gpx -o dive.gpx
[ "$(xmllint --xpath 'count(//*[local-name() = "wpt"])' dive.gpx)" = "$standing" ] || fail "$said: other markers"
[ "$(xmllint --xpath 'count(//*[local-name() = "trkpt"]) > 40' dive.gpx)" = true ] || fail "$said: no track"
export_it kml -o dive.kml
xmllint --noout dive.kml || fail "$said: no XML"
[ "$(grep -c '<when>' dive.kml)" -ge "$(grep -c '<coord>' dive.kml)" ] || fail "$said: a coordinate without its time"
struck_one=$(sql "SELECT ref FROM marker_now WHERE struck LIMIT 1")
! grep -q "$struck_one" dive.kml || fail "$said: a struck marker is in it"

# ---- captions: the first frame said as timecode, as UTC, not at all ----
export_it webvtt -o - --video-start '09:59:30;00'
prints "WEBVTT" "times count from 09:59:30;00" "left out: $struck struck, 0 without a known time, 0 before the first frame"
count "cues" "$standing" '^L001-M'
first=$(sql "SELECT timecode FROM marker_now WHERE number = 1")
[ "$first" = '09:59:32;05' ] || fail "the first press is at $first"
prints "00:00:02.168 --> " # 65 frames of 30000/1001 a second: 2.16883 s
export_it webvtt -o - --video-start 2031-03-04T05:00:02Z
prints "00:00:00.210 --> " "0 before the first frame"
export_it webvtt -o - --video-start 2031-03-04T05:01:00Z
! grep -q '^L001-M0001$' out || fail "$said: a press before the first frame has a caption"
export_it srt -o -
count "cues" "$standing" ' --> '
prints "00:00:02,210 --> 00:00:06,210"
export_it overlay -o overlay.vtt
grep -q '^WEBVTT' overlay.vtt || fail "$said: no WebVTT"
export_it overlay -o - --as srt
prints "00:00:01,000 --> 00:00:02,000" "2031-03-04 05:00:01 UTC" "°C"
export_it overlay -o - --as webvtt
cmp -s out overlay.vtt || fail "webvtt is not what is written unless asked otherwise"

# ---- chapters, cuts ----
export_it chapters -o -
prints ";FFMETADATA1" "title=L001" "TIMEBASE=1/1000000000" "(L001-S001)" "Transect"
awk -F= '/^START=/ { if ($2 < end) bad = 1 } /^END=/ { end = $2 } END { exit bad }' out || fail "$said: chapters overlap"
export_it matroska-chapters -o chapters.xml
[ "$(xmllint --xpath 'count(//ChapterAtom[starts-with(ChapterDisplay/ChapterString, "") and contains(ChapterDisplay/ChapterString, "L001-S")])' chapters.xml)" = "$sighted" ] || fail "$said: other sightings"
export_it edl -o - --reel CAM1
prints "TITLE: L001" "FCM: DROP FRAME" "001  CAM1     V     C        "
count "events" "$sighted" '^[0-9][0-9][0-9]  CAM1     V     C '
export_it edl -o -
count "events" "$sighted" '^[0-9][0-9][0-9]  AX       V     C '

# ---- the archive ----
printf '[dataset]\ntitle = Dives on Hollin Bank\nlicense = http://creativecommons.org/publicdomain/zero/1.0/\nid_prefix = urn:example:cruise-7:\n' >cruise.ini
printf '{"version":1,"clips":[{"file":"clips/s1.mp4","sighting":"L001-S001"}],"stills":[]}\n' >index.json
export_it dwca -o archive.zip --dataset cruise.ini
unzip -p archive.zip eml.xml >eml.xml
xmllint --noout eml.xml || fail "eml.xml is no XML"
grep -q 'Dives on Hollin Bank' eml.xml || fail "the title is not in the metadata"
occurrences=$(unzip -p archive.zip occurrence.txt | grep -c 'urn:example:cruise-7:L001-S')
[ "$occurrences" -eq "$sighted" ] || fail "$occurrences occurrences, not $sighted"
export_it dwca -o bare.zip
! unzip -p bare.zip occurrence.txt | grep -q 'urn:example' || fail "an identifier from nowhere"

# ---- a report ----
run 0 report --db dive.db -o report.html
silent
grep -q 'L001' report.html || fail "$said: it does not name the dive"
grep -q 'Hollin Bank' report.html || fail "$said: it does not name the place"
! grep -qE '(src|href)="https?:|<script' report.html || fail "$said: the page needs more than itself"
run 0 report --db dive.db -o - --dive L001
cmp -s out report.html || fail "the same record gives another page"
run 0 report --db dive.db -o wide.html --view-width-m 2.5
grep -q '2\.5' wide.html || fail "$said: the width is not on the page"
run 0 report --db dive.db -o shore.html --for-shore
[ "$(wc -c <shore.html)" -lt "$(wc -c <report.html)" ] || fail "$said: as long as all of it"
grep -q '3 sightings to be named' shore.html || fail "$said: other questions"
for ref in S011 S014 S015; do grep -q "L001-$ref" shore.html || fail "$said: $ref is not asked about"; done
! grep -q 'L001-S001' shore.html || fail "$said: what nobody asks about is in it"

# Stills lie where the clips lie; the page links to them from wherever it is written.
mkdir -p out1/deep clips
printf '\211PNG\r\n\032\n' >clips/still.png
still='{"file":"still.png","sighting":"L001-S001","marker":"L001-M0007","utc":"2031-03-04T05:00:04.494Z","label":"Fish"}'
printf '{"version":1,"dive":"L001","videos":[],"clips":[],"stills":[%s],"gaps":[],"left_out":[],"failed":[]}\n' "$still" >clips/index.json
link() { # link PAGE EXPECTED
    run 0 report --db dive.db --clips clips -o "$1"
    grep -qF "\"$2still.png\"" "$1" || fail "$said: no link \"$2still.png\": $(grep -o '"[^"]*still\.png"' "$1" | head -n 1)"
}
link page.html clips/
link out1/page.html ../clips/
link out1/deep/page.html ../../clips/
link clips/page.html ''
(cd out1/deep && run 0 report --db ../../dive.db --clips ../../clips -o page.html) && grep -qF '"../../clips/still.png"' out1/deep/page.html ||
    fail "from the page's own folder the link is another"
run 1 report --db dive.db --clips nowhere -o page.html
tells "nowhere/index.json: No such file or directory; \`bellrope clips -o nowhere\` makes it"

# ---- what is refused, and what it leaves ----
echo mine >kept.csv
run 1 export csv -o kept.csv --db dive.db --dive L009
tells "there is no dive L009; \`bellrope dive list\` shows the dives"
run 1 export csv -o kept.csv --db dive.db --table whales
tells "there is no table whales; there are markers, sightings, spans and samples"
run 1 export webvtt -o kept.csv --db dive.db --video-start noon
tells "'noon' is no timecode such as 05:06:07:02"
run 1 export csv -o kept.csv --db none.db
tells "none.db: cannot be read: No such file or directory"
[ "$(cat kept.csv)" = mine ] || fail "a refused export wrote into the file that was there"
run 1 export csv -o none/x.csv --db dive.db
tells "none/x.csv cannot be written there: No such file or directory"
mkfifo pipe
for verb in "export csv" report; do # what is no file would be replaced by one
    run 1 $verb -o pipe --db dive.db
    tells "pipe is a device or pipe, not a file; give another name, or - for standard output"
    run 1 $verb -o clips --db dive.db
    tells "clips is a folder, not a file; give another name"
done
[ -p pipe ] || fail "a pipe was replaced by a file"
run 1 export csv -o x.csv --socket nowhere
tells "this is read from the database; name it with --db FILE or --config FILE"
run 1 report -o x.html --socket nowhere
tells "this is read from the database; name it with --db FILE or --config FILE"
run 1 report -o x.html --db none.db
tells "none.db: cannot be read"
run 1 report -o none/x.html --db dive.db
tells "none/x.html cannot be written there"
run 1 clips none.mp4 -o c --socket nowhere
tells "this is read from the database; name it with --db FILE or --config FILE"
run 1 clips none.mp4 -o c --db none.db
tells "none.db: cannot be read"
run 1 clips none.mp4 -o c --db dive.db
tells "none.mp4: No such file or directory"
run 2 export -o x
tells "too few arguments; it takes: FORMAT -o PATH"
run 2 export pdf -o x
tells "'pdf' is no format; there are: csv json geojson gpx kml webvtt srt overlay chapters matroska-chapters edl dwca"
run 2 export csv
tells "-o PATH says where to write; - is standard output"
run 2 export overlay -o x --as ass
tells "--as takes srt or webvtt, not 'ass'"
run 2 export json -o x --table sightings
tells "--table says nothing to json; it goes with csv"
run 2 export csv -o x --video-start 10:00:00:00
tells "--video-start says nothing to csv; it goes with webvtt srt overlay chapters matroska-chapters"
run 2 export chapters -o x --reel A
tells "--reel says nothing to chapters; it goes with edl"
for reel in '' CAMERA-01; do
    run 2 export edl -o x --reel "$reel"
    tells "--reel takes 1 to 8 characters, not '$reel'"
done
run 1 export dwca -o x --dataset none.ini
tells "none.ini: cannot be read: No such file or directory"
[ ! -e x ] || fail "a refused export left a file"
left=$(find . -name '*.part-*' | head -n 1)
[ -z "$left" ] || fail "left behind: $left"
echo "$standing of $total markers and $sighted sightings in 12 formats and a report"
