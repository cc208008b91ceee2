#!/bin/sh
# Installs the Debian packages that a purpose needs and that are missing:  sh daemon/packages.sh build|test|bench
# Works as root or through sudo; says what it installs; with nothing missing it needs no network.
set -eu

build="gcc cmake ninja-build pkg-config libc6-dev libuv1-dev libserialport-dev libsqlite3-dev libjansson-dev libinih-dev libltc-dev
       libxml2-dev libarchive-dev libproj-dev libevdev-dev sqlite3 ffmpeg"
test="$build libcmocka-dev clang libclang-rt-14-dev clang-format clang-tidy cppcheck python3 python3-nmea2 python3-numpy python3-gsw
      chromium gpsd-clients gpsbabel mkvtoolnix unzip gcc-avr avr-libc libsimavr-dev libelf-dev jq libxml2-utils systemd dpkg-dev zsh"
# a broker to measure against (Debian starts its service on 127.0.0.1:1883, which the benches do not use); what counts instructions
bench="$test mosquitto valgrind"

case "${1:-build}" in
build) wanted=$build ;;
test) wanted=$test ;;
bench) wanted=$bench ;;
*)
    echo "packages.sh: '$1' is none of build, test, bench" >&2
    exit 2
    ;;
esac

missing=
for package in $wanted; do
    state=$(dpkg-query -W -f='${Status}' "$package" 2>/dev/null || true)
    case "$state" in
    *" installed") ;;
    *)
        # Ubuntu names the clang runtime by another version than Debian 12
        [ "$package" = libclang-rt-14-dev ] && ! apt-cache show "$package" >/dev/null 2>&1 && package=libclang-rt-dev
        missing="$missing $package"
        ;;
    esac
done
if [ "${1:-build}" != build ] && ! command -v npm >/dev/null 2>&1; then
    missing="$missing nodejs npm"
fi
[ -n "$missing" ] || exit 0

as_root=
if [ "$(id -u)" -ne 0 ]; then
    if ! command -v sudo >/dev/null 2>&1; then
        echo "These packages are missing and neither root nor sudo is at hand to install them:$missing" >&2
        exit 1
    fi
    as_root=sudo
fi
echo "Installing:$missing"
log=$(mktemp)
if ! { $as_root apt-get update && $as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends $missing; } >"$log" 2>&1; then
    tail -n 20 "$log" >&2
    echo "apt-get could not install them; its last words are above, all of them in $log" >&2
    exit 1
fi
rm -f "$log"
