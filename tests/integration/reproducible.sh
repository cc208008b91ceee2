#!/bin/sh
# Two builds of the daemon and the command, from copies of the sources in folders of different names, into build folders of different names: the
# same bytes.
#   sh reproducible.sh BUILD
set -eu
source=$(cd "$(dirname "$0")/../.." && pwd)
[ "${BELLROPE_LONG:-0}" = 1 ] || { echo "skipped: builds everything twice; set BELLROPE_LONG=1"; exit 77; }
dir=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-twice.XXXXXX")
trap 'rm -rf "$dir"' EXIT
one() { # one SOURCES BUILD
    mkdir -p "$1"
    (cd "$source" && tar cf - CMakeLists.txt LICENSE README.md daemon firmware-sim include docs) | (cd "$1" && tar xf -)
    cmake -S "$1" -B "$2" -G Ninja -DCMAKE_BUILD_TYPE=Release -DBELLROPE_TESTS=OFF >"$dir/log" 2>&1 &&
        ninja -C "$2" bellroped bellrope >"$dir/log" 2>&1 || { tail -n 20 "$dir/log" >&2; echo "FAILED: the build" >&2; exit 1; }
    for program in bellroped bellrope; do
        sha256sum <"$2/$program" | sed "s/-/$program/"
    done
}
one "$dir/here" "$dir/out" >"$dir/first"
one "$dir/a longer name of another folder/there" "$dir/elsewhere/build" >"$dir/second"
cat "$dir/first"
cmp -s "$dir/first" "$dir/second" || { echo "FAILED: the second build made other bytes:" >&2; cat "$dir/second" >&2; exit 1; }
if grep -aqF "$dir" "$dir/out/bellroped" "$dir/out/bellrope"; then
    echo "FAILED: the folder's name is in a program" >&2
    exit 1
fi
echo "two builds in two folders, one hash for each program"
