#!/bin/sh
# The tests under other eyes:  sh tests/memcheck.sh valgrind|threads [NAME...]
#   valgrind   builds without sanitizers in build-valgrind/; unit tests, and daemon and command as the integration tests run them, under memcheck
#   threads    builds with ThreadSanitizer in build-threads/; tests of what has threads, and the same integration tests
# NAME: only tests whose names match. Long: half an hour and more. $BUILD names another folder, $JOBS how many run at once (threads; default 1).
set -eu
cd "$(dirname "$0")/.."
how=${1:-}
[ $# -eq 0 ] || shift
names=
for name in "$@"; do names="$names${names:+|}$name"; done
case "$how" in
valgrind)
    build=${BUILD:-build-valgrind}
    command -v valgrind >/dev/null 2>&1 || { echo "skipped: valgrind is not installed"; exit 77; }
    set -- -DCMAKE_BUILD_TYPE=Debug
    ;;
threads)
    build=${BUILD:-build-threads}
    set -- -DBELLROPE_THREAD_SANITIZE=ON
    ;;
*)
    sed -n '2,6s/^# //p' "$0" >&2
    exit 2
    ;;
esac
mkdir -p "$build"
if ! { cmake -S . -B "$build" -G Ninja "$@" && ninja -C "$build" -j"${JOBS:-$(nproc)}"; } >"$build/build.log" 2>&1; then
    tail -n 20 "$build/build.log" >&2
    exit 1
fi
build=$(cd "$build" && pwd)
# What runs the real daemon or the real command; the others run neither, or are about time, bytes or the build itself.
live='(access|cli|daemon|live|record|worked)_[a-z_]*|service_notify'
under=$build/under
rm -rf "$under"
mkdir "$under"

# What any process had to say, also one whose end no test looked at.
said() {
    for log in "$under"/*.found; do
        [ ! -s "$log" ] || { broken="$broken $(basename "$log")"; head -n 40 "$log"; }
    done
    [ -z "$broken" ] || { echo "$how: $ran tests, NOT CLEAN:$broken"; exit 1; }
    echo "$how: $ran tests, clean"
}
broken=

if [ "$how" = threads ]; then
    # Threads are in the store, the tape, the lanes of io and the daemon: the core has none. Libraries that are not built with it are passed over.
    export TSAN_OPTIONS="halt_on_error=0 second_deadlock_stack=1 ignore_noninstrumented_modules=1 log_path=$under/threads log_suffix=.found"
    results=$build/results.txt
    ctest --test-dir "$build" --output-on-failure -j"${JOBS:-1}" --timeout 3600 \
        -R "${names:-^((store|io)_[a-z0-9_]*|$live)\$}" -E '^io_ltc_frames$' >"$results" 2>&1 || broken=" $results"
    grep -E '^ *[0-9]+/[0-9]+ Test' "$results" | grep -v Passed || true
    ran=$(grep -cE '^ *[0-9]+/[0-9]+ Test' "$results" || true)
    said
    exit 0
fi

tool="valgrind -q --error-exitcode=99 --leak-check=full --show-leak-kinds=definite --errors-for-leak-kinds=definite --fair-sched=try"
ran=0
chosen() { [ -z "$names" ] || echo "$1" | grep -qE "$names"; }
for test in tests/unit/*.c; do
    name=$(basename "$test" .c)
    chosen "$name" || continue
    ran=$((ran + 1))
    $tool "$build/$name" >"$build/$name.memcheck" 2>&1 || { broken="$broken $name"; tail -n 25 "$build/$name.memcheck"; }
done

# bellroped and bellrope through valgrind, where the scripts look for them; what plays the outside world runs as it is.
for program in "$build"/*; do
    [ ! -f "$program" ] || [ ! -x "$program" ] || ln -s "$program" "$under/"
done
for program in bellroped bellrope; do
    rm "$under/$program"
    printf '#!/bin/sh\nexec %s --log-file=%s/%s.%%p.found %s/%s "$@"\n' "$tool" "$under" "$program" "$build" "$program" >"$under/$program"
    chmod +x "$under/$program"
done
for script in tests/integration/*.sh; do
    name=$(basename "$script" .sh)
    echo "$name" | grep -qxE "$live" && chosen "$name" || continue
    ran=$((ran + 1))
    ended=0
    sh "$script" "$under" >"$build/$name.memcheck" 2>&1 || ended=$?
    case $ended/$name in
    0/*) ;;
    77/*) cat "$build/$name.memcheck" ;;
    # Memory alone is judged where a daemon many times slower hears its devices later than the configuration claims, and where the folder for
    # scratch files is taken away, which valgrind needs too.
    */live_* | */worked_* | */cli_listing)
        echo "$name: not to its end, $(grep -m 1 '^FAILED' "$build/$name.memcheck" || true)"
        ;;
    *)
        broken="$broken $name"
        tail -n 25 "$build/$name.memcheck"
        ;;
    esac
done
said
