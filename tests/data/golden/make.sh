#!/bin/sh
# Makes the golden database of the present schema version, once for each version, with the programs of that version; from then on the file
# stays as it is and every later program must read it:  sh tests/data/golden/make.sh BUILD
# A short dive without devices: keys, a sample, a transect, a name, a remark, a slip, late knowledge, telemetry from a file.
set -eu
build=$(cd "$1" && pwd)
here=$(cd "$(dirname "$0")" && pwd)
dir=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-golden.XXXXXX")
pid=
trap '[ -z "$pid" ] || kill -9 "$pid" 2>/dev/null; rm -rf "$dir"' EXIT
cd "$dir"
sentence() { # sentence TEXT: with its checksum
    sum=$(printf '%s' "$1" | od -An -v -tu1 | tr -s ' ' '\n' | awk 'NF { n = $1; r = 0; for (b = 1; b <= 128; b *= 2) if (int(x / b) % 2 != int(n / b) % 2) r += b; x = r } END { printf "%02X", x }')
    printf '$%s*%s\r\n' "$1" "$sum"
}
second=0
while [ "$second" -lt 40 ]; do
    sentence "$(printf 'GPGGA,1235%02d.00,1220.%04d,S,04553.%04d,E,4,12,0.6,5.4,M,,M,,' $second $((7400 + second * 3)) $((5000 + second * 2)))"
    sentence "$(printf 'HEHDT,%d.%d,T' $((270 + second / 10)) $((second % 10)))"
    second=$((second + 1))
done >nav.nmea
cat >a.ini <<INI
[dive]
id = G001
vehicle = Quill
ship = Lantern Gull
site = Hollin Bank
settle_s = 0.1
[store]
file = g.db
[timecode]
source = time-of-day
rate = 25
[pad science]
port = no-pad
plan = $here/../../../docs/plans/science.plan
seat = science
[pad nav]
port = no-pad-either
plan = $here/../../../docs/plans/navigator.plan
seat = nav
[feed bridge]
input = file:nav.nmea
format = nmea
as = ship
[socket]
unix = sock
INI
"$build/bellroped" --config a.ini >log 2>&1 &
pid=$!
until "$build/bellrope" status --config a.ini >/dev/null 2>&1; do
    kill -0 "$pid" 2>/dev/null || { cat log >&2; exit 1; }
    sleep 0.1
done
do_verb() {
    verb=$1
    shift
    "$build/bellrope" "$verb" --config a.ini "$@" >>said
}
do_verb seat science --who "R. Alder"
do_verb press "On bottom" --seat nav
do_verb press Transect --seat nav
do_verb press Fish --seat science --note "two, small"
do_verb press "Good view" --seat science
do_verb press Crustacean --seat science
do_verb sample --container BOX-P --note "grey mud"
do_verb press DONE --seat science
do_verb press Coral --seat science
do_verb press DONE --seat science
do_verb identify S1 Brisinga --qualifier "cf. costata" --by "R. Alder"
do_verb remark last "a remark: é"
do_verb strike S3 --why "a slip"
do_verb press Transect --seat nav
do_verb dive end
do_verb press Fish --seat science
sleep 1.5 # markers settle
kill "$pid"
wait "$pid"
pid=
version=$(sqlite3 g.db 'PRAGMA user_version')
[ ! -e "$here/version-$version.db" ] || { echo "$here/version-$version.db is there and stays as it is" >&2; exit 1; }
sqlite3 g.db "VACUUM INTO '$here/version-$version.db'"
