#!/bin/sh
# What the daemon tells its service manager, heard by a stand-in for one: ready, then the watchdog fed by its loop for as long as the loop
# turns and no longer, then that it ends.
#   sh service_notify.sh BUILD
set -eu
build=$(cd "$1" && pwd)
[ -x "$build/bellroped" ] || { echo "skipped: $build/bellroped is not built"; exit 77; }
command -v python3 >/dev/null 2>&1 || { echo "skipped: python3 is not installed"; exit 77; }
dir=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-notify.XXXXXX")
trap 'rm -rf "$dir"' EXIT
cd "$dir"
printf '[store]\nfile = a.db\n[socket]\nunix = sock\n' >a.ini
python3 - "$build/bellroped" <<'PY'
import os, signal, socket, subprocess, sys
hear = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
hear.bind("notify")
hear.settimeout(60)
daemon = subprocess.Popen([sys.argv[1], "--config", "a.ini"], stderr=open("log", "w"),
                          env=dict(os.environ, NOTIFY_SOCKET=os.path.abspath("notify"), WATCHDOG_USEC="200000"))
def next_word():
    return hear.recv(256).decode()
try:
    words = []
    while "READY=1" not in words:
        words.append(next_word())
    fed = 0
    while fed < 5:
        word = next_word()
        assert word == "WATCHDOG=1", word
        fed += 1
    # a process that does not turn feeds nobody; what was said before it stopped is taken first
    daemon.send_signal(signal.SIGSTOP)
    os.waitpid(daemon.pid, os.WUNTRACED)
    hear.setblocking(False)
    try:
        while True: next_word()
    except BlockingIOError:
        pass
    hear.settimeout(1.0)
    try:
        sys.exit("a stopped daemon said " + next_word())
    except socket.timeout:
        pass
    hear.settimeout(60)
    daemon.send_signal(signal.SIGCONT)
    assert next_word() == "WATCHDOG=1"
    daemon.send_signal(signal.SIGTERM)
    word = next_word()
    while word == "WATCHDOG=1": word = next_word()
    assert word == "STOPPING=1", word
    assert daemon.wait(60) == 0
    print("ready, fed by the loop %d times and more, silent while stopped, ended" % fed)
finally:
    if daemon.poll() is None: daemon.kill()
PY
