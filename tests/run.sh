#!/bin/sh
# Installs what is missing, builds with sanitizers, runs every test:  sh tests/run.sh [--long] [NAME...]
#   --long   the long campaigns too (an hour and more)
#   NAME     only the tests whose names match one of these
set -eu
cd "$(dirname "$0")/.."

names=
for argument in "$@"; do
    case "$argument" in
    --long)
        BELLROPE_LONG=1
        export BELLROPE_LONG
        ;;
    -h | --help)
        sed -n '2,4s/^# //p' "$0"
        exit 0
        ;;
    -*)
        echo "run.sh: '$argument' is not known; see --help" >&2
        exit 2
        ;;
    *) names="$names${names:+|}$argument" ;;
    esac
done

sh daemon/packages.sh test
build=${BUILD:-build-test}
log=$build/build.log
mkdir -p "$build"
started=$(date +%s)
echo "Building with AddressSanitizer and UndefinedBehaviorSanitizer in $build/"
if ! { cmake -S . -B "$build" -G Ninja -DBELLROPE_SANITIZE=ON && cmake --build "$build"; } >"$log" 2>&1; then
    tail -n 40 "$log" >&2
    echo "the build failed; all of it is in $log" >&2
    exit 1
fi
built=$(date +%s)

export ASAN_OPTIONS="${ASAN_OPTIONS:-detect_leaks=1}" UBSAN_OPTIONS="${UBSAN_OPTIONS:-print_stacktrace=1}"
results=$build/results.txt
status=0
ctest --test-dir "$build" --output-on-failure -j"$(nproc)" ${names:+-R "$names"} >"$results" 2>&1 || status=$?
grep -E '^ *[0-9]+/[0-9]+ Test' "$results" | sed -E 's/^ *[0-9]+\/[0-9]+ Test +#[0-9]+: //' || true
skipped=$(grep -c 'Skipped' "$results" || true)
failed=$(grep -cE '\*\*\*(Failed|Timeout|Exception|Not Run)' "$results" || true)
total=$(grep -cE '^ *[0-9]+/[0-9]+ Test' "$results" || true)
[ "$status" -eq 0 ] || sed -n '/^.*Failed\|Timeout\|Exception/,$p' "$results" | head -n 200
finished=$(date +%s)
echo
echo "Built in $((built - started)) s, tested in $((finished - built)) s. Everything the tests printed is in $results"
if [ "$total" -eq 0 ]; then
    echo "no test ran" >&2
    exit 1
fi
echo "$((total - failed - skipped)) passed, $failed failed, $skipped skipped"
[ "$failed" -eq 0 ] && exit "$status"
exit 1
