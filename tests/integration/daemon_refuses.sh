#!/bin/sh
# What the daemon refuses and how it says so: wrong usage, a bad configuration, a database, tape or socket that another one holds, a
# database of a later version; and that it ends well.
#   sh daemon_refuses.sh BUILD
set -eu
build=$(cd "$1" && pwd)
. "$(dirname "$0")/daemon_common"
daemon_folder refuses sqlite3

# expect CODE TEXT ARGUMENT...: how bellroped ends, and what it must have said
expect() {
    code=$1
    text=$2
    shift 2
    got=0
    "$build/bellroped" "$@" >out.log 2>&1 || got=$?
    [ "$got" -eq "$code" ] || fail "bellroped $*: exit $got, not $code"
    grep -qF -- "$text" out.log || fail "bellroped $*: did not say: $text"
}

expect 0 "usage: bellroped" --help
expect 0 "bellroped 0." --version
expect 2 "--config FILE is missing"
expect 2 "'more': no such argument" --config x more
expect 2 "usage: bellroped" --nonsense
expect 1 "none.ini: cannot be read: No such file or directory" --config none.ini

printf '[dive]\nid = D 1\n[pad a]\nport = usb:1\nplan = p\n[plan]\n' >bad.ini
expect 1 "bad.ini:2: [dive] id: 'D 1' is no dive id; accepted:" --config bad.ini
expect 1 "bad.ini:4: [pad a] port: 'usb:1' does not name USB ids; accepted:" --config bad.ini
expect 1 "bad.ini: 3 wrong" --config bad.ini --check
[ ! -e bellrope.db ] || fail "a bad configuration made a database"

printf '[key A1]\nkind = fish\nlabel = Fish\n' >bad.plan
printf '[pad a]\nport = nothing\nplan = bad.plan\n' >plan.ini
expect 1 "bad.plan:2: [key A1] kind:" --config plan.ini --check
expect 1 "bad.plan:2: [key A1] kind:" --config plan.ini

printf '[key A1]\nkind = subject\nlabel = Fish\n[key A2]\nkind = done\nlabel = Done\n' >good.plan
printf '[dive]\nid = D1\n[store]\nfile = a.db\ntape = a.tape\n[pad a]\nport = nothing\nplan = good.plan\n[socket]\nunix = a.sock\n' >a.ini
expect 0 "note: a.ini:7: [pad a] port: nothing: No such file or directory; the daemon will wait for it" --config a.ini --check
expect 0 "a.ini: good; 1 pads, 0 feeds, a.db" --config a.ini --check
[ ! -e a.db ] && [ ! -e a.tape ] || fail "--check made a file"

"$build/bellroped" --config a.ini >a.log 2>&1 &
pid=$!
until "$build/bellrope" status --config a.ini >status.log 2>&1; do
    kill -0 "$pid" 2>/dev/null || fail "the daemon ended by itself"
    sleep 0.05
done
grep -q "D1" status.log || fail "the configured dive was not begun"

# a second one on the same database, tape, socket
expect 1 "a.ini:4: [store] file: " --config a.ini
grep -q "process $pid" out.log || fail "it was not said who holds the database"
sed 's/a\.db/b.db/' a.ini >b.ini
expect 1 "b.ini:5: [store] tape: a.tape is written by another program" --config b.ini
sed 's/a\.db/c.db/; s/a\.tape/c.tape/' a.ini >c.ini
expect 1 "c.ini:10: [socket] unix: " --config c.ini
grep -q "$pid" out.log || fail "it was not said who answers on the socket"
kill -0 "$pid" || fail "the first daemon did not survive the others"

# key plans are read again; one with mistakes leaves the other in force
cp bad.plan good.plan
kill -HUP "$pid"
until grep -q "the one in force stays" a.log; do
    kill -0 "$pid" 2>/dev/null || fail "the daemon ended on SIGHUP"
    sleep 0.05
done
"$build/bellrope" press Fish --config a.ini >press.log 2>&1 || fail "the plan in force was lost"

ended=0
kill "$pid"
wait "$pid" || ended=$?
pid=
[ "$ended" -eq 0 ] || fail "exit $ended on SIGTERM"
[ ! -e a.sock ] || fail "the socket file was left behind"

# the same dive is not begun twice; a database of a later version is left as it is
printf '[key A1]\nkind = subject\nlabel = Fish\n[key A2]\nkind = done\nlabel = Done\n' >good.plan
"$build/bellrope" dive list --db a.db >list.log 2>&1 || fail "dive list"
sqlite3 a.db "PRAGMA user_version = 9999" || fail "sqlite3"
before=$(cksum <a.db)
expect 1 "a.ini:4: [store] file: " --config a.ini
expect 1 "a.ini:4: [store] file: " --config a.ini --check
[ "$before" = "$(cksum <a.db)" ] || fail "a database of a later version was changed"
printf 'this is no database, but a text of some length, so that it is looked at in earnest\n' >a.db
before=$(cksum <a.db)
expect 1 "a.ini:4: [store] file: " --config a.ini
[ "$before" = "$(cksum <a.db)" ] || fail "a file that is no database was changed"
echo "refused what must be refused, and said why"
