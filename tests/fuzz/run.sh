#!/bin/sh
# Runs libFuzzer on every parser of outside bytes:  sh tests/fuzz/run.sh [--runs N] [--long] [NAME...]
#   --runs N   executions of each target (20,000)
#   --long     20 million of each, 50 million of pad_receive, 2 million of engine (slow); run from a second build that follows branches but
#              not comparisons, three times as fast: about two hours of one core
#   NAME       only these targets: checklist columns config engine ...
# The seed comes from BELLROPE_SEED or the clock and is printed. Builds with clang in $BUILD (build-fuzz/); what it finds on the way is kept in
# $BUILD/corpus, an input that breaks something as $BUILD/NAME-crash-*. Prints what ran, how much of each parser's file was reached, a verdict.
set -eu
cd "$(dirname "$0")/../.."
runs=20000
long=
names=
while [ $# -gt 0 ]; do
    case "$1" in
    --runs)
        runs=${2:?--runs needs a number}
        shift
        ;;
    --long)
        runs=20000000
        long=yes
        ;;
    -h | --help)
        sed -n '2,8s/^# //p' "$0"
        exit 0
        ;;
    -*)
        echo "run.sh: '$1' is not known; see --help" >&2
        exit 2
        ;;
    *) names="$names $1" ;;
    esac
    shift
done
if ! command -v clang >/dev/null 2>&1; then
    echo "skipped: clang is not installed"
    exit 77
fi
[ -n "$names" ] || names=$(ls tests/fuzz/fuzz_*.c | sed 's/.*fuzz_//; s/\.c$//')
seed=${BELLROPE_SEED:-$(date +%s)}

# The files whose coverage is told: what reads the bytes.
files_of() {
    case "$1" in
    checklist) echo core/checklist.c ;;
    columns) echo core/columns.c core/columns_layout.c core/lines.c ;;
    config) echo io/config.c io/config_rules.c io/config_judge.c io/config_value.c io/ini_text.c ;;
    engine) echo core/engine_command.c core/engine_restore.c core/engine_pad.c core/engine_time.c core/engine_feed.c ;;
    fields) echo core/fields.c ;;
    jsonrpc) echo io/jsonrpc.c io/request.c io/utctext.c io/tokens.c ;;
    keyplan) echo core/keyplan.c core/keyplan_set.c core/keyplan_check.c ;;
    ltc) echo io/ltcgain.c io/ltcwords.c core/tcmap.c core/timecode.c ;;
    nmea) echo core/nmea.c core/nmea_field.h core/nmea_field.c core/nmea_channels.c core/nmea_utc.c core/nmea_values.c core/lines.c ;;
    openname) echo core/openname.c ;;
    pad_receive) echo pad/wire.c pad/pad.c ;;
    sampleblock) echo core/sampleblock.c ;;
    tape) echo io/tape_reader.c ;;
    wire) echo pad/wire.c ;;
    esac
}

build=${BUILD:-build-fuzz}
mkdir -p "$build"
targets=
for name in $names; do targets="$targets fuzz_$name"; done
echo "Building with clang, libFuzzer, AddressSanitizer and UndefinedBehaviorSanitizer in $build/"
make_targets() { # make_targets FOLDER COMPILER-FLAGS
    mkdir -p "$1"
    if ! { cmake -S . -B "$1" -G Ninja -DCMAKE_C_COMPILER=clang -DBELLROPE_FUZZ=ON -DBELLROPE_SANITIZE=ON -DCMAKE_C_FLAGS="$2" &&
        ninja -C "$1" $targets; } >"$1/build.log" 2>&1; then
        tail -n 40 "$1/build.log" >&2
        echo "the build failed; all of it is in $1/build.log" >&2
        exit 1
    fi
}
make_targets "$build" "-fprofile-instr-generate -fcoverage-mapping"
programs=$build
longest=4096
if [ -n "$long" ]; then
    programs=$build/long
    longest=256
    make_targets "$programs" "-fno-sanitize-coverage=trace-cmp"
fi

# Lines of the target's files that were reached: kept inputs and all that this run found, once more.
coverage_of() {
    command -v llvm-cov >/dev/null 2>&1 || { echo "coverage unknown: llvm-cov is not installed"; return; }
    LLVM_PROFILE_FILE="$build/$1.profraw" "$build/fuzz_$1" -runs=0 "$build/corpus/$1" "tests/fuzz/corpus/$1" >/dev/null 2>&1 || true
    llvm-profdata merge -sparse "$build/$1.profraw" -o "$build/$1.profdata" 2>/dev/null || { echo "coverage unknown"; return; }
    rm -f "$build/$1.profraw"
    llvm-cov export -summary-only -instr-profile "$build/$1.profdata" "$build/fuzz_$1" 2>/dev/null |
        jq -r --arg files "$(files_of "$1")" '($files | split(" ")) as $want | .data[0].files[] | .filename as $f |
            ($want[] | select(. as $w | $f | endswith("/" + $w))) as $name |
            "\($name | sub(".*/"; "")) \(.summary.lines.percent | round) %"' | tr '\n' ',' | sed 's/,$//; s/,/, /g'
}

echo "seed $seed"
total=0
broken=
for name in $names; do
    mkdir -p "$build/corpus/$name"
    wanted=$runs
    case "$long$name" in
    yesengine) wanted=2000000 ;;
    yespad_receive) wanted=50000000 ;;
    esac
    log=$build/$name.log
    from=$(date +%s)
    verdict=sound
    LLVM_PROFILE_FILE=/dev/null "$programs/fuzz_$name" -runs="$wanted" -seed="$seed" -max_len=$longest -timeout=20 -rss_limit_mb=2048 -print_final_stats=1 \
        -artifact_prefix="$build/$name-" "$build/corpus/$name" "tests/fuzz/corpus/$name" >"$log" 2>&1 || verdict=BROKEN
    ran=$(sed -n 's/^stat::number_of_executed_units: *//p' "$log")
    total=$((total + ${ran:-0}))
    printf '%-12s %10s runs %6s s  %-6s  %s\n' "$name" "${ran:-?}" $(($(date +%s) - from)) "$verdict" "$(coverage_of "$name")"
    if [ "$verdict" = BROKEN ]; then
        broken="$broken $name"
        grep -m 3 -E 'ERROR|runtime error|Assertion|Test unit written' "$log" || tail -n 5 "$log"
    fi
done
if [ -n "$broken" ]; then
    echo "fuzz: BROKEN:$broken (seed $seed; logs in $build/)"
    exit 1
fi
echo "fuzz: $(echo $names | wc -w) targets, $total executions, nothing broke (seed $seed)"
