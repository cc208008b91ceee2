#!/bin/sh
# The command line by itself: help of every verb, what is refused as wrong usage and with which sentence, sums of timecode, inputs decoded,
# completion scripts that their shells read and that complete, manual pages that a formatter finds nothing wrong with.
#   sh cli_usage.sh BUILD
set -eu
build=$(cd "$1" && pwd)
data=$(cd "$(dirname "$0")/../data/dives" && pwd)
nmea=$(cd "$data/../nmea" && pwd)
. "$(dirname "$0")/cli_common"
cli_begin usage

# ---- help ----
run 0 --version
grep -qxE 'bellrope [0-9]+\.[0-9]+\.[0-9]+' out || fail "no version"
for word in --help help -h; do
    run 0 $word
    silent
    prints "bellrope VERB [options]" "  markers " "  doctor "
done
verbs=$(sed -n 's/^  \([a-z]*\) .*/\1/p' out)
[ "$(echo "$verbs" | wc -l)" -ge 24 ] || fail "help lists few verbs: $verbs"
! echo "$verbs" | grep -qx completion || fail "what only packaging needs is listed"
for verb in $verbs completion manpage; do
    run 0 $verb --help
    silent
    head -n 1 out | grep -q "^bellrope $verb" || fail "$said: the first line does not say how it is called"
    prints "Examples:" "bellrope $verb" "Exit: 0 done, 1 refused or failed, 2 usage."
    cp out help.txt
    run 0 $verb -h
    cmp -s out help.txt || fail "$said: other than --help"
    run 2 $verb --whale
    lines 0
    tells "bellrope $verb: unknown option --whale" "\`bellrope $verb --help\` shows how it is used"
    run 2 $verb -z
    tells "unknown option -z"
done

# ---- wrong usage is told from what fails ----
run 2
lines 0
tells "bellrope VERB [options]"
run 2 whale
tells "there is no verb 'whale'" "bellrope VERB [options]"
run 2 press
tells "bellrope press: too few arguments; it takes: KEY [options]"
run 2 press A1 B1
tells "'B1' is one argument too many; it takes: KEY [options]"
run 2 status now
tells "'now' is one argument too many; it takes: none"
run 2 press A1 --seat
tells "--seat needs a value: SEAT"
run 2 status --json=yes
tells "--json takes no value"
run 2 seat science
tells "--who says who sits there"
run 2 sample
tells "--container says what the sample went into"
run 2 press A1 --ago 3s --at 05:06:07:02
tells "--ago and --at exclude each other"
run 2 press A1 --ago soon
tells "--ago 'soon': give a time such as 20s, 2m30s or 1h"
run 2 press A1 --at 'half past eleven'
tells "give a UTC such as 2031-03-04T05:06:07.089Z or a timecode such as 05:06:07:02"
run 2 sample --container X --at 'half past eleven'
tells "give a UTC such as"
run 2 retime M1
tells "--at UTC says when it was"
run 2 retime M1 --at noon
tells "--at UTC says when it was"
run 2 size S1 --pixels 3
tells "--laser-pixels (between the dots)"
for wrong in 0 -1 x 1x inf 1e999; do
    run 2 size S1 --pixels $wrong --laser-pixels 3
    tells "--pixels '$wrong': must be a number above 0"
done
run 2 size S1 --pixels 1 --laser-pixels 1 --pixel-error -1
tells "--pixel-error '-1': must be a number, 0 or more"
run 2 dive swim
tells "'swim': it is begin, end, list or pack"
run 2 dive begin
tells "begin needs the dive's id"
run 2 dive begin D1 --planned-bottom-min 0
tells "--planned-bottom-min '0': must be a whole number, 1 to 10080"
run 2 dive list D1
tells "'D1' is one argument too many for list"
run 2 dive pack D1
tells "pack needs the dive's id and -o FILE"
run 2 follow --since yesterday
tells "--since 'yesterday': must be a whole number"
run 2 follow --count 0
tells "--count '0': must be a whole number"
run 2 replay x.tape
tells "-o DB says which database to make"
run 2 report
tells "-o FILE.html says where to write"
run 2 report -o x.html --view-width-m wide
tells "'wide' is no width in metres"
run 2 clips a.mp4
tells "-o DIR says where to put the clips"
run 2 clips a.mp4 b.mp4 -o c --video-start 10:00:00:00
tells "--video-start speaks of one video"
run 2 clips a.mp4 -o c --lead-s 2h
tells "--lead-s takes seconds up to an hour, such as 5 or 2.5, not '2h'"
run 2 keys --pitch-mm 3
tells "--pitch-mm '3': must be a number of millimetres, 10 to 60"
run 2 completion fish
tells "'fish': it is bash or zsh"
run 2 manpage whale
tells "there is no verb 'whale'"
run 2 follow -- --whale
tells "'--whale' is one argument too many"

# ---- which daemon, which database ----
mkdir empty
[ -e /etc/bellrope/bellrope.ini ] ||
    (cd empty && run 1 markers && tells "which daemon?" "name one with --config FILE, --socket PATH or --db FILE")
