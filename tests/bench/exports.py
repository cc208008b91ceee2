#!/usr/bin/env python3
"""A dive of 8 hours (20 channels at 10 Hz, 3,000 markers) made by the rig as a tape, replayed, and exported in every format:
time and peak memory of each, as bench rows (see bench.h).  exports.py BUILD [ROUNDS [SCALE]]"""
import os
import subprocess
import sys
import tempfile
import time

FORMATS = ["csv", "json", "geojson", "gpx", "kml", "webvtt", "srt", "chapters", "matroska-chapters", "edl", "dwca", "overlay"]


def run(command):
    """Wall seconds and peak memory in MB of one program; its output is not looked at."""
    started = time.monotonic()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    said = child.stderr.read().decode(errors="replace")
    _, status, usage = os.wait4(child.pid, 0)
    if status != 0:
        sys.exit(f"{' '.join(command)} ended with {os.waitstatus_to_exitcode(status)}:\n{said}")
    return time.monotonic() - started, usage.ru_maxrss / 1024


def say(name, unit, ours, floor=0.0, goal=0.0, sense="show"):
    print(f"{name}\t{unit}\t{ours:.9g}\t{floor:.9g}\t{goal:.9g}\t{sense}", flush=True)


def main():
    build, hours = sys.argv[1], 8
    dives = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "data", "dives")
    with tempfile.TemporaryDirectory() as folder:
        tape, base = os.path.join(folder, "long.tape"), os.path.join(folder, "long.db")
        run([f"{build}/bellrope-rig", "--script", f"{dives}/long.rig", "--config", f"{dives}/long.ini", "--tape", tape])
        seconds, memory = run([f"{build}/bellrope", "replay", tape, "-o", base])
        what = f"{hours} h dive"
        say(f"replay, {what}", "x real time", hours * 3600 / seconds, 0, 500, "least")
        say(f"replay, {what}: peak memory", "MB", memory)
        for name in FORMATS + ["report"]:
            out = os.path.join(folder, f"out.{name}")
            verb = ["report"] if name == "report" else ["export", name]
            seconds, memory = run([f"{build}/bellrope", *verb, "--db", base, "-o", out])
            say(f"{name}, {what}", "s", seconds)
            say(f"{name}, {what}: peak memory", "MB", memory)
            if name == "report":
                say(f"report, {what}: size", "MB", os.path.getsize(out) / 1e6, 0, 3, "most")


if __name__ == "__main__":
    main()
