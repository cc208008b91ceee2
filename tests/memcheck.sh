#!/bin/sh
# The tests under other eyes:  sh tests/memcheck.sh valgrind|threads [NAME...]
#   valgrind   builds without sanitizers in build-valgrind/ and runs the unit tests, and the daemon's integration tests, under memcheck
#   threads    builds with ThreadSanitizer in build-threads/ and runs unit and integration tests
# NAME: only tests whose names match. Long: half an hour and more. $BUILD names another folder.
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
if ! { cmake -S . -B "$build" -G Ninja "$@" && ninja -C "$build"; } >"$build/build.log" 2>&1; then
    tail -n 20 "$build/build.log" >&2
    exit 1
fi
build=$(cd "$build" && pwd)
if [ "$how" = threads ]; then
    # Libraries that are not built with it are passed over.
    export TSAN_OPTIONS="halt_on_error=1 second_deadlock_stack=1 ignore_noninstrumented_modules=1"
    exec ctest --test-dir "$build" --output-on-failure -j"$(nproc)" -R "${names:-^(core_|store_|io_|cli_|rig_|live_|cli_live|daemon_|access_)}"
fi

# Each program of the tests, and bellroped and bellrope as the integration scripts start them, through valgrind.
tool="valgrind -q --error-exitcode=99 --leak-check=full --show-leak-kinds=definite --errors-for-leak-kinds=definite --track-fds=no"
ran=0
broken=
for test in tests/unit/*.c; do
    name=$(basename "$test" .c)
    [ -z "$names" ] || echo "$name" | grep -qE "$names" || continue
    ran=$((ran + 1))
    $tool "$build/$name" >"$build/$name.memcheck" 2>&1 || { broken="$broken $name"; tail -n 25 "$build/$name.memcheck"; }
done
mkdir -p "$build/under"
for program in bellroped bellrope; do
    printf '#!/bin/sh\nexec %s --log-file=%s/under/%s.%%p.memcheck %s/%s "$@"\n' "$tool" "$build" "$program" "$build" "$program" >"$build/under/$program"
    chmod +x "$build/under/$program"
done
rm -f "$build"/under/*.memcheck
for script in access_socket daemon_refuses; do
    [ -z "$names" ] || echo "$script" | grep -qE "$names" || continue
    ran=$((ran + 1))
    sh "tests/integration/$script.sh" "$build/under" >"$build/$script.memcheck" 2>&1 || { broken="$broken $script"; tail -n 25 "$build/$script.memcheck"; }
done
for log in "$build"/under/*.memcheck; do
    [ ! -s "$log" ] || { broken="$broken $(basename "$log")"; head -n 25 "$log"; }
done
[ -z "$broken" ] || { echo "memcheck: $ran programs, NOT CLEAN:$broken"; exit 1; }
echo "memcheck: $ran programs, clean"
