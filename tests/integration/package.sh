#!/bin/sh
# The Debian package, made by CPack and installed by dpkg: what it brings lies where it must, completes in bash and zsh, and runs with the sample
# configuration that comes with it; a later version goes over it while its daemon runs on, and opens a database of schema version 1; removing and
# purging leave nothing but the record. Into a scratch root; with CI or BELLROPE_INSTALL set, root on a machine that has no Bellrope installs it in
# earnest, and clears up.
#   sh package.sh BUILD
set -eu
build=$(cd "$1" && pwd)
here=$(cd "$(dirname "$0")/.." && pwd)
for program in bellroped bellrope bellrope-rig bellrope-padtool; do
    [ -x "$build/$program" ] || { echo "skipped: $build/$program is not built"; exit 77; }
done
[ -e "$build/pages/made" ] || { echo "skipped: the manual pages are not built"; exit 77; }
for tool in cpack dpkg dpkg-deb dpkg-shlibdeps sqlite3; do
    command -v $tool >/dev/null 2>&1 || { echo "skipped: $tool is not installed"; exit 77; }
done
as_root=
if [ "$(id -u)" -ne 0 ]; then
    command -v fakeroot >/dev/null 2>&1 || { echo "skipped: neither root nor fakeroot"; exit 77; }
    as_root=fakeroot
fi

dir=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-package.XXXXXX")
root=$dir/root
pid=
earnest=
dismantle() { # everything that an installation in earnest has left, also where it failed half-way
    dpkg --purge bellrope >/dev/null 2>&1 || true
    rm -rf /etc/bellrope /var/lib/bellrope /run/bellrope
    ! getent passwd bellrope >/dev/null || userdel bellrope 2>/dev/null || true
    ! getent group bellrope >/dev/null || groupdel bellrope 2>/dev/null || true
}
clean() {
    status=$?
    trap - EXIT
    [ -z "$pid" ] || kill -9 "$pid" 2>/dev/null || true
    [ -z "$earnest" ] || dismantle
    rm -rf "$dir"
    exit "$status"
}
trap clean EXIT
trap 'exit 130' INT TERM
fail() {
    echo "FAILED: $*" >&2
    exit 1
}
cd "$dir"
chmod 0755 "$dir"

# ---- cmake --install, by hand under another prefix ----
DESTDIR=$dir/by-hand cmake --install "$build" --prefix /usr/local >install.log 2>&1 || { tail -n 20 install.log >&2; fail "cmake --install"; }
local=$dir/by-hand/usr/local
grep -qx "ExecStart=/usr/local/bin/bellroped --config /etc/bellrope/bellrope.ini" "$local/lib/systemd/system/bellroped.service" ||
    fail "the unit does not start what was installed"
grep -qx "plan = /usr/local/share/bellrope/plans/science.plan" "$local/share/doc/bellrope/examples/bellrope.ini" ||
    fail "the sample does not name the plans that were installed"
[ -f "$local/share/zsh/site-functions/_bellrope" ] || fail "zsh does not look where its completion was put"

# ---- the package by itself ----
make_package() { # make_package FOLDER [CPACK OPTION...]
    folder=$1
    shift
    cpack -G DEB -B "$dir/$folder" --config "$build/CPackConfig.cmake" "$@" >cpack.log 2>&1 || { tail -n 20 cpack.log >&2; fail "cpack"; }
    ls "$folder"/bellrope_*.deb
}
package=$(make_package made)
version=$(dpkg-deb -f "$package" Version)
later=$(make_package later -D "CPACK_PACKAGE_VERSION=$version.1")
dpkg-deb -f "$package" >control
for field in "Package: bellrope" "Maintainer:" "Depends:.*libuv1" "Depends:.*libsqlite3-0" "Depends:.*libjansson4" "Section: science"; do
    grep -q "^$field" control || { cat control >&2; fail "the package does not say $field"; }
done
dpkg-deb -c "$package" | awk '{ print $1, $2, $6 }' >contents
grep -v ' root/root ' contents && fail "not all of it belongs to root"
grep -E '^-.......w|^-....w' contents && fail "others may write a file of it"
pages=$(cd "$build/pages/man" && ls | sed 's|^|share/man/man1/|')
for file in bin/bellroped bin/bellrope bin/bellrope-rig bin/bellrope-padtool lib/systemd/system/bellroped.service lib/sysusers.d/bellrope.conf \
    lib/tmpfiles.d/bellrope.conf lib/udev/rules.d/70-bellrope-pad.rules share/doc/bellrope/operations.md share/doc/bellrope/copyright \
    share/doc/bellrope/examples/bellrope.ini share/doc/bellrope/examples/network.conf share/doc/bellrope/schema/events.json \
    share/bellrope/plans/science.plan share/bellrope/plans/navigator.plan share/bash-completion/completions/bellrope \
    share/zsh/vendor-completions/_bellrope share/man/man8/bellroped.8 share/man/man1/bellrope-rig.1 share/man/man1/bellrope-padtool.1 \
    share/man/man1/bellrope.1 $pages; do
    grep -q " ./usr/$file\$" contents || fail "/usr/$file is not in the package"
