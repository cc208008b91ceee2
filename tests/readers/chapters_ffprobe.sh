#!/bin/sh
# Chapters against ffmpeg and ffprobe: read as text, and written into an MP4 and read from there. Usage: chapters_ffprobe.sh BUILD
set -eu
build=${1:?say the build folder}
here=$(cd "$(dirname "$0")" && pwd)
. "$here/npm.inc"
needs ffmpeg ffmpeg
needs jq jq
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
export_dive 29.97df
dive_export chapters "$work/dive.ffmeta"
dive_export chapters "$work/tc.ffmeta" --video-start '10:00:00;00'
ffmpeg -v error -f lavfi -i color=size=32x32:rate=1:duration=1205 -pix_fmt yuv420p "$work/blank.mp4"
for from in dive tc; do
    ffmpeg -v error -i "$work/blank.mp4" -i "$work/$from.ffmeta" -map_metadata 1 -map_chapters 1 -codec copy "$work/$from.mp4"
    ffprobe -v error -f ffmetadata -show_chapters -of json "$work/$from.ffmeta" >"$work/$from.text.json"
    ffprobe -v error -show_chapters -of json "$work/$from.mp4" >"$work/$from.mp4.json"
done
# start and end in s, and title; the struck span and sighting are not there
cat >"$work/expected" <<'END'
0 60 D007
60 100 On bottom (D007-T001)
100 110 Transect 1 (D007-T002)
110 130 Fish: Exemplaria ficta cf. (D007-S001)
150 180 Sponge (D007-S002)
300 330 Große Qualle (D007-S004)
900 1200 Fish (D007-S005)
END
jq -r '.chapters[] | "\(.start_time | tonumber) \(.end_time | tonumber) \(.tags.title)"' "$work/dive.text.json" >"$work/got"
diff "$work/expected" "$work/got"
# MP4 keeps starts and titles and ends each chapter at the next
jq -r '.chapters[] | "\(.start_time | tonumber) \(.tags.title)"' "$work/dive.mp4.json" >"$work/got"
sed 's/ [0-9]* / /' "$work/expected" | diff - "$work/got"
# by timecode the same: markers know how far into their frame they lie
jq -n --slurpfile a "$work/dive.text.json" --slurpfile b "$work/tc.text.json" -e '
    [range($a[0].chapters | length)] | all(. as $i |
        ($a[0].chapters[$i].start - $b[0].chapters[$i].start) / 1e9 | fabs < 0.001)' >/dev/null ||
    { echo "chapters by timecode are more than a millisecond from those by UTC"; exit 1; }
echo "$(wc -l <"$work/expected") chapters read back by ffprobe from the text and from an MP4"
