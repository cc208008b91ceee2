#!/bin/sh
# The core's short geodesy against PROJ's geodesic.h (Debian libproj-dev). Usage: geo_proj.sh BUILD
set -eu
: "${1:?say the build folder}"
here=$(cd "$(dirname "$0")" && pwd)
core=$here/../../daemon
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
if ! echo '#include <geodesic.h>' | ${CC:-cc} -E - >/dev/null 2>&1; then
    echo "skipped: libproj-dev is not installed"
    exit 77
fi
${CC:-cc} -O2 -I"$core" "$here/geo_proj.c" "$core/core/geo.c" -lproj -lm -o "$work/geo_proj"
"$work/geo_proj"
