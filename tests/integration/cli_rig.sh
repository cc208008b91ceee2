#!/bin/sh
# bellrope-rig as it is called: its options and what it says of wrong ones, presses that no daemon takes, a recorder that is made faint, noisy,
# stopped and started on a tape, what cannot be opened or written, and the comparison as text, table and JSON.
#   sh cli_rig.sh BUILD
set -eu
build=$(cd "$1" && pwd)
data=$(cd "$(dirname "$0")/../data/dives" && pwd)
. "$(dirname "$0")/cli_common"
cli_begin rig

# rig CODE ARGUMENTS: bellrope-rig must end with CODE
rig() {
    code=$1
    shift
    ends "$code" bellrope-rig "$@"
}

# ---- how it is called ----
rig 0 --help
prints "usage: bellrope-rig --script FILE" "Exit: 0 every press kept"
cp out usage.txt
for wrong in "" --nonsense "--script" "--tape x.tape --script y" "--config x --script y" "more --script y" "--compare a.db" "--compare a.db b c"; do
    rig 2 $wrong
    lines 0
    grep -q 'usage: bellrope-rig' err || fail "$said: no usage"
done
rig 2 --script none.rig
tells "bellrope-rig: none.rig: No such file or directory"
printf 'pad a\nat 1 whale\nat x end\n' >wrong.rig
rig 2 --script wrong.rig
tells "wrong.rig:2: 'whale' is none of" "wrong.rig:3: at: 'x' is no length of time"
rig 2 --random 5 --pads 'a/b' --for 1
tells "--pads:1: " "'a/b' is no name"
rig 2 --random many --pads a --for 1
tells "--random:1: random: 'many' is not a whole number"
rig 2 --random 5 --pads a --for long
tells "--random:1: for: 'long' is no length of time"
printf 'pad a serial P-1\nlimit 0.2\nat 0.1 pad a key A1\nat 0.3 end\n' >one.rig
for udp in nowhere 127.0.0.1:0 127.0.0.1:65533; do
    rig 2 --script one.rig --udp "$udp"
    tells "--udp: '$udp' is no HOST:PORT with room for 4 ports"
done
rig 2 --script one.rig --seed lucky
tells "--seed: 'lucky' is not a whole number"
rig 2 --script one.rig --config bellrope.ini --tape x.tape --hours many
tells "--hours: 'many' is not a number from 0 to 1000"

# ---- live, with nobody to take what is pressed ----
mkdir rig
rig 1 --script one.rig --dir rig --truth truth.jsonl
prints "pad a (P-1): 1 presses, 0 kept, 1 WAITING"
jq -se 'map(select(.type == "press")) | length == 1 and .[0].key == "A1"' truth.jsonl >/dev/null || fail "the truth lacks the press"
jq -se 'map(select(.type == "end")) | .[0].made == 1 and .[0].kept == 0' truth.jsonl >/dev/null || fail "the truth has no end"
rig 2 --script one.rig --dir rig --truth none/truth.jsonl
tells "bellrope-rig: none/truth.jsonl: No such file or directory"
rig 2 --script one.rig --dir rig --truth /dev/full
tells "bellrope-rig: /dev/full: not all of the truth could be written"
printf 'ship to ship.invalid:5000\n' >name.rig
rig 2 --script name.rig --dir rig
tells "bellrope-rig: ship: 'ship.invalid' is no IPv4 address"
printf 'recorder to none/ltc.fifo\n' >nofifo.rig
rig 2 --script nofifo.rig --dir rig
tells "rig/none/ltc.fifo: No such file or directory"
printf 'pad quiet\nat 0.1 say all is quiet\nat 0.2 end\n' >says.rig
rig 0 --script says.rig --dir rig
grep -q 'all is quiet' out err || fail "$said: it does not say it"
rig 0 --script says.rig --dir rig --quiet
! grep -q 'all is quiet' out err || fail "$said: it says it"
"$build/bellrope-rig" --script says.rig --dir rig --stay >stay.out 2>stay.log &
other_pid=$!
until grep -q 'all is quiet' stay.out stay.log; do kill -0 "$other_pid" || fail "it did not stay"; sleep 0.05; done
kill "$other_pid"
code=0
wait "$other_pid" || code=$?
other_pid=
[ "$code" -eq 0 ] || fail "SIGTERM ended it with $code"

