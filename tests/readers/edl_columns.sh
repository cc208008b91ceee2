#!/bin/sh
# Cut lists by the rules of their columns, timecodes by smpte-timecode (npm, MIT). Usage: edl_columns.sh BUILD
set -eu
build=${1:?say the build folder}
here=$(cd "$(dirname "$0")" && pwd)
. "$here/npm.inc"
npm_packages timecode smpte-timecode@1.3.6
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
for rate in 23.976 24 25 29.97df 29.97ndf 30 50 59.94df 59.94ndf 60; do
    export_dive "$rate"
    dive_export edl "$work/dive.edl" --reel CAM1
    node "$here/edl_columns.js" "$work/dive.edl" "$rate"
done
