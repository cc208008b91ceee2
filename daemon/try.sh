#!/bin/sh
# Installs what is missing, builds, and runs a live simulated dive of about a minute:  sh daemon/try.sh
#   TRY_OUT=DIR   where to leave what it makes; default: try-out/
# Two keypads with the real firmware, a ship, a vehicle and a recorder are played by bellrope-rig; bellroped records them. One pad is
# pulled with presses waiting in it, and the daemon is killed once. At the end every marker is compared with what really happened.
set -eu
cd "$(dirname "$0")/.."
out=${TRY_OUT:-try-out}
stamp=.bellrope-try

say() { printf '%s\n' "$*"; }
head_line() { printf '\n== %s\n' "$*"; }

# ---- a folder of our own ----
if [ -e "$out" ] && [ ! -e "$out/$stamp" ] && [ -n "$(ls -A "$out" 2>/dev/null)" ]; then
    echo "try.sh: $out is there and is not from an earlier try; name another place with TRY_OUT=DIR" >&2
    exit 1
fi
rm -rf "$out"
mkdir -p "$out/rig" "$out/log"
: >"$out/$stamp"
out=$(cd "$out" && pwd)

# ---- what it needs, and the build ----
sh daemon/packages.sh build
say "Building in build/ ..."
if ! { cmake -S . -B build -G Ninja -DCMAKE_BUILD_TYPE=Release -DBELLROPE_TESTS=OFF && cmake --build build; } >"$out/log/build.log" 2>&1; then
    tail -n 30 "$out/log/build.log" >&2
    echo "try.sh: the build failed; all of it is in $out/log/build.log" >&2
    exit 1
fi
bin=$PWD/build

# ---- configuration ----
port=$((20000 + $$ % 5000 * 8))
socket=$out/bellrope.sock
run=
# a unix socket's path has at most 107 bytes
if [ "${#socket}" -gt 100 ]; then
    run=$(mktemp -d)
    socket=$run/bellrope.sock
fi
cat >"$out/bellrope.ini" <<INI
; Written by daemon/try.sh. docs/configuration.md explains every key.
[dive]
id = T001
vehicle = Quill
ship = Lantern Gull
site = Hollin Bank

[store]
file = dive.db
tape = dive.tape

; the ship's receiver sends ZDA 0.12 s after the second that it names
[utc]
source = feed:bridge
delay_min_ms = 115
delay_max_ms = 145

[timecode]
source = ltc
rate = 25
input = fifo:rig/ltc.fifo
sample_rate = 48000
latency_min_ms = 0
latency_max_ms = 3

[pad science]
port = rig/pad-science
plan = $PWD/docs/plans/science.plan
seat = science

[pad nav]
port = rig/pad-nav
plan = $PWD/docs/plans/navigator.plan
seat = nav

[feed bridge]
input = udp:127.0.0.1:$port
format = nmea
as = ship
latency_ms = 120
stale_ms = 4000

; acoustic positions of the vehicle: every 2 s, 1.6 s late
[feed acoustic]
input = udp:127.0.0.1:$((port + 1))
format = nmea
as = vehicle
latency_ms = 1600
stale_ms = 10000

[feed vehicle]
input = udp:127.0.0.1:$((port + 2))
format = nmea
as = vehicle
stale_ms = 2000

[feed ctd]
input = udp:127.0.0.1:$((port + 3))
format = columns
as = vehicle
stale_ms = 2000
separator = comma
column.1 = water.pressure_dbar dbar
column.2 = water.temperature_C
column.3 = water.conductivity_mS_cm

[socket]
unix = $socket
INI
if ! "$bin/bellroped" --config "$out/bellrope.ini" --check >"$out/log/check.log" 2>&1; then
    cat "$out/log/check.log" >&2
    exit 1
fi

# ---- what the camera sees: small, drawn, with the recorder's own timecode from its first frame ----
video() {
    ffmpeg -nostdin -v error -y -f lavfi -i "$1" -c:v libx264 -preset veryfast -g 50 -pix_fmt yuv420p \
        -timecode 10:20:30:00 "$out/dive.mp4" 2>>"$out/log/video.log"
}
seabed="gradients=s=320x180:r=25:d=51:c0=0x02161f:c1=0x14566b:x0=0:y0=0:x1=320:y1=180:speed=0.02"
counter="drawtext=timecode='10\:20\:30\:00':rate=25:fontcolor=white:fontsize=20:x=(w-tw)/2:y=12"
video "$seabed,$counter" || video "testsrc=s=320x180:r=25:d=51" || {
    tail -n 5 "$out/log/video.log" >&2
    echo "try.sh: ffmpeg could not draw the video; see $out/log/video.log" >&2
    exit 1
}

# ---- the processes ----
rig=
daemon=
follow=
clean() {
    status=$?
    trap - EXIT
    for pid in $follow $daemon $rig; do kill "$pid" 2>/dev/null || true; done
    [ -z "$run" ] || rm -rf "$run"
    exit "$status"
}
trap clean EXIT
trap 'exit 130' INT TERM

