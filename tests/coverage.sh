#!/bin/sh
# Which lines and branches the tests reach:  sh tests/coverage.sh [NAME...]
# Builds with gcov in build-coverage/ ($BUILD names another folder), runs unit, property and integration tests (or those whose names match), and
# prints lines and branches for each folder; coverage.txt there has each file with the lines that no test reaches. Fails below 95 % of the lines
# of daemon/core, or 85 % of all. A program that is killed leaves no counts: what a test ends by SIGKILL is reached and not counted.
set -eu
cd "$(dirname "$0")/.."
command -v gcovr >/dev/null 2>&1 || { echo "skipped: gcovr is not installed"; exit 77; }
names=
for name in "$@"; do names="$names${names:+|}$name"; done
build=${BUILD:-build-coverage}
mkdir -p "$build"
if ! { cmake -S . -B "$build" -G Ninja -DCMAKE_BUILD_TYPE=Debug -DBELLROPE_COVERAGE=ON && ninja -C "$build"; } >"$build/build.log" 2>&1; then
    tail -n 20 "$build/build.log" >&2
    exit 1
fi
find "$build" -name '*.gcda' -delete
ctest --test-dir "$build" -j"$(nproc)" -E '^fuzz_|reproducible|lint' ${names:+-R "$names"} >"$build/ctest.log" 2>&1 || grep -E 'Failed|Timeout' "$build/ctest.log" || true
gcovr -j "$(nproc)" -r . --object-directory "$build" --filter 'daemon/' --filter 'firmware-sim/(pad|rig)/' --exclude-unreachable-branches \
    --exclude-throw-branches --gcov-ignore-parse-errors --json-summary "$build/coverage.json" --txt "$build/coverage.txt" "$build" >/dev/null 2>"$build/gcovr.log" ||
    { tail -n 5 "$build/gcovr.log" >&2; exit 1; }
jq -r '
    def pct(a; b): if b == 0 then 100 else (a * 1000 / b | floor) / 10 end;
    def row(n; f): [n, (f | map(.line_covered) | add), (f | map(.line_total) | add), (f | map(.branch_covered) | add), (f | map(.branch_total) | add)];
    .files as $files
    | ([$files[] | .filename | split("/") | select(length > 2) | .[0:2] | join("/")] | unique) as $folders
    | ([$folders[] as $d | row($d; [$files[] | select(.filename | startswith($d + "/"))])] + [row("all"; $files)])[]
    | "\(.[0]) lines \(pct(.[1]; .[2])) % (\(.[1]) of \(.[2])) branches \(pct(.[3]; .[4])) % (\(.[3]) of \(.[4]))"' "$build/coverage.json" | tee "$build/folders.txt"
awk '$1 == "daemon/core" { core = $3 } $1 == "all" { all = $3 } END {
    if (core < 95 || all < 85) { print "coverage: below 95 % of core or 85 % of all"; exit 1 }
    print "coverage: core " core " %, all " all " %" }' "$build/folders.txt"
