#!/usr/bin/env python3
"""What the daemon costs while it waits and while it works: memory, processor, wake-ups a second (voluntary context switches of all its threads,
/proc/PID/task/*/status). Idle: two pads and six feeds are configured and nothing is attached. Busy: two pads with their firmware, six feeds at
10 Hz, LTC and ten subscribers. Beside it a mosquitto broker that waits; without one its columns are left out.
  load.py BUILD [ROUNDS [SCALE]]"""
import atexit
import glob
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time

FEEDS = ["bridge", "compass", "vehicle", "sounder", "acoustic", "ctd"]
SENTENCES = {
    "bridge": ["GPGGA,120000.00,1219.8000,S,04553.4000,E,1,12,0.9,0.0,M,0.0,M,,", "GPVTG,88.0,T,,M,1.20,N,2.22,K,A"],
    "compass": ["HEHDT,271.25,T"],
    "vehicle": ["VHHDT,90.10,T", "YXXDR,P,180.5012,B,PRESS,D,1785.250,M,DEPTH,A,2.00,D,PITCH,A,-1.00,D,ROLL"],
    "sounder": ["SDDBT,8.20,f,2.50,M,1.37,F"],
    "acoustic": ["GPGGA,120000.00,1219.8100,S,04553.4100,E,1,12,0.9,0.0,M,0.0,M,,"],
}
RIG = """seed 3
pad science serial P-01 clock 1800ppm batch 1ms
pad nav serial P-02 clock -900ppm batch 16ms
recorder rate 25 start 10:00:00:00 clock 21ppm noise 40dB
at 1 random {presses} pads science keys A1,A2,B1,C2 for {seconds}
at {end} end
"""
MOSQUITTO = shutil.which("mosquitto") or shutil.which("/usr/sbin/mosquitto")


def say(name, unit, ours, floor=0.0, goal=0.0, sense="show"):
    print(f"{name}\t{unit}\t{ours:.9g}\t{floor:.9g}\t{goal:.9g}\t{sense}", flush=True)


def free_port(kind):
    with socket.socket(socket.AF_INET, kind) as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def rss_mb(pid):
    for line in open(f"/proc/{pid}/status", encoding="ascii"):
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    sys.exit(f"process {pid} is gone")


def cost(pid):
    """Seconds of processor and voluntary switches so far."""
    fields = open(f"/proc/{pid}/stat", encoding="ascii").read().rsplit(")", 1)[1].split()
    switches = 0
    for path in glob.glob(f"/proc/{pid}/task/*/status"):
        for line in open(path, encoding="ascii"):
            if line.startswith("voluntary_ctxt_switches:"):
                switches += int(line.split()[1])
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK"), switches


def measure(pid, seconds):
    cpu, switches = cost(pid)
    begun = time.monotonic()
    time.sleep(seconds)
    cpu_after, switches_after = cost(pid)
    took = time.monotonic() - begun
    return rss_mb(pid), (cpu_after - cpu) / took * 100, (switches_after - switches) / took


def sentence(text):
    value = 0
    for byte in text.encode():
        value ^= byte
    return f"${text}*{value:02X}\r\n".encode()


def speak(ports, stop):
    """Six feeds, ten times a second, each a datagram."""
    out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    datagrams = {name: b"".join(sentence(text) for text in texts) for name, texts in SENTENCES.items()}
    count = 0
    due = time.monotonic()
    while not stop.is_set():
        count += 1
        datagrams["ctd"] = b"%9.3f, %8.4f, %9.5f\r\n" % (1805 + count % 7 * 0.001, 2.15 + count % 11 * 0.0001, 32.9 + count % 5 * 0.00001)
        for name in FEEDS:
            out.sendto(datagrams[name], ("127.0.0.1", ports[name]))
        due += 0.1
        stop.wait(max(0, due - time.monotonic()))


def configure(folder, plans, ports):
    lines = ["[dive]", "id = B001", "vehicle = Quill", "ship = Lantern Gull", "site = Hollin Bank", "[store]", "file = dive.db", "tape = dive.tape",
             "[timecode]", "source = ltc", "rate = 25", "input = fifo:rig/ltc.fifo", "sample_rate = 48000",
             "[pad science]", "port = rig/pad-science", f"plan = {plans}/science.plan", "seat = science",
             "[pad nav]", "port = rig/pad-nav", f"plan = {plans}/navigator.plan", "seat = nav"]
    for name in FEEDS:
        lines += [f"[feed {name}]", f"input = udp:127.0.0.1:{ports[name]}", f"as = {'ship' if name in ('bridge', 'compass') else 'vehicle'}"]
        lines += ["format = columns", "separator = comma", "column.1 = water.pressure_dbar dbar", "column.2 = water.temperature_C",
                  "column.3 = water.conductivity_mS_cm"] if name == "ctd" else ["format = nmea"]
    lines += ["[socket]", "unix = sock"]
    path = os.path.join(folder, "a.ini")
    with open(path, "w", encoding="utf-8") as out:
        out.write("\n".join(lines) + "\n")
    return path


