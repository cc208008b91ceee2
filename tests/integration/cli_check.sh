#!/bin/sh
# `bellroped --check` before the dive, and what the daemon says while it runs: every kind of port, input and file that is missing or wrong is told
# with its line; nothing is made; what --check calls good starts. Then a dive that is there already, key plans and a list of names read again
# on SIGHUP, and a tape named on the command line.
#   sh cli_check.sh BUILD
set -eu
build=$(cd "$1" && pwd)
data=$(cd "$(dirname "$0")/../data/dives" && pwd)
. "$(dirname "$0")/cli_common"
cli_begin check

# check CODE ARGUMENTS: bellroped must end with CODE
check() {
    code=$1
    shift
    ends "$code" bellroped "$@"
}
# until_said TEXT
until_said() {
    tries=0
    until grep -qF -e "$1" daemon.log; do
        kill -0 "$daemon_pid" 2>/dev/null || fail "the daemon ended before it said: $1"
        tries=$((tries + 1))
        [ "$tries" -lt 1200 ] || fail "the daemon never said: $1"
        sleep 0.05
    done
}

check 2 --config bellrope.ini more
tells "'more': no such argument" "usage: bellroped"
check 2 --nonsense
tells "usage: bellroped"

# ---- what is not there yet is waited for; what is wrong is wrong ----
cat >notes.ini <<END
[store]
file = dive.db
tape = dive.tape
[timecode]
source = ltc
rate = 25
input = fifo:no.fifo
[pad usb]
port = usb:1209:0001:NONE
plan = science.plan
[pad numbers]
port = evdev:no-event
plan = navigator.plan
[pad line]
port = no-port
plan = science.plan
[feed ctd]
input = serial:no-line@9600
format = nmea
as = vehicle
[feed log]
input = file:no.txt
format = nmea
as = ship
[feed net]
input = udp:127.0.0.1:$port
format = nmea
as = ship
[socket]
unix = socket
END
check 0 --config notes.ini --check
silent
prints "note: notes.ini:7: [timecode] input: no.fifo: " "note: notes.ini:9: [pad usb] port: usb:1209:0001:NONE: not plugged in; the daemon will wait for it" \
    "note: notes.ini:12: [pad numbers] port: no-event: " "note: notes.ini:15: [pad line] port: no-port: No such file or directory" \
    "note: notes.ini:18: [feed ctd] input: no-line: " "note: notes.ini:22: [feed log] input: no.txt: No such file or directory" "notes.ini: good; 3 pads, 3 feeds, dive.db"
[ "$(grep -c '^note: ' out)" -eq 6 ] || fail "$said: other notes: $(cat out)"
mkfifo no.fifo
: >no.txt
check 0 --config notes.ini --check
[ "$(grep -c '^note: ' out)" -eq 4 ] || fail "$said: what is there is noted as missing: $(cat out)"
[ ! -e dive.db ] && [ ! -e dive.tape ] && [ ! -e socket ] || fail "--check made a file"

wrong() { # wrong SED-EXPRESSION MESSAGE: with that change it is wrong, and would not start
    sed "$1" notes.ini >wrong.ini
    check 1 --config wrong.ini --check
    grep -qF -e "$2" out err || fail "with $1 it is not said: $2"
    prints "wrong.ini: 1 wrong"
}
wrong 's|^file = dive.db|file = none/dive.db|' "wrong.ini:2: [store] file: none/dive.db cannot be made: none: No such file or directory; accepted: a path in a folder that can be written"
wrong 's|^tape = dive.tape|tape = none/dive.tape|' "wrong.ini:3: [store] tape: none/dive.tape cannot be made: none: No such file or directory"
wrong 's|^tape = dive.tape|tape = science.plan|' "wrong.ini:3: [store] tape: science.plan "
wrong 's|^file = dive.db|file = science.plan|' "wrong.ini:2: [store] file: science.plan is no database"
wrong 's|^plan = navigator.plan|plan = none.plan|' "none.plan: cannot be read: No such file or directory"
wrong 's|^unix = socket|unix = socket\ntoken_file = none|' "[socket] token_file: none cannot be read: No such file or directory"
wrong 's|^\[store\]|[dive]\nchecklist = none.tsv\n[store]|' "wrong.ini:2: [dive] checklist: none.tsv"
wrong 's|^\[store\]|[dive]\nchecklist = science.plan\n[store]|' "accepted: a Darwin Core Taxon table, tab-separated, with scientificName"

