#!/bin/sh
# The verbs against a living daemon: what they print as text and as JSON, followers that count, that end with the connection and that outlive a
# daemon, a terminal with colours and the state of the dive below, tokens and roles, lists of more than a page; and daemons that are none.
#   sh cli_daemon.sh BUILD
set -eu
build=$(cd "$1" && pwd)
data=$(cd "$(dirname "$0")/../data/dives" && pwd)
. "$(dirname "$0")/cli_common"
command -v python3 >/dev/null 2>&1 || { echo "skipped: python3 is not installed"; exit 77; }
cli_begin daemon
cat >bellrope.ini <<END
[store]
file = dive.db
[timecode]
source = time-of-day
rate = 25
[pad science]
port = no-pad
plan = $data/science.plan
seat = science
[pad nav]
port = no-pad-either
plan = $data/navigator.plan
seat = nav
[socket]
unix = socket
tcp = [::1]:$port
token_file = tokens
END
if ! python3 -c 'import socket; socket.socket(socket.AF_INET6).bind(("::1", 0))' 2>/dev/null; then
    sed -i "s/^tcp = .*/tcp = 127.0.0.1:$port/" bellrope.ini
fi
tcp=$(sed -n 's/^tcp = //p' bellrope.ini)
printf '# of this test\n\nread reader-token-000001\nwrite writer-token-00001\n' >tokens
chmod 600 tokens
start

# ---- state ----
run 0 status
silent
grep -q '^! pad science ' out || fail "a pad that is missing is not called sick"
[ "$(head -n 1 out | cut -c 1)" = "!" ] || fail "the sick ones do not come first"
prints "no dive is open"
run 0 status --json
jq -e '(.lines | any(.what == "disk")) and (.lines[0].sick) and (.dive == "" or .dive == null)' out >/dev/null || fail "$said: $(cat out)"

# ---- a dive ----
run 0 seat science --who 'C. Moor'
prints "on watch at"
run 0 seat science --who ''
prints "nobody at"
run 1 seat scince --who 'C. Moor'
tells "there is no seat 'scince'; there are: science, nav"
printf '[dive]\nid = D1\nvehicle = Quill\nship = Lantern Gull\nplanned_bottom_min = 45\n[seats]\nscience = A. Quill\nnav = B. Tarn\n' >D1.ini
run 0 dive begin --from D1.ini --site 'Hollin Bank'
prints "begun D1 (seq "
run 0 dive list
prints "D1" "open" "Quill" "Lantern Gull" "Hollin Bank"
run 0 dive list --json
[ "$(jq -r '[.id, .open, .site, .planned_bottom_min] | map(tostring) | join("|")' out)" = "D1|true|Hollin Bank|45" ] || fail "$said: $(cat out)"
is "who is on watch" "nav B. Tarn,science A. Quill" "SELECT group_concat(t, ',') FROM (SELECT s.seat || ' ' || json_extract(j.event, '\$.who') AS t FROM seat s JOIN journal j USING (seq) ORDER BY 1)" 
run 1 dive begin --from none.ini
tells "none.ini cannot be read: No such file or directory"
cat >wrong.ini <<END
[dive]
id = D2
id = D3
vehicle =
planned_bottom_min = long
captain = nobody
[seats]
a-seat-with-a-name-too-long = X
[crew]
END
run 1 dive begin --from wrong.ini
tells "wrong.ini:3: [dive] id: given twice" "wrong.ini:4: [dive] vehicle: is empty or too long" "wrong.ini:5: [dive] planned_bottom_min: is no such time; accepted: minutes from 1 to 10080" \
    "wrong.ini:6: [dive] captain: no such key; accepted in [dive]:" "wrong.ini:8: [seats] a-seat-with-a-name-too-long: is too long" "wrong.ini:9: [crew]" "6 problems; see above. Nothing was begun"
printf '[dive]\nsite = nowhere\n' >noid.ini
run 2 dive begin --from noid.ini
tells "begin needs the dive's id, such as D007, or --from a file that has it"