start_daemon() {
    "$bin/bellroped" --config "$out/bellrope.ini" 2>>"$out/log/daemon.log" &
    daemon=$!
}

# Until the rig's script says the word.
wait_signal() {
    until grep -q "\"type\":\"signal\".*\"text\":\"$1\"" "$out/truth.jsonl" 2>/dev/null; do
        if ! kill -0 "$rig" 2>/dev/null; then
            cat "$out/log/rig.log" >&2
            echo "try.sh: the rig ended too early; its words are above" >&2
            exit 1
        fi
        sleep 0.05
    done
}

head_line "A live dive of 50 s on the invented seamount Hollin Bank; markers as they come"
"$bin/bellrope-rig" --script tests/data/dives/try.rig --dir "$out/rig" --truth "$out/truth.jsonl" --udp "127.0.0.1:$port" \
    2>"$out/log/rig.log" &
rig=$!
start_daemon
"$bin/bellrope" follow --config "$out/bellrope.ini" --since 0 2>"$out/log/follow.log" &
follow=$!

wait_signal kill
if ! kill -9 "$daemon" 2>/dev/null; then
    tail -n 20 "$out/log/daemon.log" >&2
    echo "try.sh: the daemon ended by itself; its last words are above, all in $out/log/daemon.log" >&2
    exit 1
fi
wait "$daemon" 2>/dev/null || true
say "-- the daemon is killed (SIGKILL); keys go on being pressed"
wait_signal start
say "-- the daemon is started again; what waited in the pads comes now, each with the instant of its key-down"
start_daemon

rig_ended=0
wait "$rig" || rig_ended=$?
rig=
sleep 3 # the last acoustic positions are late
kill "$follow" 2>/dev/null || true
follow=
"$bin/bellrope" dive end --config "$out/bellrope.ini" >"$out/log/end.log" 2>&1 || cat "$out/log/end.log" >&2
memory=$(awk '/^VmRSS/ { printf "%.1f MB", $2 / 1024 }' "/proc/$daemon/status" 2>/dev/null || echo "not known")
daemon_ended=0
kill "$daemon"
wait "$daemon" || daemon_ended=$?
daemon=
[ "$daemon_ended" -eq 0 ] || say "try.sh: the daemon ended with $daemon_ended; see $out/log/daemon.log"

# ---- the comparison, the exports ----
head_line "The record against what really happened"
verdict=0
"$bin/bellrope-rig" --compare "$out/dive.db" "$out/truth.jsonl" || verdict=$?
printf '  %-36s %6s\n' "memory of the daemon at the end" "$memory"
[ "$rig_ended" -eq 0 ] || verdict=1
[ "$daemon_ended" -eq 0 ] || verdict=1

# VERB ARGUMENTS...: of the dive; what it says goes to the log, and is shown where it fails
leave() {
    verb=$1
    shift
    "$bin/bellrope" "$verb" "$@" --db "$out/dive.db" --dive T001 >"$out/log/$verb.log" 2>&1 || {
        echo "try.sh: bellrope $verb $* failed:" >&2
        cat "$out/log/$verb.log" >&2
        verdict=1
    }
}
leave clips "$out/dive.mp4" -o "$out/clips"
sed -n "\$p" "$out/log/clips.log"
leave export csv -o "$out/T001.csv"
leave export json -o "$out/T001.json"
leave export webvtt --video-start 10:20:30:00 -o "$out/dive.vtt"
leave export edl --reel CAM1 -o "$out/T001.edl"
leave report --clips "$out/clips" -o "$out/T001.html"

shown=${TRY_OUT:-try-out}
head_line "What it left in $shown/"
cat <<END
  dive.db         the record (SQLite)      build/bellrope markers --db $shown/dive.db
                                           build/bellrope sightings --db $shown/dive.db
                                           sqlite3 $shown/dive.db 'SELECT * FROM marker_now'
  T001.html       the dive report          open it in a browser
  clips/          clips and stills         open clips/index.html in a browser
  T001.csv        markers as a table       open it in a spreadsheet
  T001.json       the whole dive           jq . $shown/T001.json | less
  dive.mp4        the video (generated)    ffplay -vf subtitles=dive.vtt dive.mp4
  dive.vtt        its captions (WebVTT)    players take them from beside the video
  T001.edl        its cut list             editors read it; sightings by timecode
  dive.tape       every input, raw         build/bellrope replay $shown/dive.tape -o again.db
  truth.jsonl     what really happened     build/bellrope-rig --compare $shown/dive.db $shown/truth.jsonl --table
  bellrope.ini    the configuration        build/bellroped --config $shown/bellrope.ini
  log/            what the programs said
END
echo
if [ "$verdict" -eq 0 ]; then
    say "All is right: nothing lost, nothing doubled, every true instant inside its bound."
else
    say "NOT ALL IS RIGHT; see above and $shown/log/."
fi
exit "$verdict"
