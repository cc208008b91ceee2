#!/bin/sh
# Captions and overlays against webvtt-parser and srt-parser-2 (npm, CC0 and MIT) and ffprobe. Usage: captions_npm.sh BUILD
set -eu
build=${1:?say the build folder}
here=$(cd "$(dirname "$0")" && pwd)
. "$here/npm.inc"
needs sqlite3 sqlite3
needs ffprobe ffmpeg
npm_packages captions webvtt-parser@2.2.0 srt-parser-2@1.2.3
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
for rate in 25 29.97df 59.94df; do
    export_dive "$rate"
    sqlite3 -readonly -json "$work/dive.db" \
        "SELECT ref, label, note, utc_ns / 1000000 AS ms, timecode_frame AS frame FROM marker_now
         WHERE NOT struck AND utc_ns IS NOT NULL ORDER BY utc_ns" >"$work/markers.json"
    for how in utc timecode; do
        start=
        [ "$how" = timecode ] && start=--video-start=10:00:00:00
        dive_export webvtt "$work/$how.vtt" $start
        dive_export srt "$work/$how.srt" $start
        dive_export overlay "$work/overlay-$how.vtt" $start
        dive_export overlay "$work/overlay-$how.srt" --as srt $start
        for file in "$how.vtt" "$how.srt" "overlay-$how.vtt" "overlay-$how.srt"; do
            read=$(ffprobe -v error -count_packets -show_entries stream=nb_read_packets -of csv=p=0 "$work/$file")
            echo "$file $read" >>"$work/packets"
        done
    done
    node "$here/captions_npm.js" "$work" "$rate"
    rm "$work/packets"
done
