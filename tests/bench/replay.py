#!/usr/bin/env python3
"""Replay of a dive of 8 hours (20 channels at 10 Hz, 3,000 markers): beside inserting the rows that come of it with prepared statements in batches
(bench_exportfloor.c), in seconds of the processor, both threads of the replay together; against real time; growth and peak memory over 1, 4
and 16 hours. Rows as in bench.h.  replay.py BUILD [ROUNDS [SCALE]]; a SCALE below 1 is an hour's dive and nothing else"""
import os
import statistics
import sys
import tempfile

from dives import exponent, make_database, make_tape, run, say


def unlink_database(path):
    for end in ("", "-wal", "-shm", "-lock"):
        if os.path.exists(path + end):
            os.unlink(path + end)


def replay(build, tape, folder):
    base = os.path.join(folder, "replayed.db")
    result = run([f"{build}/bellrope", "replay", tape, "-o", base])
    unlink_database(base)
    return result


def insert(build, base, folder):
    """Processor and wall seconds of inserting alone; the program says them, for it also reads."""
    new = os.path.join(folder, "inserted.db")
    cpu, wall = run([f"{build}/bench_exportfloor", "insert", base, new])[3].split()
    unlink_database(new)
    return float(cpu), float(wall)


def beside(build, hours, folder):
    tape, base, what = make_tape(build, hours), make_database(build, hours), f"replay, {hours} h dive"
    cpu, wall, _, _ = replay(build, tape, folder)
    insert_cpu, insert_wall = insert(build, base, folder)
    say(f"{what}: beside inserting the rows", "dives/s of cpu", 1 / cpu, 1 / insert_cpu, 0.6, "rate")
    say(f"{what}: the same by the clock", "dives/s", 1 / wall, 1 / insert_wall, 0.6, "show")
    say(f"{what}", "x real time", hours * 3600 / wall, 0, 500, "least")
    say(f"{what}: per second of processor", "x real time", hours * 3600 / cpu)


def growth(build, folder):
    each = {hours: [replay(build, make_tape(build, hours), folder) for _ in range(3)] for hours in (1, 4, 16)}
    seconds = {hours: statistics.median(r[0] for r in rounds) for hours, rounds in each.items()}
    memory = {hours: statistics.median(r[2] for r in rounds) for hours, rounds in each.items()}
    say("replay: peak memory, 16 h beside 1 h", "MB", memory[16], memory[1], 1.25, "cost")
    for hours, cost in seconds.items():
        say(f"replay, {hours} h", "s of processor", cost)
    say("replay: growth from 1 h to 16 h", "exponent", exponent(list(seconds.items())))


def main():
    build = sys.argv[1]
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    whole = len(sys.argv) < 4 or float(sys.argv[3]) >= 1
    with tempfile.TemporaryDirectory(dir=build) as folder:
        for _ in range(rounds):
            beside(build, 8 if whole else 1, folder)
        if whole:
            growth(build, folder)


if __name__ == "__main__":
    main()
