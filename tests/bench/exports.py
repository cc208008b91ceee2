#!/usr/bin/env python3
"""Every export and the report of a dive of 8 hours (20 channels at 10 Hz, 3,000 markers) beside a program that reads the same rows and writes as
many bytes (bench_exportfloor.c), both in seconds of the processor, less what the program takes to start; peak memory at 16 hours beside 1;
growth over 1, 4 and 16 hours. Rows as in bench.h.  exports.py BUILD [ROUNDS [SCALE]]; a SCALE below 1 is an hour's dive and nothing else"""
import os
import statistics
import sys
import tempfile

from dives import exponent, make_database, run, say

FORMATS = ["csv", "json", "geojson", "gpx", "kml", "webvtt", "srt", "chapters", "matroska-chapters", "edl", "dwca", "overlay", "report"]


class Bench:
    def __init__(self, build, folder):
        self.build, self.folder = build, folder
        self.floor_program, self.program = f"{build}/bench_exportfloor", f"{build}/bellrope"

    def export(self, name, base):
        """Processor seconds, peak memory and size of one export."""
        out = os.path.join(self.folder, name)
        verb = ["report"] if name == "report" else ["export", name]
        seconds, _, memory, _ = run([self.program, *verb, "--db", base, "-o", out])
        return seconds, memory, os.path.getsize(out)

    def floor(self, name, base, size):
        return run([self.floor_program, name, base, os.path.join(self.folder, "floor"), str(size)])[0]

    def beside(self, name, base, what):
        """One round of a format. Start-up is taken off both: 54 libraries are linked before the program's first line."""
        start, floor_start = run([self.program, "--version"])[0], self.floor("start", base, 0)
        seconds, _, size = self.export(name, base)
        floor = self.floor(name, base, size)
        say(f"{name}, {what}", "s of processor", max(seconds - start, 1e-3), max(floor - floor_start, 1e-3), 3, "cost")
        if name == "report":
            say(f"report, {what}: size", "MB", size / 1e6, 0, 3, "most")

    def growth(self, bases):
        start = statistics.median(run([self.program, "--version"])[0] for _ in range(5))
        for name in FORMATS:
            each = {hours: [self.export(name, base) for _ in range(3)] for hours, base in bases.items()}
            seconds = {hours: max(statistics.median(s for s, _, _ in rounds) - start, 1e-3) for hours, rounds in each.items()}
            memory = {hours: statistics.median(m for _, m, _ in rounds) for hours, rounds in each.items()}
            shown = "show" if name == "report" else "cost"
            say(f"{name}: peak memory, 16 h beside 1 h", "MB", memory[16], memory[1], 1.25, shown)
            for hours in bases:
                say(f"{name}, {hours} h", "s of processor", seconds[hours])
            say(f"{name}: growth from 1 h to 16 h", "exponent", exponent(list(seconds.items())))


def main():
    build = sys.argv[1]
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    whole = len(sys.argv) < 4 or float(sys.argv[3]) >= 1
    hours = 8 if whole else 1
    base = make_database(build, hours)
    with tempfile.TemporaryDirectory(dir=build) as folder:
        bench = Bench(build, folder)
        for _ in range(rounds):
            for name in FORMATS:
                bench.beside(name, base, f"{hours} h dive")
        if whole:
            bench.growth({hours: make_database(build, hours) for hours in (1, 4, 16)})


if __name__ == "__main__":
    main()
