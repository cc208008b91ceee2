#!/bin/sh
# Timecode against smpte-timecode, an independent library (npm, MIT). Usage: timecode_npm.sh BUILD
set -eu
build=${1:?say the build folder}
here=$(cd "$(dirname "$0")" && pwd)
version=1.3.6
if ! command -v node >/dev/null || ! command -v npm >/dev/null; then
    echo "skipped: node and npm are not installed"
    exit 77
fi
if [ ! -x "$build/core_timecode" ]; then
    echo "skipped: $build/core_timecode is not built"
    exit 77
fi
packages=$build/npm-timecode
if [ ! -d "$packages/node_modules/smpte-timecode" ]; then
    mkdir -p "$packages"
    if ! npm install --silent --no-audit --no-fund --ignore-scripts --prefix "$packages" "smpte-timecode@$version" >/dev/null 2>&1; then
        echo "skipped: npm cannot fetch smpte-timecode@$version"
        exit 77
    fi
fi
list=$(mktemp)
trap 'rm -f "$list"' EXIT
"$build/core_timecode" --list >"$list"
NODE_PATH=$packages/node_modules node "$here/timecode_npm.js" <"$list"
