#!/bin/sh
# A tape says which version of the program recorded it: `bellrope replay` tells where that is another one, on standard error, and makes the record
# all the same; of its own version's tape it says nothing.
#   sh replay_program.sh BUILD
set -eu
build=$(cd "$1" && pwd)
data=$(cd "$(dirname "$0")/../data/dives" && pwd)
for program in bellrope bellrope-rig; do
    [ -x "$build/$program" ] || { echo "skipped: $build/$program is not built"; exit 77; }
done
command -v python3 >/dev/null 2>&1 || { echo "skipped: python3 is not installed"; exit 77; }
dir=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-replay.XXXXXX")
trap 'rm -rf "$dir"' EXIT
fail() {
    echo "FAILED: $*" >&2
    exit 1
}

cp "$data"/*.plan "$data/long.ini" "$dir"
printf 'seed 1\npad science serial P-01\npad nav serial P-02\nvehicle\nat 2 pad science key A1\n' >"$dir/one.rig"
"$build/bellrope-rig" --script "$dir/one.rig" --config "$dir/long.ini" --tape "$dir/own.tape" >"$dir/log" 2>&1 || { cat "$dir/log"; fail "the rig made no tape"; }

# the same tape with a version as long as the real one in its first record; CRC-32C as daemon/io/tape.h has it
python3 - "$dir/own.tape" "$dir/other.tape" <<'END'
import re, struct, sys
tape = bytearray(open(sys.argv[1], "rb").read())
version = re.search(rb"program=([^\x1f]+)", tape)
start, end = version.span(1)
tape[start:end] = (b"0.0." + b"9" * 16)[: end - start]
length = struct.unpack_from("<I", tape, 16 + 16)[0]  # the first record begins behind the 16 bytes of the head
record_end = 16 + 20 + length
crc = 0xFFFFFFFF
for byte in tape[16:record_end]:
    crc ^= byte
    for _ in range(8):
        crc = crc >> 1 ^ (0x82F63B78 if crc & 1 else 0)
struct.pack_into("<I", tape, record_end, crc ^ 0xFFFFFFFF)
open(sys.argv[2], "wb").write(tape)
END

for tape in own other; do
    "$build/bellrope" replay "$dir/$tape.tape" -o "$dir/$tape.db" >"$dir/$tape.out" 2>"$dir/$tape.err" || { cat "$dir/$tape.err"; fail "$tape.tape does not replay"; }
    grep -q ' 1 markers, in ' "$dir/$tape.out" || { cat "$dir/$tape.out"; fail "$tape.tape did not give its marker"; }
    grep -q 'damaged' "$dir/$tape.out" && fail "$tape.tape was not written well"
done
[ ! -s "$dir/own.err" ] || { cat "$dir/own.err"; fail "a tape of this version was warned of"; }
grep -q 'recorded by version 0\.0\.9*, and this is ' "$dir/other.err" || { cat "$dir/other.err"; fail "another version's tape was not told of"; }
echo "told of the other version's tape alone"