def connect(path, seconds=10):
    end = time.monotonic() + seconds
    while True:
        peer = socket.socket(socket.AF_UNIX)
        try:
            peer.connect(path)
            return peer
        except OSError:
            peer.close()
            if time.monotonic() > end:
                sys.exit(f"nobody answers on {path}")
            time.sleep(0.01)


def drain(peer):
    while peer.recv(65536):
        pass


class Daemon:
    def __init__(self, build, folder):
        self.folder, self.build = folder, build
        plans = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "..", "docs", "plans")
        self.ports = {name: free_port(socket.SOCK_DGRAM) for name in FEEDS}
        os.makedirs(os.path.join(folder, "rig"))
        config = configure(folder, plans, self.ports)
        with open(os.path.join(folder, "log"), "wb") as log:
            self.child = subprocess.Popen([f"{build}/bellroped", "--config", config], stderr=log)
        atexit.register(self.child.kill)  # whatever goes wrong from here on; nothing where it has ended
        self.socket = os.path.join(folder, "sock")
        connect(self.socket).close()

    def end(self):
        self.child.send_signal(signal.SIGTERM)
        if self.child.wait() != 0:
            sys.exit("bellroped failed:\n" + open(os.path.join(self.folder, "log"), encoding="utf-8").read())


def run_busy(daemon, seconds):
    subscribers = [connect(daemon.socket) for _ in range(10)]
    for peer in subscribers:
        peer.sendall(b'{"jsonrpc":"2.0","id":1,"method":"subscribe","params":{"since":0}}\n')
        threading.Thread(target=drain, args=(peer,), daemon=True).start()
    script = os.path.join(daemon.folder, "busy.rig")
    with open(script, "w", encoding="utf-8") as out:
        out.write(RIG.format(presses=max(4, int(seconds * 2)), seconds=seconds + 2, end=seconds + 4))
    rig = subprocess.Popen([f"{daemon.build}/bellrope-rig", "--script", script, "--dir", os.path.join(daemon.folder, "rig"), "--quiet"],
                           stdout=subprocess.DEVNULL)
    stop = threading.Event()
    speaker = threading.Thread(target=speak, args=(daemon.ports, stop))
    speaker.start()
    time.sleep(1.2)
    result = measure(daemon.child.pid, seconds)
    rig.terminate()
    rig.wait()
    stop.set()
    speaker.join()
    for peer in subscribers:
        peer.shutdown(socket.SHUT_RDWR)
    return result


def press(daemon, count):
    """Soft presses, 50 under way at a time."""
    peer = connect(daemon.socket)
    answers = peer.makefile("r", encoding="utf-8")
    for _ in range(count // 50):
        peer.sendall(b'{"jsonrpc":"2.0","id":1,"method":"press","params":{"key":"A1","seat":"science"}}\n' * 50)
        for _ in range(50):
            if "error" in answers.readline():
                sys.exit("a press was refused")
    peer.close()


def broker_rss(folder, seconds):
    if MOSQUITTO is None:
        time.sleep(seconds)
        return 0
    config = os.path.join(folder, "broker.conf")
    with open(config, "w", encoding="utf-8") as out:
        out.write(f"listener {free_port(socket.SOCK_STREAM)} 127.0.0.1\nallow_anonymous true\n")
    child = subprocess.Popen([MOSQUITTO, "-c", config], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    time.sleep(seconds)
    memory = rss_mb(child.pid)
    child.terminate()
    child.wait()
    return memory


def main():
    build = sys.argv[1]
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    scale = float(sys.argv[3]) if len(sys.argv) > 3 else 1
    if MOSQUITTO is None:
        print("load: mosquitto is not installed; its memory is left out", file=sys.stderr)
    if scale < 1:
        rounds = 1
    for _ in range(rounds):
        with tempfile.TemporaryDirectory(prefix="bellrope-bench.") as folder:
            daemon = Daemon(build, folder)
            # meanwhile the daemon has looked for what is missing often enough, and (at 10 s) has told of silent feeds
            broker = broker_rss(folder, 3.5 if scale < 1 else 13)
            memory, _, wakeups = measure(daemon.child.pid, 10 * scale)
            say("idle: memory", "MB", memory, broker, 6, "most")
            say("idle: wake-ups", "1/s", wakeups, 0, 0, "most")
            memory, cpu, wakeups = run_busy(daemon, 15 * scale)
            say("busy: memory", "MB", memory, broker, 10, "most")
            say("busy: processor", "% of a core", cpu, 0, 2, "most")
            say("busy: wake-ups", "1/s", wakeups)
            if scale >= 1:
                press(daemon, 2000)
                say("after 2,000 presses in a dive: memory", "MB", rss_mb(daemon.child.pid), broker)
            daemon.end()


if __name__ == "__main__":
    main()
