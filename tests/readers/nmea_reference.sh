#!/bin/sh
# Our NMEA decoder against python3-nmea2 and gpsd's gpsdecode (Debian gpsd-clients).
# Usage: nmea_reference.sh BUILD [COUNT] [SEED]
set -eu
build=${1:?say the build folder}
count=${2:-22000}
seed=${3:-20310304}
here=$(cd "$(dirname "$0")" && pwd)
python=/usr/bin/python3
if ! $python -c 'import pynmea2' 2>/dev/null; then
    echo "skipped: python3-nmea2 is not installed"
    exit 77
fi
if ! command -v gpsdecode >/dev/null; then
    echo "skipped: gpsdecode (gpsd-clients) is not installed"
    exit 77
fi
$python "$here/nmea_reference.py" "$build/core_nmea" "$here/../data/nmea" "$count" "$seed"
