#!/bin/sh
# A tape of three runs, the first two killed with SIGKILL right after a press was kept, makes the same record again: journal and tables,
# byte for byte.
#   sh daemon_tape.sh BUILD
set -eu
build=$(cd "$1" && pwd)
. "$(dirname "$0")/daemon_common"
daemon_folder tape sqlite3

ask() {
    "$build/bellrope" "$@" --config a.ini >>ask.log 2>&1 || fail "bellrope $*"
}

start() {
    "$build/bellroped" --config a.ini >>daemon.log 2>&1 &
    pid=$!
    until "$build/bellrope" status --config a.ini >status.log 2>&1; do
        kill -0 "$pid" 2>/dev/null || fail "the daemon ended by itself"
        sleep 0.05
    done
}

killed() {
    kill -9 "$pid"
    wait "$pid" 2>/dev/null || true
    pid=
}

printf '[plan]\ntitle = Short\n[key A1]\nkind = subject\nlabel = Fish\nlead_s = 5\n[key A2]\nkind = done\nlabel = Done\n' >a.plan
printf '[key A3]\nkind = detail\nlabel = Feeding\n' >>a.plan
cat >a.ini <<END
[dive]
id = D1
vehicle = Heron
[store]
file = a.db
tape = a.tape
[pad a]
port = nothing
plan = a.plan
seat = science
[feed log]
input = file:nmea.txt
format = nmea
as = vehicle
[socket]
unix = a.sock
END
printf '$GPGGA,092750.000,5321.6802,N,00630.3372,W,1,8,1.03,61.7,M,55.3,M,,*77\r\n$HEHDT,274.07,T*19\r\nnoise\r\n' >nmea.txt

start
ask press Fish --seat science
ask press Feeding --seat science
ask remark D1-M0001 "white, about a hand long"
killed
start
ask press Fish --seat science
ask strike D1-M0003 --why "a slip"
killed
start
ask press Done --seat science
ask dive end
ended=0
kill "$pid"
wait "$pid" || ended=$?
pid=
[ "$ended" -eq 0 ] || fail "exit $ended on SIGTERM"

"$build/bellrope" replay a.tape -o b.db >replay.log 2>&1 || fail "replay"
for table in journal marker settled sighting remark strike dive notice; do
    sqlite3 a.db "SELECT * FROM $table" >a.txt
    sqlite3 b.db "SELECT * FROM $table" >b.txt
    cmp -s a.txt b.txt || { diff a.txt b.txt >diff.log || true; fail "table $table differs"; }
done
rows=$(sqlite3 a.db "SELECT count(*) FROM journal")
[ "$rows" -gt 8 ] || fail "only $rows journal rows"
echo "$rows journal rows of three runs came out the same"
