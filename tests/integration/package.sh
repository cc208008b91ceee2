#!/bin/sh
# The Debian package in a scratch root: made by CPack, installed by dpkg, what it brings is there and starts by hand; a database of schema
# version 1 is opened, read and written on; an upgrade leaves dives alone, and removing or purging leaves nothing but them.
#   sh package.sh BUILD
set -eu
build=$(cd "$1" && pwd)
here=$(cd "$(dirname "$0")/.." && pwd)
for program in bellroped bellrope bellrope-rig bellrope-padtool; do
    [ -x "$build/$program" ] || { echo "skipped: $build/$program is not built"; exit 77; }
done
for tool in cpack dpkg dpkg-deb dpkg-shlibdeps fakeroot sqlite3; do
    command -v $tool >/dev/null 2>&1 || [ "$tool" = fakeroot ] || { echo "skipped: $tool is not installed"; exit 77; }
done
[ "$(id -u)" -eq 0 ] || command -v fakeroot >/dev/null 2>&1 || { echo "skipped: neither root nor fakeroot"; exit 77; }
as_root=
[ "$(id -u)" -eq 0 ] || as_root=fakeroot

dir=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-package.XXXXXX")
pid=
clean() {
    status=$?
    trap - EXIT
    [ -z "$pid" ] || kill -9 "$pid" 2>/dev/null || true
    rm -rf "$dir"
    exit "$status"
}
trap clean EXIT
fail() {
    echo "FAILED: $*" >&2
    exit 1
}

cd "$dir"
cpack -G DEB -B "$dir/made" --config "$build/CPackConfig.cmake" >cpack.log 2>&1 || { tail -n 20 cpack.log >&2; fail "cpack"; }
package=$(ls made/bellrope_*.deb)

# ---- the package by itself ----
dpkg-deb -f "$package" >control
for field in "Package: bellrope" "Maintainer:" "Depends:.*libuv1" "Depends:.*libsqlite3-0" "Depends:.*libjansson4" "Section: science"; do
    grep -q "^$field" control || { cat control >&2; fail "the package does not say $field"; }
done
dpkg-deb -c "$package" | awk '{ print $1, $2, $6 }' >contents
grep -v ' root/root ' contents && fail "not all of it belongs to root"
grep -E '^-.......w|^-....w' contents && fail "others may write a file of it"
for file in bin/bellroped bin/bellrope bin/bellrope-rig bin/bellrope-padtool lib/systemd/system/bellroped.service lib/sysusers.d/bellrope.conf \
    lib/tmpfiles.d/bellrope.conf lib/udev/rules.d/70-bellrope-pad.rules share/doc/bellrope/operations.md share/doc/bellrope/copyright \
    share/doc/bellrope/examples/bellrope.ini share/doc/bellrope/examples/network.conf share/doc/bellrope/schema/events.json \
    share/bellrope/plans/science.plan share/bellrope/plans/navigator.plan; do
    grep -q " ./usr/$file\$" contents || fail "/usr/$file is not in the package"
done

# ---- into a root of its own, by dpkg ----
root=$dir/root
mkdir -p "$root/var/lib/dpkg/info" "$root/var/lib/dpkg/updates" "$root/etc"
: >"$root/var/lib/dpkg/status"
: >"$root/etc/passwd"
printf 'dialout:x:20:\ninput:x:106:\n' >"$root/etc/group"
handle() { # the libraries are the real system's; scripts run against the root, not in it
    $as_root dpkg --root="$root" --force-depends --force-script-chrootless --force-not-root "$@" >dpkg.log 2>&1 ||
        { cat dpkg.log >&2; fail "dpkg $*"; }
}
handle --install "$package"
grep -q "Status: install ok installed" "$root/var/lib/dpkg/status" || fail "not installed"
bin=$root/usr/bin
if command -v systemd-sysusers >/dev/null 2>&1 && [ -z "$as_root" ]; then
    grep -q '^bellrope:' "$root/etc/passwd" || fail "no user was made"
    grep -q '^dialout:.*bellrope' "$root/etc/group" || fail "the user may not open serial ports"
    [ "$(stat -c %a "$root/var/lib/bellrope")" = 750 ] || fail "/var/lib/bellrope is open to others"