# ---- a follower that counts, as text and as JSON; one that ends with its daemon; one that outlives it ----
run 0 press 'On bottom' --seat nav
run 0 press A1 --note 'two, small'
prints "kept D1-M0002 (seq "
run 0 press C2
run 0 follow --since 0 --count 3
silent
[ "$(head -n 1 out | cut -c 1-3)" = UTC ] || fail "the columns are not named"
prints "M0001" "On bottom" "M0002" "Fish" "two, small" "S001"
grep -q 'dive  *D1' out || fail "$said: the dive's begin is not shown"
grep -q 'on the bottom\|left' out || fail "$said: time on the bottom is not shown"
run 0 follow --since 0 --count 2 --json --all
[ "$(jq -r .seq out | head -n 1)" = 1 ] || fail "$said: it does not begin with the first event"
jq -r .seq out | awk '$1 != NR { exit 1 }' || fail "$said: a hole"
[ "$(jq -r .type out | tail -n 1)" = marker ] || fail "$said: it does not end with the marker"
run 0 follow --since "$(sqlite3 -readonly dive.db "SELECT seq - 1 FROM marker ORDER BY seq DESC LIMIT 1")" --count 1 --json
[ "$(jq -rs 'map(select(.type == "marker") | .id) | join(" ")' out)" = D1-M0003 ] || fail "$said: $(cat out)"

"$build/bellrope" follow --since 0 --no-retry >ends.out 2>ends.log &
other_pid=$!
"$build/bellrope" follow --since 0 --count 5 >outlives.out 2>outlives.log &
outlives=$!
until grep -q M0003 ends.out && grep -q M0003 outlives.out; do sleep 0.05; done
stop
code=0
wait "$other_pid" || code=$?
other_pid=
[ "$code" -eq 1 ] || fail "a follower that shall not try again ended with $code"
grep -q "closed the connection; seen up to seq [0-9]" ends.log || fail "it is not said up to where the follower has seen: $(cat ends.log)"
run 1 follow
lines 0
tells "no daemon answers"
start
run 0 press A2
run 0 press D3
code=0
wait "$outlives" || code=$?
[ "$code" -eq 0 ] || fail "the follower that outlives ended with $code"
grep -q "trying again after seq [0-9]" outlives.log || fail "it is not said that the follower tries again"
[ "$(grep -oE ' M000[1-9] ' outlives.out | tr -d ' \n')" = M0001M0002M0003M0004M0005 ] || fail "missed or doubled: $(cat outlives.out)"
[ "$(grep -c '^UTC' outlives.out)" -eq 1 ] || fail "the columns are named twice"

# ---- a terminal: the state of the dive stands below, trouble is red, and NO_COLOR is heeded ----
cat >terminal.py <<'PY'
import os, pty, sys
pid, fd = pty.fork()
if pid == 0:
    os.execv(sys.argv[1], sys.argv[1:])
shown = b""
while True:
    try:
        got = os.read(fd, 4096)
    except OSError:
        break
    if not got:
        break
    shown += got
os.write(1, shown)
sys.exit(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]))
PY
TERM=xterm python3 terminal.py "$build/bellrope" status >out || fail "status on a terminal"
grep -q "$(printf '\033')\[1;31m! pad" out || fail "trouble is not red on a terminal"
NO_COLOR=1 TERM=xterm python3 terminal.py "$build/bellrope" status >out || fail "status on a terminal"
! grep -q "$(printf '\033')" out || fail "NO_COLOR is not heeded"
TERM=xterm python3 terminal.py "$build/bellrope" follow --since 0 --count 5 >out || fail "follow on a terminal"
grep -q "$(printf '\r\033\[K')" out || fail "the state is not taken away before a marker"
grep -q "$(printf '\033')\[2m" out || fail "what is no marker is not dimmed"

# ---- answers as JSON, refusals in words ----
run 0 press A1 --json
jq -e '.ref == "D1-M0006" and .seq > 0' out >/dev/null || fail "$said: $(cat out)"
run 0 sample --container 'box 3' --note 'tip broken' --json
jq -e '.ref == "D1-M0007" or .ref == "D1-A001"' out >/dev/null || fail "$said: $(cat out)"
run 0 samples
prints "box 3" "tip broken" "1 sample of dive D1"
run 0 identify last Crustacea
prints "identified D1-S"
run 1 press Z9
tells "no key 'Z9'"
run 1 press D2 --target whale
tells "'whale' is no sighting's reference such as S31"
run 1 dive begin D2
tells "D1 is open"
run 1 clap
run 1 clap --frame 05:06:07:02
run 1 markers --dive D099
tells "there is no dive D099"
run 1 press A1 --dive D099
run 0 strike last --why slip --by 'A. Quill'
run 0 strike "$(sqlite3 -readonly dive.db 'SELECT ref FROM marker_now WHERE struck')" --undo
prints "restored"

