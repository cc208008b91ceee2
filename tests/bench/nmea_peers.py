#!/usr/bin/env python3
"""NMEA beside the decoders that Debian packages:  nmea_peers.py BUILD ROUNDS SCALE

Peers: python3-nmea2 (a decoder of every field into objects), and gpsdecode of gpsd-clients (C, the decoder of gpsd). libgps-dev offers no
decoder to link with: its API reads what a running gpsd has decoded; the decoder itself is in libgpsd, which Debian does not package
for development. So gpsdecode is run as a process and its start is taken off, measured over one sentence. Both peers read fewer
sentences than ours, and of the same kinds. Figures are of processor time. A peer that is not installed is left out with a word.
"""
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time

DEBIAN_PYTHON = "/usr/bin/python3"  # whose packages python3-nmea2 is one of; the first python3 found may be another
NMEA2_COUNT, GPSDECODE_COUNT, GOAL = 30_000, 100_000, 10


def say(name, ours, peer):
    print(name, "sentences/s", f"{ours:.9g}", f"{peer:.9g}", GOAL, "rate", sep="\t", flush=True)


def sentences(build, count):
    return subprocess.run([f"{build}/bench_nmea", "sentences", str(count)], check=True, capture_output=True).stdout


def ours_rate(build, scale):
    out = subprocess.run([f"{build}/bench_nmea", "1", str(scale)], check=True, capture_output=True, text=True).stdout
    return float(out.split("\t")[2])


def children_s():
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def gpsdecode_s(path):
    before = children_s()
    with open(path, "rb") as given:
        subprocess.run(["gpsdecode", "-j"], stdin=given, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True)
    return children_s() - before


def gpsdecode_rate(folder, build, count):
    paths = []
    for number in (1, count):
        paths.append(os.path.join(folder, f"{number}.nmea"))
        with open(paths[-1], "wb") as out:
            out.write(sentences(build, number))
    return (count - 1) / max(gpsdecode_s(paths[1]) - gpsdecode_s(paths[0]), 1e-9)


def nmea2_rate(pynmea2, lines):
    start = time.process_time()
    for line in lines:
        pynmea2.parse(line, check=True)
    return len(lines) / (time.process_time() - start)


def main():
    build, rounds, scale = sys.argv[1], int(sys.argv[2]), float(sys.argv[3])
    try:
        import pynmea2
    except ImportError:
        if os.path.realpath(sys.executable) != os.path.realpath(DEBIAN_PYTHON) and os.path.exists(DEBIAN_PYTHON):
            os.execv(DEBIAN_PYTHON, [DEBIAN_PYTHON, *sys.argv])
        pynmea2 = None
        print("nmea_peers.py: python3-nmea2 is not installed: left out", file=sys.stderr)
    has_gpsdecode = shutil.which("gpsdecode") is not None
    if not has_gpsdecode:
        print("nmea_peers.py: gpsdecode (gpsd-clients) is not installed: left out", file=sys.stderr)
    lines = sentences(build, int(NMEA2_COUNT * scale)).decode().splitlines()
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(rounds):
            ours = ours_rate(build, scale)
            if pynmea2 is not None:
                say("NMEA to samples, beside python3-nmea2", ours, nmea2_rate(pynmea2, lines))
            if has_gpsdecode:
                say("NMEA to samples, beside gpsdecode", ours, gpsdecode_rate(folder, build, int(GPSDECODE_COUNT * scale)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