done
grep -q '^-..x.*usr/share/' contents && fail "something that is no program may be run"

# ---- into this machine, or into a root of its own ----
untouched() { # we may, nobody's Bellrope is here, and no other run of this test
    [ -n "${CI:-}${BELLROPE_INSTALL:-}" ] || return 1
    [ -z "$as_root" ] && [ -d /var/lib/dpkg/info ] && ! dpkg-query -W bellrope >/dev/null 2>&1 && ! getent passwd bellrope >/dev/null || return 1
    for path in /usr/bin/bellroped /usr/bin/bellrope /etc/bellrope /var/lib/bellrope /run/bellrope /etc/systemd/system/bellroped.service.d; do
        [ ! -e $path ] || return 1
    done
    command -v flock >/dev/null 2>&1 && command -v setpriv >/dev/null 2>&1 || return 1
    exec 9>/run/lock/bellrope-package && flock -n 9
}
handle() {
    if [ -n "$earnest" ]; then
        dpkg "$@" 9>&- >dpkg.log 2>&1 || return 1
    else # the libraries are the real system's; scripts run against the root, not in it
        $as_root dpkg --root="$root" --force-depends --force-script-chrootless --force-not-root "$@" >dpkg.log 2>&1 || return 1
    fi
}
must() {
    tries=0
    until handle "$@"; do # somebody else may be installing something
        tries=$((tries + 1))
        grep -q 'is locked\|frontend lock' dpkg.log && [ "$tries" -lt 300 ] || { cat dpkg.log >&2; fail "dpkg $*"; }
        sleep 1
    done
}
if untouched; then
    earnest=1
    root=
    must --install "$package"
    status=$(dpkg-query -W -f '${Status}' bellrope)
else
    mkdir -p "$root/var/lib/dpkg/info" "$root/var/lib/dpkg/updates" "$root/etc" "$root/run"
    : >"$root/var/lib/dpkg/status"
    : >"$root/etc/passwd"
    printf 'dialout:x:20:\naudio:x:29:\ninput:x:106:\n' >"$root/etc/group"
    must --install "$package"
    status=$(sed -n 's/^Status: //p' "$root/var/lib/dpkg/status")
fi
[ "$status" = "install ok installed" ] || fail "dpkg says: $status"
bin=$root/usr/bin
if [ -n "$earnest" ] || { command -v systemd-sysusers >/dev/null 2>&1 && [ -z "$as_root" ]; }; then
    grep -q '^bellrope:' "$root/etc/passwd" || fail "no user was made"
    for group in dialout audio; do
        grep -q "^$group:.*bellrope" "$root/etc/group" || fail "the user is not in the group $group"
    done
    [ "$(stat -c %a "$root/var/lib/bellrope")" = 750 ] || fail "/var/lib/bellrope is open to others"
fi

# ---- completions, where they were installed ----
bash -c '. "$1"; COMP_WORDS=(bellrope press --no); COMP_CWORD=2; _bellrope; [ "${COMPREPLY[*]}" = --note ]' - \
    "$root/usr/share/bash-completion/completions/bellrope" || fail "bash does not complete --note"
zsh_makes() { # zsh_makes LINE WANTED
    made=$(zsh -f "$here/integration/complete.zsh" "$root/usr/share/zsh/vendor-completions" "$1")
    [ "$made" = "$2" ] || fail "zsh makes of '$1': '$made', not '$2'"
}
shells="bash"
if command -v zsh >/dev/null 2>&1; then
    shells="bash and zsh"
    : >a.tape
    zsh_makes "bellrope pre" "bellrope press "
    zsh_makes "bellrope press --no" "bellrope press --note "
    zsh_makes "bellrope dive pa" "bellrope dive pack "
    zsh_makes "bellrope export geo" "bellrope export geojson "
    zsh_makes "bellrope replay a.t" "bellrope replay a.tape "
fi

