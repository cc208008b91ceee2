#!/bin/sh
# Sea water against gsw, the TEOS-10 library (Debian python3-gsw). Usage: seawater_gsw.sh BUILD
set -eu
build=${1:?say the build folder}
python=/usr/bin/python3
if ! $python -c 'import gsw' 2>/dev/null; then
    echo "skipped: python3-gsw is not installed"
    exit 77
fi
grid=$(mktemp)
trap 'rm -f "$grid"' EXIT
"$build/core_seawater" --grid >"$grid"
$python "$(dirname "$0")/seawater_gsw.py" <"$grid"
