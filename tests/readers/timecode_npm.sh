#!/bin/sh
# Timecode against smpte-timecode, an independent library (npm, MIT). Usage: timecode_npm.sh BUILD
set -eu
build=${1:?say the build folder}
here=$(cd "$(dirname "$0")" && pwd)
. "$here/npm.inc"
if [ ! -x "$build/core_timecode" ]; then
    echo "skipped: $build/core_timecode is not built"
    exit 77
fi
npm_packages timecode smpte-timecode@1.3.6
list=$(mktemp)
trap 'rm -f "$list"' EXIT
"$build/core_timecode" --list >"$list"
node "$here/timecode_npm.js" <"$list"
