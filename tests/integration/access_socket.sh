#!/bin/sh
# Who may come to the daemon's doors, on a living daemon: the unix socket's mode and group, the peer's ids in the log, TCP beyond loopback,
# tokens and their roles, tokens kept out of the log, the process list and the tape, limits, and nothing a peer says becoming a path or a command.
#   sh access_socket.sh BUILD
set -eu
build=$(cd "$1" && pwd)
. "$(dirname "$0")/daemon_common"
daemon_folder access python3

refused() { # refused TEXT: the configuration a.ini is not started with, and this is said
    got=0
    "$build/bellroped" --config a.ini >out.log 2>&1 || got=$?
    [ "$got" -eq 1 ] || fail "started with what must be refused ($1): exit $got"
    grep -qF -- "$1" out.log || { cat out.log >&2; fail "not said: $1"; }
}

reader=reader-token-0123456789
writer=writer-token-9876543210
printf '# the bridge\nread %s\nwrite %s\n' "$reader" "$writer" >tokens
chmod 0640 tokens

# ---- what is refused at the start ----
printf '[store]\nfile = a.db\n[socket]\ntcp = 0.0.0.0:0\n' >a.ini
refused "a.ini:4: [socket] tcp: '0.0.0.0' can be reached from other machines and there is no token_file"
printf '[store]\nfile = a.db\n[socket]\ntcp = [::]:0\n' >a.ini
refused "can be reached from other machines"
printf '[store]\nfile = a.db\n[socket]\ntcp = 127.0.0.1:0\ntoken_file = tokens\n' >a.ini
chmod 0644 tokens
refused "others may read or change it"
chmod 0660 tokens
refused "others may read or change it"
chmod 0640 tokens
printf 'write short\n' >short
chmod 0600 short
printf '[store]\nfile = a.db\n[socket]\ntcp = 127.0.0.1:0\ntoken_file = short\n' >a.ini
refused "a token is 16 to 127 visible characters"
grep -q "write short" out.log && fail "a token was logged"
printf '[store]\nfile = a.db\n[timecode]\nsource = ltc\nrate = 25\ninput = exec:touch ran\n' >a.ini
chmod 0666 a.ini
refused "may be written by others"
[ ! -e ran ] || fail "a command of a configuration that others may write was run"
chmod 0644 a.ini

# ---- a daemon with both doors ----
group=$(id -gn)
port=$((20000 + $$ % 20000))
printf '[key A1]\nkind = subject\nlabel = Fish\n[key A2]\nkind = done\nlabel = Done\n' >a.plan
cat >a.ini <<INI
[dive]
id = D1
[store]
file = a.db
tape = a.tape
[pad a]
port = nothing
plan = a.plan
[socket]
unix = a.sock
mode = 0640
group = $group
tcp = 127.0.0.1:$port
token_file = tokens
INI
"$build/bellroped" --config a.ini >daemon.log 2>&1 &
pid=$!
until [ -S a.sock ] && "$build/bellrope" status --config a.ini >/dev/null 2>&1; do
    kill -0 "$pid" 2>/dev/null || fail "the daemon ended by itself"
    sleep 0.05
done

[ "$(stat -c '%a %G' a.sock)" = "640 $group" ] || fail "the socket has $(stat -c '%a %G' a.sock), not 640 $group"
grep -q "socket: pid [0-9]* uid $(id -u) gid $(id -g) connected" daemon.log || fail "the peer's ids are not in the log"

python3 - "$port" "$reader" "$writer" <<'PY' || fail "the conversation over TCP"
import json, socket, sys
port, reader, writer = int(sys.argv[1]), sys.argv[2], sys.argv[3]

class Peer:
    def __init__(self, path=None):
        self.s = socket.socket(socket.AF_UNIX) if path else socket.create_connection(("127.0.0.1", port))
        if path: self.s.connect(path)
        self.s.settimeout(60)
        self.f = self.s.makefile("rb")
    def line(self, text):
        self.s.sendall(text + b"\n")
        return json.loads(self.f.readline())
    def ask(self, method, **params):
        return self.line(json.dumps({"jsonrpc": "2.0", "id": 1, "method": method, "params": params}).encode())
def code(answer): return answer["error"]["code"]

