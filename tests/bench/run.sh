#!/bin/sh
# Builds the release and runs every bench beside its floor or peer in the same run:  sh tests/bench/run.sh [--quick] [--json] [NAME...]
#   --quick  fewer and smaller rounds, without what takes long, under a minute
#   --json   one JSON object a row instead of the table
#   NAME     only these benches. A bench NAME is bench_NAME.c or NAME.py beside this file; it is called with the number of rounds and
#            the share of the full work, NAME.py with the build folder before them, and prints rows (bench.h); 77 means skipped
# Judge ratios, not figures: machines are shared and noisy.
set -eu
cd "$(dirname "$0")/../.."
rounds=5
scale=1
every="nmea nmea_peers clockmap sampleblock ltc instructions growth green burst markers fanout catchup start load exports replay"
json=
names=
for argument in "$@"; do
    case "$argument" in
    --quick)
        rounds=3
        scale=0.2
        every="nmea clockmap sampleblock ltc green burst markers fanout catchup start load"
        ;;
    --json) json=--json ;;
    -h | --help)
        sed -n '2,7s/^# //p' "$0"
        exit 0
        ;;
    -*)
        echo "run.sh: '$argument' is not known; see --help" >&2
        exit 2
        ;;
    *) names="$names $argument" ;;
    esac
done

sh daemon/packages.sh bench >&2
build=${BUILD:-build-bench}
mkdir -p "$build"
if ! { cmake -S . -B "$build" -G Ninja -DCMAKE_BUILD_TYPE=Release -DBELLROPE_TESTS=OFF -DBELLROPE_BENCH=ON && cmake --build "$build"; } \
    >"$build/build.log" 2>&1; then
    tail -n 30 "$build/build.log" >&2
    echo "run.sh: the build failed; all of it is in $build/build.log" >&2
    exit 1
fi

rows=$build/rows.tsv
: >"$rows"
for name in ${names:-$every}; do
    echo "bench $name ..." >&2
    if [ -x "$build/bench_$name" ]; then
        set -- "$build/bench_$name"
    elif [ -f "tests/bench/$name.py" ]; then
        set -- python3 "tests/bench/$name.py" "$build"
    else
        echo "run.sh: there is no bench '$name'" >&2
        exit 2
    fi
    status=0
    "$@" "$rounds" "$scale" >>"$rows" 2>>"$build/bench.log" || status=$?
    case $status in
    0) ;;
    77) tail -n 1 "$build/bench.log" >&2 ;;
    *) echo "bench $name failed; see $build/bench.log" >&2 ;;
    esac
done
python3 tests/bench/table.py $json "$rows"
