#!/usr/bin/python3
"""The instants of a dive's presses once more, from its clock observations alone: python3 roundtrip_again.py DATABASE TRUTH

Other arithmetic than the daemon's: per power-up of a pad the rows are intersected as they are, carried at the rates that lie between the
slowest and the fastest which all pairs of rows allow, give or take 300 ppm for what changes within a minute. Every true contact must lie
inside, and the daemon's own interval must overlap.
"""
import json
import sqlite3
import sys

RATE_MAX = 6.1e-3  # ceramic resonators: 5,000 ppm, and some
CHANGE = 300e-6


def rates(rows):
    """The slowest and fastest rate between the first and the last third of the rows; a tick of a pad is 1,000 ns."""
    slow, fast = 1 - RATE_MAX, 1 + RATE_MAX
    third = max(1, len(rows) // 3)
    for a, lo, hi in rows[:third]:
        for b, lo2, hi2 in rows[-third:]:
            if b > a:
                slow = max(slow, (lo2 - hi) / (b - a))
                fast = min(fast, (hi2 - lo) / (b - a))
    return slow - CHANGE, fast + CHANGE


def at(rows, x, slow, fast):
    lo, hi = -1 << 62, 1 << 62
    for a, b_lo, b_hi in rows:
        u = x - a
        lo = max(lo, b_lo + u * (slow if u >= 0 else fast))
        hi = min(hi, b_hi + u * (fast if u >= 0 else slow))
    return lo, hi


def main():
    database, truth = sys.argv[1:3]
    db = sqlite3.connect(database)
    clocks = {}
    for clock, a, lo, hi in db.execute("SELECT clock, a, lo, hi FROM clock_observation ORDER BY id"):
        scale = 1000 if clock.startswith("pad ") else 1
        clocks.setdefault(clock, []).append((a * scale, lo, hi))
    spans = {clock: rates(sorted(rows)) for clock, rows in clocks.items()}
    made, seen = {}, {}
    for line in open(truth):
        entry = json.loads(line)
        if entry["type"] == "press":
            made[entry["n"]] = entry
        elif entry["type"] == "seen":
            press = made[entry["n"]]
            seen[(press["pad"], press["boot"], entry["seq"])] = (press["boottime_ns"], entry)
    checked = outside = apart = 0
    widths = []
    for pad, boot, seq, tick, mono, bound in db.execute(
        "SELECT pad, pad_boot, press_seq, tick_us, mono_ns, mono_bound_ns FROM marker WHERE origin = 'key'"
    ):
        contact, press = seen[(pad, boot, seq)]
        if press["of_seq"]:
            continue  # a hold or chord has the instant of its key-down
        clock = f"pad {pad} {boot}"
        lo, _ = at(clocks[clock], (tick - press["before_us"]) * 1000, *spans[clock])
        _, hi = at(clocks[clock], (tick + press["after_us"]) * 1000, *spans[clock])
        checked += 1
        widths.append((hi - lo) / 2e6)
        outside += not lo - 1000 <= contact <= hi + 1000
        apart += bound is not None and not (lo <= mono + bound and hi >= mono - bound)
    widths.sort()
    if not checked:
        print("no marker could be timed again")
        return 1
    print(
        f"timed again from {sum(map(len, clocks.values()))} stored observations: {checked} presses, {outside} outside, "
        f"{apart} apart from the daemon's own interval; bound median {widths[len(widths) // 2]:.3f} ms"
    )
    return 1 if outside or apart else 0


sys.exit(main())