run 1 status
tells "no daemon answers at $dir/socket" "is bellroped running?"
run 1 status --socket "$dir/bellrope.ini"
tells "no daemon answers at $dir/bellrope.ini"
run 1 status --socket "$dir/$(printf '%0120d' 1)"
tells "longer than a unix socket's path may be"
run 1 status --socket "127.0.0.1:1"
tells "no daemon answers at 127.0.0.1:1: Connection refused"
run 1 status --socket "nowhere.invalid:7"
tells "nowhere.invalid:7: "
run 1 status --socket "$(printf '%0300d' 1)"
tells "--socket: a path of at most 255 bytes, not of 300"
run 1 markers --config none.ini
tells "none.ini: cannot be read: No such file or directory"
printf '[dive]\nid = D 1\n' >bad.ini
run 1 markers --config bad.ini
tells "bad.ini:2: [dive] id: 'D 1' is no dive id; accepted:" "bad.ini: 1 problem; see above"
BELLROPE_CONFIG=bad.ini run 1 markers
tells "bad.ini:2: [dive] id"
printf '[store]\nfile = other.db\n' >nosocket.ini
run 1 status --config nosocket.ini
tells "the configuration names no socket; add [socket] unix = PATH to it"
run 1 follow --config nosocket.ini
tells "the configuration names no socket"

# ---- timecode: the values of SMPTE ST 12-1 (docs/timing.md says where they come from) ----
sum() { # sum RESULT ARGUMENTS
    expected=$1
    shift
    run 0 timecode "$@"
    silent
    prints "$expected  frame "
}
sum '00:10:00;00' 17982 --rate 29.97df
sum '00:01:00;02' 00:00:59\;29 --rate 29.97df --add 1
sum '00:00:59;29' 00:01:00\;02 --rate 29.97df --add -1
sum '00:00:00:00' 23:59:59:24 --rate 25 --add 1
sum '23:59:59:24' 0 --rate 25 --add -1
sum '01:00:00:10' 00:59:59:20 --rate 24 --add 00:00:00:14
sum '04:38:03;24' 1000000 --rate 59.94df
run 0 timecode 01:00:00\;00 --rate 29.97df --json
[ "$(jq -r '[.timecode, .rate, .frame] | join(" ")' out)" = "01:00:00;00 29.97df 107892" ] || fail "$said: $(cat out)"
jq -e '(.seconds - 3599.9964) | fabs < 1e-6' out >/dev/null || fail "an hour of labels lasts 3599.9964 s"
run 2 timecode 0
tells "--rate is needed: 23.976 24 25"
run 2 timecode 0 --rate 29.97
tells "say 29.97df (drop-frame) or 29.97ndf"
run 2 timecode 0 --rate 26
tells "--rate '26': 23.976 24 25"
run 1 timecode 00:01:00\;00 --rate 29.97df
tells "drop-frame leaves this label out; the next one ends in ;02"
run 1 timecode 00:00:00:25 --rate 25
tells "a field is too large for this rate"
run 1 timecode soon --rate 25
tells "'soon' at 25: not a label such as 05:06:07:02, and not a count of frames"
run 1 timecode 99999999999999999999 --rate 25
tells "a field is too large for this rate"
run 1 timecode 0 --rate 25 --add later
tells "--add 'later' at 25: not a label"