# without a token: nothing; a wrong one ends the connection
p = Peer()
assert code(p.ask("status")) == -32011
assert code(p.ask("press", key="A1")) == -32011
p = Peer()
assert code(p.ask("hello", token=writer[:-1] + "x")) == -32011
assert p.f.readline() == b"", "a wrong token left the connection open"
for wrong in (writer[:-1], writer + "0", writer.upper(), reader[:16]):
    assert code(Peer().ask("hello", token=wrong)) == -32011, wrong
# a read token asks and subscribes, and changes nothing
p = Peer()
assert p.ask("hello", token=reader)["result"]["role"] == "read"
assert "result" in p.ask("status") and "result" in p.ask("subscribe", since=0, types=["fault"])
p = Peer()
p.ask("hello", token=reader)
for method, params in (("press", {"key": "A1"}), ("sample", {"container": "X"}), ("dive.begin", {"id": "D2"}), ("dive.end", {}),
                       ("remark", {"ref": "last", "text": "t"}), ("strike", {"ref": "last"}), ("identify", {"ref": "S1", "name": "Aa"}),
                       ("seat", {"seat": "a", "who": "x"}), ("clap", {"pad": "a"})):
    assert code(p.ask(method, **params)) == -32012, method
# a write token may
p = Peer()
assert p.ask("hello", token=writer)["result"]["role"] == "write"
assert p.ask("press", key="A1", note="over TCP")["result"]["ref"] == "D1-M0001"

# what a peer says becomes neither a path nor a command
u = Peer("a.sock")
evil = ["../../../etc/passwd", "/etc/passwd", "$(touch ran)", "`touch ran`", "; touch ran #", "a\nb", "%n%n%s", "..", "D/../../x"]
for text in evil:
    assert code(u.ask("dive.begin", id=text)) in (-32602, -32001), text
    u.ask("press", key=text); u.ask("press", key="A1", note=text, by=text); u.ask("sample", container=text)
    u.ask("remark", ref="last", text=text); u.ask("markers", dive=text); u.ask("seat", seat=text, who=text)
    u.ask("identify", ref="S1", name=text); u.ask("clap", pad=text); u.ask(text)
for text in ("' OR 1=1 --", "D1'; DROP TABLE marker; --"):
    assert u.ask("markers", dive=text).get("result", {}).get("markers", []) == [], text
assert len(u.ask("markers", dive="D1")["result"]["markers"]) >= 1
assert u.ask("exec", command="touch ran")["error"]["code"] == -32601

# limits: a line, a batch, connections
assert code(u.line(b'"' + b"x" * 70000 + b'"')) == -32600
assert code(u.line(b"[" + b",".join([b"{}"] * 101) + b"]")) == -32600
assert "result" in u.ask("status")
peers = []
refused = None
for i in range(300):
    q = socket.socket(socket.AF_UNIX); q.connect("a.sock"); q.settimeout(60); peers.append(q)
for q in peers[280:]:
    data = q.recv(4096)
    assert json.loads(data)["error"]["code"] == -32010 and q.recv(10) == b"", data
assert "result" in u.ask("status"), "who was there before was sent away"
for q in peers: q.close()
PY

# ---- tokens leave no trace ----
"$build/bellrope" status --tcp "127.0.0.1:$port" --token-file tokens >/dev/null 2>&1 || true
for token in "$reader" "$writer"; do
    grep -qF "$token" daemon.log && fail "a token is in the log"
    grep -aqF "$token" a.tape && fail "a token is on the tape"
    grep -aqF "$token" a.db && fail "a token is in the database"
    tr '\0' ' ' <"/proc/$pid/cmdline" | grep -qF "$token" && fail "a token is in the process list"
    tr '\0' ' ' <"/proc/$pid/environ" | grep -qF "$token" && fail "a token is in the environment"
done
"$build/bellrope" status --help | grep -q -- '--token[ =]' && fail "a token can be given on the command line, where everybody can read it"
[ ! -e ran ] || fail "a peer had a command run"
files=$(ls | sort | tr '\n' ' ')
[ "$files" = "a.db a.db-lock a.db-shm a.db-wal a.ini a.plan a.sock a.tape daemon.log out.log short tokens " ] || fail "files that nobody asked for: $files"
kill "$pid"
wait "$pid" || fail "did not end well"
pid=
echo "the doors hold: mode and group, ids logged, no TCP without tokens, roles, no trace of tokens, limits, no paths and no commands from peers"
