#!/usr/bin/env python3
"""Instructions a call of the clock map, by callgrind:  instructions.py BUILD ROUNDS SCALE

Counts do not depend on what else the machine does; so one run is enough, whatever ROUNDS says. Skipped (77) where valgrind is missing.
"""
import os
import shutil
import subprocess
import sys
import tempfile

CALLS = {"clockmap_at": "clock map: query", "clockmap_two_way": "clock map: update"}


def instructions(program, count, function):
    """All that was executed between entering and leaving the function, over all its calls."""
    with tempfile.TemporaryDirectory() as folder:
        out = os.path.join(folder, "callgrind.out")
        command = ["valgrind", "--tool=callgrind", f"--callgrind-out-file={out}", "--collect-atstart=no",
                   f"--toggle-collect={function}", program, "calls", str(count)]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        with open(out, encoding="utf-8") as lines:
            return next(int(line.split()[1]) for line in lines if line.startswith(("summary:", "totals:")))


def main():
    build, scale = sys.argv[1], float(sys.argv[3])
    if shutil.which("valgrind") is None:
        print("instructions.py: skipped: valgrind is not installed", file=sys.stderr)
        return 77
    count = max(int(20_000 * scale), 1000)
    for function, name in CALLS.items():
        each = instructions(f"{build}/bench_clockmap", count, function) / count
        print(f"{name}, instructions a call", "instructions", f"{each:.9g}", 0, 0, "show", sep="\t", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