fi

# ---- by hand: the example configuration and the default plans are good; the daemon runs ----
mkdir -p "$root/var/lib/bellrope"
cp "$root/usr/share/doc/bellrope/examples/bellrope.ini" "$root/etc/bellrope/bellrope.ini"
for plan in science navigator; do
    printf '[store]\nfile = x.db\n[pad a]\nport = nothing\nplan = %s\n' "$root/usr/share/bellrope/plans/$plan.plan" >check.ini
    "$bin/bellroped" --config check.ini --check >check.log 2>&1 || { cat check.log >&2; fail "the default plan $plan"; }
done
cat >run.ini <<INI
[dive]
id = D2
[store]
file = $root/var/lib/bellrope/dives.db
[pad a]
port = nothing
plan = $root/usr/share/bellrope/plans/science.plan
seat = science
[socket]
unix = sock
INI
cp "$here"/data/golden/version-1.db "$root/var/lib/bellrope/dives.db"
chmod 0640 "$root/var/lib/bellrope/dives.db"
run() {
    "$bin/bellroped" --config run.ini >daemon.log 2>&1 &
    pid=$!
    until "$bin/bellrope" status --config run.ini >status.log 2>&1; do
        kill -0 "$pid" 2>/dev/null || { cat daemon.log >&2; fail "the installed daemon ended by itself"; }
        sleep 0.05
    done
}
end() {
    kill "$pid"
    wait "$pid" || fail "the installed daemon did not end well"
    pid=
}
before=$("$bin/bellrope" markers --db "$root/var/lib/bellrope/dives.db" --dive G001 --json | sort | cksum)
"$bin/bellroped" --config run.ini --check >check.log 2>&1 || { cat check.log >&2; fail "--check"; }
run
"$bin/bellrope" press Fish --seat science --config run.ini >press.log 2>&1 || { cat press.log >&2; fail "press"; }
end
after=$("$bin/bellrope" markers --db "$root/var/lib/bellrope/dives.db" --dive G001 --json | sort | cksum)
[ "$before" = "$after" ] || fail "the markers of the older dive read differently now"
count() { sqlite3 "$root/var/lib/bellrope/dives.db" "SELECT count(*) FROM marker WHERE dive = '$1'"; }
[ "$(count G001)" -eq 11 ] && [ "$(count D2)" -eq 1 ] || fail "$(count G001) markers in G001, $(count D2) in D2"
[ "$(sqlite3 "$root/var/lib/bellrope/dives.db" 'PRAGMA integrity_check')" = ok ] || fail "the database is not sound"

# ---- upgrade, remove, purge ----
sum=$(cksum <"$root/var/lib/bellrope/dives.db")
handle --install "$package"
run
[ "$(count D2)" -eq 1 ] || fail "the upgrade lost a marker"
end
sum=$(cksum <"$root/var/lib/bellrope/dives.db")
handle --remove bellrope
[ ! -e "$bin/bellroped" ] || fail "the program outlived its removal"
[ "$sum" = "$(cksum <"$root/var/lib/bellrope/dives.db")" ] || fail "the removal changed the dives"
handle --purge bellrope
left=$(find "$root" -type f ! -path "$root/var/lib/dpkg/*" ! -path "$root/etc/passwd*" ! -path "$root/etc/group*" ! -path "$root/etc/shadow*" \
    ! -path "$root/etc/gshadow*" ! -path "$root/etc/.pwd.lock" | sed "s|^$root||" | sort | tr '\n' ' ')
case "$left" in
"/etc/bellrope/bellrope.ini /var/lib/bellrope/dives.db " | "/etc/bellrope/bellrope.ini /var/lib/bellrope/dives.db /var/lib/bellrope/dives.db-lock ") ;;
*) fail "left behind after a purge: $left" ;;
esac
echo "$(basename "$package"): $(wc -l <contents) entries; installed, ran on a version-1 database, upgraded, removed; the dives stayed"