# ---- by hand: the sample, with what would reach out of this machine and its ports made another ----
port=$((20000 + $$ % 5000 * 8))
ini=$root/etc/bellrope/sample.ini # not where every `bellrope` of this machine would look
db=$root/var/lib/bellrope/dive.db
sed -e "s,= /var/,= $root/var/," -e "s,= /run/,= $root/run/," -e "s,= /usr/,= $root/usr/," -e "s|exec:arecord.*|exec:cat /dev/zero|" -e "s|127.0.0.1:4700|127.0.0.1:$port|" \
    -e "s|udp:0.0.0.0:5501|udp:127.0.0.1:$((port + 1))|" -e "s|udp:239.192.0.2:5502|udp:127.0.0.1:$((port + 2))|" \
    -e "s|192.168.1.20:4001|127.0.0.1:$((port + 3))|" "$root/usr/share/doc/bellrope/examples/bellrope.ini" >"$ini"
mkdir -p "$root/var/lib/bellrope" "$root/run/bellrope"
as_user() { # as the package's own user, where there is one
    if [ -n "$earnest" ]; then
        (cd / && exec setpriv --reuid=bellrope --regid=bellrope --init-groups "$@")
    else
        "$@"
    fi
}
run() {
    if [ -n "$earnest" ]; then
        setpriv --reuid=bellrope --regid=bellrope --init-groups "$bin/bellroped" --config "$ini" 9>&- >daemon.log 2>&1 &
    else
        "$bin/bellroped" --config "$ini" >daemon.log 2>&1 &
    fi
    pid=$!
    answers
}
answers() {
    until "$bin/bellrope" status --config "$ini" >status.log 2>&1; do
        kill -0 "$pid" 2>/dev/null || { cat daemon.log >&2; fail "the installed daemon ended by itself"; }
        sleep 0.05
    done
}
end() {
    kill "$pid"
    wait "$pid" || { cat daemon.log >&2; fail "the installed daemon did not end well"; }
    pid=
}
press() {
    "$bin/bellrope" press Fish --seat science --config "$ini" >press.log 2>&1 || { cat press.log >&2; fail "press"; }
}
count() { sqlite3 "$db" "SELECT count(*) FROM marker WHERE dive = '$1'"; }
schema() { sqlite3 "$db" "PRAGMA user_version"; }
as_user "$bin/bellroped" --config "$ini" --check >check.log 2>&1 || { cat check.log >&2; fail "the sample configuration"; }
run
grep -q "^! pad science " status.log || { cat status.log >&2; fail "status does not tell of the pad that is missing"; }
press
end
[ "$(count D007)" -eq 1 ] || fail "$(count D007) markers of one press"
now=$(schema)

# ---- a record of schema version 1 ----
rm -f "$root"/var/lib/bellrope/*
cp "$here"/data/golden/version-1.db "$db"
chmod 0640 "$db"
[ -z "$earnest" ] || chown bellrope: "$db"
[ "$(schema)" = 1 ] || fail "the old database is of version $(schema)"
before=$("$bin/bellrope" markers --db "$db" --dive G001 --json | sort | cksum)
run
press

# ---- a later version over it, while the daemon keeps a dive ----
must --install "$later"
kill -0 "$pid" 2>/dev/null || fail "the upgrade ended a daemon that was keeping a dive"
answers
press
end
run
press
end
after=$("$bin/bellrope" markers --db "$db" --dive G001 --json | sort | cksum)
[ "$before" = "$after" ] || fail "the markers of the older dive read differently now"
[ "$(count G001)" -eq 11 ] && [ "$(count D007)" -eq 3 ] || fail "$(count G001) markers in G001, $(count D007) in D007"
[ "$(schema)" = "$now" ] || fail "the database is of version $(schema), not $now"
[ "$(sqlite3 "$db" 'PRAGMA integrity_check')" = ok ] || fail "the database is not sound"

# ---- remove, purge ----
sum=$(cksum <"$db")
must --remove bellrope
[ ! -e "$bin/bellroped" ] || fail "the program outlived its removal"
[ "$sum" = "$(cksum <"$db")" ] || fail "the removal changed the dives"
must --purge bellrope
[ "$sum" = "$(cksum <"$db")" ] || fail "the purge changed the dives"
rm -f "$db-lock"
left=$(for folder in usr etc var run; do
    find "$root/$folder" -xdev \( -name '*bellrope*' -o -path "$root/*/bellrope/*" \) ! -path '*/lib/dpkg/*' ! -path '/run/lock/*' 2>/dev/null || true
done | sed "s|^$root||" | sort | tr '\n' ' ')
[ "$left" = "/etc/bellrope /etc/bellrope/sample.ini /var/lib/bellrope /var/lib/bellrope/dive.db /var/lib/bellrope/dive.tape " ] ||
    fail "left behind after a purge: $left"
echo "$(basename "$package"): $(wc -l <contents) entries, completes in $shells; ${earnest:+in earnest }${root:+in a scratch root }installed, ran with its sample," \
    "upgraded while running, database of version 1 now $now, removed, purged; the dives stayed"