# ---- a tape: the recorder is made faint and noisy, its audio ends and begins again, timecode jumps back ----
cat >recorder.rig <<'END'
seed 3
pad science serial P-01
pad nav serial P-02
ship
acoustic
vehicle
ctd
recorder rate 29.97df start 09:59:40;00 noise 40dB
at 4 pad science key A1
at 6 recorder level -40
at 7 pad science key C2
at 8 recorder noise 25
at 9 pad science key D3
at 10 recorder noise off
at 11 recorder silent 1
at 14 pad nav key A1
at 15 recorder stop
at 17 pad nav key A2
at 18 recorder start
at 23 pad nav key B2
at 24 recorder jump -00:00:05;00
at 30 pad nav key B2
at 32 end
END
tape() { "$build/bellrope-rig" --script recorder.rig --config bellrope.ini --udp "127.0.0.1:$port" "$@"; }
tape --tape a.tape --truth a.jsonl >out 2>err || fail "no tape"
said="the tape"
prints "7 presses, 7 kept"
tape --tape b.tape --truth b.jsonl --hours 0.02 >out 2>err || fail "no longer tape"
[ "$(wc -c <b.tape)" -gt "$(wc -c <a.tape)" ] || fail "--hours makes no longer tape"
tape --tape c.tape --seed 4 >out 2>err || fail "no tape of another seed"
cmp -s a.tape c.tape && fail "--seed makes no difference"
run 0 replay a.tape -o dive.db
is "the recorder that was stopped and jumped is told" 1 "SELECT count(*) >= 2 FROM notice WHERE type = 'timecode' AND state IN ('audio ended', 'jumped')"
rig 0 --compare dive.db a.jsonl
prints "presses made" "lost                                      0" "markers outside their bound" "worst depth error"
rig 0 --compare dive.db a.jsonl --table
[ "$(grep -c ' P-0[12] .* A[12] \| P-0[12] .* [BCD][0-9] ' out)" -ge 6 ] || fail "$said: a line a press"
rig 0 --compare dive.db a.jsonl --by-pad
prints "P-01" "P-02" "bound ms: median"
rig 0 --compare dive.db a.jsonl --json
jq -e '.right and .lost == 0 and .doubled == 0 and .frames_outside == 0' out >/dev/null || fail "$said: $(cat out)"
run 0 doctor a.tape
prints "timecode"

rig 2 --script recorder.rig --config none.ini --tape x.tape
tells "none.ini: cannot be read: No such file or directory"
sed 's|^plan = .*science.plan|plan = none.plan|' bellrope.ini >noplan.ini
rig 2 --script recorder.rig --config noplan.ini --tape x.tape
tells "none.plan: cannot be read"
rig 2 --script recorder.rig --config bellrope.ini --tape none/x.tape
tells "bellrope-rig: none/x.tape: "
rig 2 --script recorder.rig --config bellrope.ini --tape x.tape --truth none/x.jsonl
tells "bellrope-rig: none/x.jsonl: No such file or directory"
rig 2 --script recorder.rig --config bellrope.ini --tape x.tape --truth /dev/full
tells "bellrope-rig: /dev/full: not all of the truth could be written"
[ -c /dev/full ] || fail "/dev/full is no device any more"
for wrong in none.jsonl dive.db bellrope.ini; do
    rig 2 --compare dive.db $wrong
    [ -s err ] || fail "$said: it does not say why"
done
echo "the rig's options, its refusals, its tapes and its comparison"
