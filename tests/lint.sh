#!/bin/sh
# Reads the sources with tools that do not run them:  sh tests/lint.sh [BUILD]
# Always: clang-format on all, cppcheck on daemon/core and firmware-sim/pad. With BELLROPE_LONG=1 also cppcheck on all, clang-tidy on each
# file, gcc -fanalyzer on daemon/core and daemon/io (half an hour of one core). BUILD holds a compile_commands.json; default build-test.
# $JOBS: how many files at once; default: as many as there are processors. False alarms are silenced where they are, with a reason.
set -eu
cd "$(dirname "$0")/.."
build=${1:-build-test}
long=${BELLROPE_LONG:-0}
for tool in clang-format cppcheck; do
    command -v $tool >/dev/null 2>&1 || { echo "skipped: $tool is not installed"; exit 77; }
done
jobs=${JOBS:-$(nproc)}
out=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-lint.XXXXXX")
trap 'rm -rf "$out"' EXIT
failed=
sources() { find "$@" -name '*.[ch]' | sort; }
verdict() { # verdict NAME STATUS FILES
    if [ "$2" -eq 0 ]; then
        echo "$1: clean ($3)"
    else
        echo "$1: NOT CLEAN"
        failed="$failed $1"
    fi
}

# Other versions of it lay out other things.
if clang-format --version | grep -q 'version 14\.'; then
    status=0
    sources daemon firmware-sim include tests >"$out/all"
    xargs clang-format --dry-run -Werror <"$out/all" 2>"$out/format" || status=1
    grep -o '^[^ :]*:[0-9]*:' "$out/format" | sed 's/:.*//' | sort | uniq -c | head -n 40
    verdict clang-format $status "$(wc -l <"$out/all") files"
else
    echo "clang-format: passed over, this is not version 14"
fi

# The macros of jansson and cmocka are known to its headers alone; what is not found is not looked at.
check() {
    cppcheck -q -j "$jobs" --error-exitcode=1 --std=c11 --enable=warning,performance,portability --inline-suppr --library=posix \
        --library=tests/cppcheck.cfg --suppress=missingIncludeSystem -D__linux__ -D_GNU_SOURCE -Idaemon -Iinclude -Ifirmware-sim/pad "$@"
}
status=0
folders="daemon/core firmware-sim/pad"
[ "$long" != 1 ] || folders="daemon firmware-sim"
check $folders >"$out/cppcheck" 2>&1 || status=1
if [ "$long" = 1 ]; then
    # A test reads a folder in one thread alone; NULL at the end of arguments is a pointer in every C library this is built with.
    check -Itests -Itests/fault -Ifirmware-sim/rig --suppress=readdirCalled --suppress=varFuncNullUB \
        tests/unit tests/property tests/fault tests/fuzz tests/bench tests/readers tests/integration >>"$out/cppcheck" 2>&1 || status=1
    folders="$folders tests"
fi
head -n 60 "$out/cppcheck"
verdict cppcheck $status "$folders"

if [ "$long" = 1 ]; then
    command -v clang-tidy >/dev/null 2>&1 || { echo "clang-tidy is not installed" >&2; exit 1; }
    [ -e "$build/compile_commands.json" ] || { echo "lint.sh: no $build/compile_commands.json; build first" >&2; exit 1; }
    status=0
    find daemon firmware-sim/pad firmware-sim/rig firmware-sim/avr/tool -name '*.c' | sort >"$out/c"
    xargs -P "$jobs" -n 1 clang-tidy -p "$build" --quiet <"$out/c" >"$out/tidy" 2>/dev/null || status=1
    grep -E 'warning:|error:' "$out/tidy" | sort -u | head -n 60 || true
    verdict clang-tidy $status "$(wc -l <"$out/c") files"

    status=0
    find daemon/core daemon/io -name '*.c' | sort >"$out/c"
    cat >"$out/analyse" <<'END'
gcc -std=c11 -O1 -fanalyzer -Wno-format-truncation -D_GNU_SOURCE -Idaemon -Iinclude \
    $(pkg-config --cflags libuv jansson ltc libserialport 2>/dev/null) -S "$1" -o /dev/null
END
    xargs -P "$jobs" -n 1 sh "$out/analyse" <"$out/c" 2>"$out/analyzer" || status=1
    grep -E 'warning:|error:' "$out/analyzer" | sort -u >"$out/found" || true
    [ ! -s "$out/found" ] || status=1
    head -n 40 "$out/found"
    verdict "gcc -fanalyzer" $status "daemon/core, daemon/io: $(wc -l <"$out/c") files"
fi
[ -z "$failed" ] || { echo "lint: NOT CLEAN:$failed"; exit 1; }
echo "lint: clean"