# ---- the other door ----
run 1 status --socket "$tcp"
tells "hello with a token"
printf 'reader-token-000001\n' >reader
run 0 status --socket "$tcp" --token-file reader
prints "dive"
run 1 press A1 --socket "$tcp" --token-file reader
tells "may only read"
run 1 dive end --socket "$tcp" --token-file reader
tells "may only read"
printf 'write writer-token-00001\n' >writer
run 0 press A1 --socket "$tcp" --token-file writer
prints "kept D1-M"
run 1 status --socket "$tcp" --token-file none
tells "token file none: No such file or directory"
printf '# nothing\n' >nothing
run 1 status --socket "$tcp" --token-file nothing
tells "token file nothing: there is no token in it"
printf 'write writer-token-00002\n' >stranger
run 1 status --socket "$tcp" --token-file stranger
sed '/^unix/d' bellrope.ini >tcp.ini
run 0 markers --config tcp.ini --last 1
prints "1 marker of dive D1"

# ---- more than a page ----
python3 - <<'PY' || fail "2,100 presses"
import json, socket
s = socket.socket(socket.AF_UNIX)
s.connect("socket")
f = s.makefile("rb")
for part in range(21):
    s.sendall(b"".join(b'{"jsonrpc":"2.0","id":%d,"method":"press","params":{"key":"B2","seat":"nav"}}\n' % i for i in range(100)))
    for i in range(100):
        answer = json.loads(f.readline())
        assert "result" in answer, answer
PY
total=$(sqlite3 -readonly dive.db "SELECT count(*) FROM marker")
[ "$total" -gt 2100 ] || fail "$total markers"
run 0 markers --json
[ "$(jq -r .number out | sort -n | uniq | wc -l)" -eq "$total" ] || fail "a list of pages lacks some or has some twice"
run 0 markers --last 2050 --json
lines 2050
[ "$(jq -r .number out | tail -n 1)" -eq "$total" ] || fail "not the newest"
run 0 markers --last 7 --json
[ "$(jq -r .number out | tr '\n' ' ')" = "$(seq -s ' ' $((total - 6)) "$total") " ] || fail "not the newest seven"

run 0 dive end
prints "ended D1"
run 1 dive end
stop

# ---- what answers is no daemon of ours ----
cat >impostor.py <<'PY'
import os, socket, sys
s = socket.socket(socket.AF_UNIX)
s.bind("impostor.new")
s.listen(1)
os.rename("impostor.new", "impostor")
c, _ = s.accept()
asked = b""
while not asked.endswith(b"\n"):
    asked += c.recv(65536)
c.sendall(sys.argv[1].encode().decode("unicode_escape").encode())
c.close()
PY
impostor() { # impostor ANSWER MESSAGE: one who answers so, and what the verb says of it
    rm -f impostor
    python3 impostor.py "$1" &
    other_pid=$!
    until [ -S impostor ]; do
        kill -0 "$other_pid" 2>/dev/null || fail "no impostor"
        sleep 0.02
    done
    run 1 status --socket "$dir/impostor"
    tells "$2"
    wait "$other_pid" || true
    other_pid=
}
impostor '' "the daemon at $dir/impostor closed the connection"
impostor 'HTTP/1.1 400 Bad Request\n' "impostor sent what is no JSON"
impostor '{"jsonrpc":"2.0","id":1}\n' "an answer without result and error"
impostor '{"jsonrpc":"2.0","id":null,"error":{"code":-32010,"message":"too many connections"}}\n' "too many connections"
impostor '{"jsonrpc":"2.0","method":"event","params":{}}\n{"jsonrpc":"2.0","id":1,"error":{"code":-32000,"message":"not now"}}\n' "not now"
is "soundness" ok "PRAGMA integrity_check"
echo "$total markers by hand, followed, listed and refused"