# ---- a daemon that is refused says the same ----
for change in 's|^file = dive.db|file = none/dive.db|' 's|^tape = dive.tape|tape = science.plan|' 's|^plan = navigator.plan|plan = none.plan|' 's|^unix = socket|unix = science.plan|'; do
    sed "$change" notes.ini >wrong.ini
    rm -f dive.db* dive.tape
    check 1 --config wrong.ini
    grep -qE 'wrong.ini:[0-9]+: \[|none.plan: ' err || fail "$said with $change: it does not say where: $(cat err)"
done
grep -q 'label = ' science.plan || fail "a file that was in the way of the socket was lost"

# ---- it starts; what it says is as --check said ----
printf 'scientificName\tacceptedNameUsage\nBrisinga costata\t\n' >names.tsv
cat >bellrope.ini <<END
[dive]
id = D1
checklist = names.tsv
[store]
file = dive.db
[pad science]
port = no-port
plan = science.plan
seat = science
[socket]
unix = socket
END
rm -f dive.db* dive.tape
check 0 --config bellrope.ini --check
"$build/bellroped" --config bellrope.ini --tape line.tape >>daemon.log 2>&1 &
daemon_pid=$!
until_said "dive D1"
until "$build/bellrope" status >out 2>err; do sleep 0.05; done
grep -qE '^[-!] tape +line.tape' out || fail "status does not name the tape of the command line: $(cat out)"
grep -q 'checklist: names.tsv: 1 names' daemon.log || fail "the list of names is not read"
run 0 press Fish
prints "kept D1-M0001"
run 0 identify S1 'brisinga costata'
is "the list's spelling" "Brisinga costata|1" "SELECT name || '|' || listed FROM identification"
check 0 --config bellrope.ini --check
check 1 --config bellrope.ini
tells "process $daemon_pid"

# read again: a list that grew, a list that is broken, a plan that is broken
printf 'scientificName\tacceptedNameUsage\nBrisinga costata\t\nGersemia clavata\t\n' >names.tsv
kill -HUP "$daemon_pid"
until_said "names.tsv: 2 names"
run 0 identify S1 'gersemia  clavata'
is "the new list's spelling" "Gersemia clavata|1" "SELECT name || '|' || listed FROM identification ORDER BY seq DESC LIMIT 1"
rm names.tsv
cp science.plan kept.plan
printf '[key A1]\nkind = whale\n' >science.plan
kill -HUP "$daemon_pid"
until_said "the one in force stays"
until_said "key plan science.plan has errors; the one in force stays"
grep -q 'checklist: .*the one in force stays' daemon.log || fail "a list that is gone is not told: $(cat daemon.log)"
run 0 identify S1 'brisinga costata'
is "the list in force" "Brisinga costata|1" "SELECT name || '|' || listed FROM identification ORDER BY seq DESC LIMIT 1"
cp kept.plan science.plan
run 0 dive end
stop
[ ! -e socket ] || fail "the socket file was left behind"

# the database has the dive: another is begun by hand, and the log says so
: >daemon.log
start
grep -q "dive D1: not begun, because the database has it already; \`bellrope dive begin\` opens a new one" daemon.log || fail "it is not said that the dive is there: $(cat daemon.log)"
run 0 status
prints "no dive is open"
run 0 dive begin D2
stop
: >daemon.log
start
run 0 status
prints "D2"
run 1 dive begin D1
run 0 replay line.tape -o again.db
for db in dive again; do sqlite3 -readonly $db.db "SELECT seq, event FROM journal WHERE seq <= (SELECT seq FROM journal WHERE type = 'dive' AND dive = 'D1' ORDER BY seq DESC LIMIT 1) ORDER BY seq" >$db.journal; done
[ -s dive.journal ] && cmp -s dive.journal again.journal || fail "the tape of the command line gives another record"
stop
echo "ports, inputs and files told with their line; lists and plans read again"