# ---- decode ----
for kind in valid badsum nosum; do grep -v '^#' "$nmea/$kind.txt" >$kind.txt; done
run 0 decode --format nmea valid.txt
tells " lines: " " good, " ", 0 bad, 0 too long"
[ "$(jq -r .verdict out | sort -u)" = ok ] || fail "$said: not all good: $(jq -r .verdict out | sort | uniq -c)"
jq -se 'any(.[]; .type == "GGA" and .channels["ship.lat_deg"] != null)' out >/dev/null || fail "a position is missing"
jq -se 'any(.[]; .time == "12:35:19.000")' out >/dev/null || fail "a time is missing"
run 0 decode --format nmea --as vehicle valid.txt
jq -se 'any(.[]; .channels["vehicle.heading_deg"] != null)' out >/dev/null || fail "a vehicle's heading is missing"
run 0 decode --format nmea badsum.txt
jq -se 'length > 4 and all(.[]; .verdict != "ok" and (.text | startswith("$")))' out >/dev/null || fail "what is bad is not shown"
grep -q ' 0 good, ' err || fail "bad lines were counted as good"
run 0 decode --format nmea nosum.txt
grep -q ' 0 good, ' err || fail "lines without a checksum were taken unasked"
run 0 decode --format nmea --checksum-optional nosum.txt
grep -q ' 4 good, 1 passed over, 2 bad, ' err || fail "lines without a checksum were not taken: $(cat err)"
printf '$GPGGA,1\n%02000d\n$HEHDT,274.07,T*19' 0 >odd.txt
got=0
"$build/bellrope" decode --format nmea <odd.txt >out 2>err || got=$?
[ "$got" -eq 0 ] || fail "standard input is not decoded"
[ "$(jq -r 'select(.verdict == "ok") | .channels["ship.heading_deg"]' out)" = 274.07 ] || fail "the last line, without an end, is lost"
grep -q '2 lines: 1 good, 0 passed over, 1 bad, 1 too long' err || fail "the count is another: $(cat err)"
printf '# ctd\n  12.5; 4.25\n  12.6;oops\n  12.7\nX 1;2\n' >columns.txt
run 0 decode --format columns --separator semicolon --column '1=vehicle.depth_m' --column '2=water.temperature_C' columns.txt
[ "$(jq -rs 'map(.channels["water.temperature_C"] // empty) | join(" ")' out)" = 4.25 ] || fail "$said: $(cat out)"
tells " 1 good, "
run 0 decode --format columns --separator semicolon --prefix 'X ' --column '2=x.gain' columns.txt
[ "$(jq -rs 'map(.channels["x.gain"] // empty) | join(" ")' out)" = 2 ] || fail "$said: $(cat out)"
run 2 decode
tells "--format must be nmea, columns or ltc"
run 2 decode --format morse x
tells "--format must be nmea, columns or ltc"
run 1 decode --format nmea none.txt
tells "none.txt: No such file or directory"
run 2 decode --format nmea --as whale /dev/null
tells "--as 'whale': ship or vehicle"
run 2 decode --format columns --separator maybe /dev/null
tells "bellrope decode: --separator: "
run 2 decode --format columns --column x /dev/null
tells "--column 'x': give N=CHANNEL, such as 3=water.temperature_C"
run 2 decode --format columns --column '0=vehicle.depth_m' /dev/null
tells "--column 0=vehicle.depth_m: "
run 2 decode --format columns --column '1=vehicle.age' /dev/null
tells "--column 1=vehicle.age: "
run 2 decode --format ltc --rate 26 /dev/null
tells "--rate '26': 23.976 24 25"
run 2 decode --format ltc --sample-rate 7 /dev/null
tells "--sample-rate '7': must be a whole number, 8000 to 384000"
run 1 decode --format nmea "$dir"
tells "$dir: Is a directory"

dd if=/dev/zero of=quiet.raw bs=9600 count=10 2>/dev/null
run 0 decode --format ltc --rate 25 quiet.raw
lines 0
tells "48000 samples: 0 words, 0 of them not of this rate"

# ---- completion, manual pages ----
run 0 completion bash
bash -n out || fail "the completion for bash does not read"
complete() { # complete WORDS EXPECTED: what bash offers for the last word
    got=$(bash -c '. ./complete.bash; COMP_WORDS=('"$1"'); COMP_CWORD=$((${#COMP_WORDS[@]} - 1)); _bellrope; echo "${COMPREPLY[*]}"')
    [ "$got" = "$2" ] || fail "bash offers '$got' for $1, not '$2'"
}
cp out complete.bash
: >D001.db
complete 'bellrope mark' 'markers'
complete 'bellrope dive ""' 'begin end list pack'
complete 'bellrope dive b' 'begin'
complete 'bellrope press --no' '--note'
complete 'bellrope markers --db D00' 'D001.db'
complete 'bellrope press --seat D00' ''
complete 'bellrope doctor D00' 'D001.db'
complete 'bellrope completion' ''
run 0 completion zsh
prints "#compdef bellrope" "--laser-pixels"
if command -v zsh >/dev/null 2>&1; then zsh -n out || fail "the completion for zsh does not read"; fi
mkdir man
run 0 manpage -o man
[ "$(find man -name 'bellrope*.1' | wc -l)" -eq "$(($(echo "$verbs" | wc -l) + 1))" ] || fail "a page for each verb, and one for all of them"
for verb in $verbs; do
    grep -q "bellrope\\\\-$verb (1)" man/bellrope.1 || fail "bellrope(1) does not name $verb"
    grep -q '^\.SH EXAMPLES' "man/bellrope-$verb.1" || fail "bellrope-$verb(1) has no examples"
done
run 0 manpage press
cmp -s out man/bellrope-press.1 || fail "the page on standard output is another"
run 0 manpage
cmp -s out man/bellrope.1 || fail "the main page on standard output is another"
if command -v mandoc >/dev/null 2>&1; then # without a date: the same source makes the same pages
    mandoc -T lint -W warning man/*.1 2>&1 | grep -v 'missing date' >lint.log || true
    [ ! -s lint.log ] || fail "mandoc has something to say about the manual pages"
fi
if command -v groff >/dev/null 2>&1; then
    groff -man -ww -z man/*.1 >lint.log 2>&1
    [ ! -s lint.log ] || fail "groff has something to say about the manual pages"
fi
run 1 manpage -o none
tells "none/bellrope.1 cannot be made: No such file or directory"
echo "$(echo "$verbs" | wc -l) verbs helped, refused, completed and described"
