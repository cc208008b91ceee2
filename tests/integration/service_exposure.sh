#!/bin/sh
# The service file by systemd's own judgement: exposure of at most 1.5 (of 10), nothing in it unknown to systemd.
#   sh service_exposure.sh BUILD
set -eu
unit=$(cd "$(dirname "$0")/../../daemon/service" && pwd)/bellroped.service
command -v systemd-analyze >/dev/null 2>&1 || { echo "skipped: systemd is not installed"; exit 77; }
systemd-analyze security --help 2>/dev/null | grep -q -- --offline || { echo "skipped: this systemd-analyze has no --offline"; exit 77; }
dir=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-exposure.XXXXXX")
trap 'rm -rf "$dir"' EXIT
systemd-analyze security --no-pager --offline=true --threshold=15 "$unit" >"$dir/out" 2>"$dir/err" || {
    cat "$dir/out" "$dir/err" >&2
    echo "FAILED: the exposure is above 1.5" >&2
    exit 1
}
# the control: with its fences down the same file must fail
sed 's/^SystemCallFilter=.*//; s/^CapabilityBoundingSet=.*//; s/^ProtectSystem=.*//; s/^PrivateNetwork=.*//' "$unit" >"$dir/bellroped.service"
if systemd-analyze security --no-pager --offline=true --threshold=15 "$dir/bellroped.service" >/dev/null 2>&1; then
    echo "FAILED: a file without its fences passes too" >&2
    exit 1
fi
# Unknown keys and values are told on stderr; the program and its page are not installed here.
systemd-analyze verify --man=no "$unit" 2>"$dir/verify" || true
if grep -v 'is not executable' "$dir/verify" | grep 'bellroped.service'; then
    echo "FAILED: systemd does not understand the service file" >&2
    exit 1
fi
grep 'Overall exposure' "$dir/out"
