#!/bin/sh
# Captions of a short live dive read by webvtt-parser (npm, the W3C editors' own parser): no error, one cue for each marker that
# stands, at its time, with its text as it was typed.
# Usage: webvtt_npm.sh BUILD
set -eu
build=$(cd "${1:?say the build folder}" && pwd)
here=$(cd "$(dirname "$0")" && pwd)
. "$here/npm.inc"
for program in bellrope bellroped; do
    [ -x "$build/$program" ] || { echo "skipped: $build/$program is not built"; exit 77; }
done
npm_packages webvtt webvtt-parser@2.2.0
dir=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-vtt.XXXXXX")
daemon_pid=
clean() {
    [ -z "$daemon_pid" ] || kill -9 "$daemon_pid" 2>/dev/null || true
    rm -rf "$dir"
}
trap clean EXIT
cat >"$dir/bellrope.ini" <<END
[store]
file = dive.db
[timecode]
source = time-of-day
rate = 25
[pad science]
port = $dir/no-pad
plan = $here/../../docs/plans/science.plan
seat = science
[socket]
unix = sock
END
"$build/bellroped" --config "$dir/bellrope.ini" >"$dir/log" 2>&1 &
daemon_pid=$!
tries=0
until [ -S "$dir/sock" ]; do
    kill -0 "$daemon_pid" 2>/dev/null || { cat "$dir/log"; exit 1; }
    tries=$((tries + 1))
    [ "$tries" -lt 600 ] || { echo "the daemon did not open its socket"; exit 1; }
    sleep 0.05
done
export BELLROPE_CONFIG="$dir/bellrope.ini"
rope=$build/bellrope
"$rope" dive begin D007 >"$dir/out"
"$rope" press A1 --note 'plain' >"$dir/out"
"$rope" press A2 --note 'a --> b' >"$dir/out"
"$rope" press A3 --note '<b>bold</b> & <i>not</i> &amp; "quoted"' >"$dir/out"
"$rope" press A4 --note 'two
lines, and a blank one

WEBVTT' >"$dir/out"
"$rope" press B1 --note 'Größe 3 µm · 深海' >"$dir/out"
"$rope" press B2 --note 'a slip' >"$dir/out"
"$rope" strike last --why slip >"$dir/out"
"$rope" press A1 --ago 1s >"$dir/out"
i=0
while [ "$i" -lt 15 ]; do
    "$rope" press C2 >"$dir/out"
    i=$((i + 1))
done
"$rope" dive end >"$dir/out"
"$rope" export webvtt -o "$dir/out.vtt"
"$rope" markers --json >"$dir/markers"
"$rope" dive list --json >"$dir/dives"
node "$here/webvtt_npm.js" "$dir/out.vtt" "$dir/markers" "$dir/dives"
