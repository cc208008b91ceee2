#!/bin/sh
# Our smoother against a textbook one in NumPy (Debian python3-numpy). Usage: track_numpy.sh BUILD
set -eu
build=${1:?say the build folder}
python=/usr/bin/python3
if ! $python -c 'import numpy' 2>/dev/null; then
    echo "skipped: python3-numpy is not installed"
    exit 77
fi
$python "$(dirname "$0")/track_numpy.py" "$build/core_track"
