#!/bin/sh
# The core and the keypad's firmware reach for nothing but plain library functions: no clock, no files, no event loop, and memory only where
# the engine is made. Reads the symbols of the libraries as they were built:  sh tests/integration/core_pure.sh BUILD
set -eu
build=$1
forbidden='clock_gettime|gettimeofday|time|clock|timespec_get|open|openat|fopen|read|write|close|socket|send|recv|poll|select|ioctl|getenv|system|uv_.*|sqlite3_.*|json_.*|pthread_.*|sp_.*|usleep|nanosleep|sleep'
memory='malloc|calloc|realloc|free|aligned_alloc|strdup'
bad=0

objects=0
for library in "$build/daemon/libbellrope_core.a" "$build/firmware-sim/libbellrope_pad.a" "$build/firmware-sim/libbellrope_wire.a"; do
    listing=$(nm -A -u "$library")
    objects=$((objects + $(printf '%s\n' "$listing" | sed 's/: .*//' | sort -u | wc -l)))
    found=$(printf '%s\n' "$listing" | grep -E " U ($forbidden)(@|\$)" || true)
    if [ -n "$found" ]; then
        printf 'reaches outside:\n%s\n' "$found"
        bad=1
    fi
    found=$(printf '%s\n' "$listing" | grep -E " U ($memory)(@|\$)" | grep -vE '[:/]engine\.c\.o' || true)
    if [ -n "$found" ]; then
        printf 'takes memory outside engine_new and engine_free:\n%s\n' "$found"
        bad=1
    fi
done
# The check itself must be able to see: the engine does take memory once.
nm -A -u "$build/daemon/libbellrope_core.a" | grep -qE 'engine\.c\.o.* U calloc' || {
    echo "the symbols do not show what is known to be there"
    bad=1
}
[ "$bad" -eq 0 ] && echo "$objects objects, all pure"
exit "$bad"
