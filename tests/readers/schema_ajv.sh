#!/bin/sh
# The schemas of docs/schema read by ajv (npm, an independent JSON Schema validator), against events and rows that hold anything and
# against the traffic of a living daemon, spoken to by node's own socket.
# Usage: schema_ajv.sh BUILD
set -eu
build=$(cd "${1:?say the build folder}" && pwd)
here=$(cd "$(dirname "$0")" && pwd)
. "$here/npm.inc"
for program in cli_events bellroped; do
    [ -x "$build/$program" ] || { echo "skipped: $build/$program is not built"; exit 77; }
done
npm_packages ajv ajv@8.20.0
dir=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-ajv.XXXXXX")
daemon_pid=
clean() {
    [ -z "$daemon_pid" ] || kill -9 "$daemon_pid" 2>/dev/null || true
    rm -rf "$dir"
}
trap clean EXIT
cat >"$dir/bellrope.ini" <<END
[store]
file = dive.db
[timecode]
source = time-of-day
rate = 25
[pad science]
port = $dir/no-pad
plan = $here/../../docs/plans/science.plan
seat = science
[socket]
unix = sock
END
"$build/bellroped" --config "$dir/bellrope.ini" >"$dir/log" 2>&1 &
daemon_pid=$!
tries=0
until [ -S "$dir/sock" ]; do
    kill -0 "$daemon_pid" 2>/dev/null || { cat "$dir/log"; exit 1; }
    tries=$((tries + 1))
    [ "$tries" -lt 600 ] || { echo "the daemon did not open its socket"; exit 1; }
    sleep 0.05
done
"$build/cli_events" --list >"$dir/list"
status=0
node "$here/schema_ajv.js" "$here/../../docs/schema" "$dir/list" "$dir/sock" || status=$?
[ "$status" -eq 0 ] || cat "$dir/log"
exit "$status"
