#!/bin/sh
# The command against a living daemon, with soft keys only: answers and exit codes, a follower that outlives SIGKILL of the daemon, a
# second daemon that is refused, TCP with tokens, the database read directly, and a replay of the tape that gives the same journal.
# Usage: cli_live.sh BUILD
set -eu
build=$(cd "${1:?say the build folder}" && pwd)
plans=$(cd "$(dirname "$0")/../../docs/plans" && pwd)
. "$(dirname "$0")/cli_common"
cli_folder cli
rope=$build/bellrope
cat >"$dir/bellrope.ini" <<END
[store]
file = dive.db
tape = dive.tape
[timecode]
source = time-of-day
rate = 25
[pad science]
port = $dir/no-pad
plan = $plans/science.plan
seat = science
[pad nav]
port = $dir/no-pad-either
plan = $plans/navigator.plan
seat = nav
[socket]
unix = sock
tcp = 127.0.0.1:$((21000 + $$ % 9000))
token_file = tokens
END
printf 'read reader-token-000001\nwrite writer-token-00001\n' >"$dir/tokens"
chmod 600 "$dir/tokens"
printf 'read reader-token-000001\n' >"$dir/reader"
printf 'write writer-token-00001\n' >"$dir/writer"
printf 'write a-wrong-token-000001\n' >"$dir/wrong"
export BELLROPE_CONFIG="$dir/bellrope.ini"

run 1 status
says "no daemon answers"
run 2 whale
run 2 press
run 2 press A1 --whale
run 0 press --help
says "Examples:"
start

"$rope" follow --since 0 --all --json >"$dir/followed" 2>"$dir/follow.log" &
other_pid=$!
run 0 dive begin D007 --site 'north wall'
says "begun D007 (seq 1)"
run 1 dive begin D008
says "D007 is open"
run 0 press A1 --note 'two, small'
says "kept D007-M0001"
run 1 press Z9
says "no key 'Z9'"
run 2 press A1 --ago yesterday
run 2 press A1 --ago 1s --at 00:00:00:00
run 0 press A1 --at "$(date -u +%Y-%m-%dT%H:%M:%SZ)"
run 0 press A2 --json
jq -e '.ref == "D007-M0003" and .seq > 0' "$dir/out" >/dev/null || fail "no JSON answer"
run 0 identify last Crustacea --qualifier indet.
says "identified D007-S"
run 0 remark last 'well seen'
run 0 strike M2 --why slip
run 1 strike M2
says "struck already"
run 0 seat science --who 'R. Ode'
run 0 sample --container 'box 3'
run 1 clap

# Killed and started again: the follower goes on where it was.
kill -9 "$daemon_pid"
wait "$daemon_pid" 2>/dev/null || true
[ -S "$dir/sock" ] || fail "SIGKILL should leave the socket file"
start
run 0 press A3
says "kept D007-M0006"
if "$build/bellroped" --config "$dir/bellrope.ini" >"$dir/second.log" 2>&1; then fail "a second daemon started"; fi
grep -q "$daemon_pid" "$dir/second.log" || fail "the second daemon does not say who holds the place"
run 0 press A1
run 1 dive begin D007
run 0 dive end
run 1 dive begin D007
says "there is a dive D007 already"

# Tables and rows, from the daemon and from the file.
run 0 markers
awk '{ gsub(/±|…/, "x") } length($0) > 100 { exit 1 }' "$dir/out" || fail "a line is longer than 100"
says "7 markers of dive D007"
run 0 markers --json --last 2
[ "$(jq -r .id "$dir/out" | tr '\n' ' ')" = "D007-M0006 D007-M0007 " ] || fail "not the newest two"
run 0 markers --json
cp "$dir/out" "$dir/by-daemon"
run 0 markers --json --db "$dir/dive.db"
cmp -s "$dir/out" "$dir/by-daemon" || fail "daemon and database differ"
run 0 sightings
says "Crustacea indet."
run 0 samples
says "box 3"
run 0 dive list
says "north wall"
run 1 markers --dive D099
says "there is no dive D099"
run 1 markers --db "$dir/none.db"

# TCP: a token first, and a reader only reads.
port=$(sed -n 's/^tcp = //p' "$dir/bellrope.ini")
run 1 status --socket "$port"
says "hello with a token"
run 1 status --socket "$port" --token-file "$dir/wrong"
run 0 status --socket "$port" --token-file "$dir/reader"
run 1 press A1 --socket "$port" --token-file "$dir/reader"
says "may only read"
run 0 press A1 --socket "$port" --token-file "$dir/writer"
says "outside"

# What the follower heard is the journal, byte for byte and without a gap.
last=$(sqlite3 "$dir/dive.db" 'select max(seq) from journal')
tries=0
until [ "$(tail -n 1 "$dir/followed" | jq .seq 2>/dev/null)" = "$last" ]; do
    tries=$((tries + 1))
    [ "$tries" -lt 400 ] || fail "the follower stopped before seq $last"
    sleep 0.05
done
kill "$other_pid"
other_pid=
jq -c .seq "$dir/followed" | awk 'NR != $1 { exit 1 }' || fail "the follower missed or doubled something"

for format in csv json webvtt; do
    run 0 export $format -o "$dir/out.$format" --dive D007
    run 0 export $format -o "$dir/again.$format" --dive D007
    cmp -s "$dir/out.$format" "$dir/again.$format" || fail "two exports as $format differ"
done
[ "$(jq '.markers | length' "$dir/out.json")" = 7 ] || fail "the json export lacks markers"
run 1 export json -o "$dir/none/out.json"
run 2 export pdf -o "$dir/out.pdf"
run 0 dive pack D007 -o "$dir/D007.db"
run 0 markers --db "$dir/D007.db"
says "7 markers of dive D007"

stop
[ ! -e "$dir/sock" ] || fail "the socket file is still there"
run 0 markers
says "no daemon answers; this is what"

run 0 replay "$dir/dive.tape" -o "$dir/replayed.db"
says "runs"
run 1 replay "$dir/dive.tape" -o "$dir/replayed.db"
run 1 replay "$dir/bellrope.ini" -o "$dir/other.db"
for db in dive replayed; do
    sqlite3 "$dir/$db.db" 'select seq, type, dive, ref, event from journal order by seq' >"$dir/$db.journal"
done
cmp -s "$dir/dive.journal" "$dir/replayed.journal" || fail "the replay differs from the dive"
echo "$last journal entries: answered, followed over a kill, listed, exported and replayed alike"
