#!/usr/bin/env python3
"""How the core's time grows with its work:  growth.py BUILD ROUNDS SCALE

Each bench of the core runs a hundredth, a tenth and all of its work; the row is the slope of log time over log work (core_bench.h).
"""
import subprocess
import sys

BENCHES = ["nmea", "clockmap", "sampleblock", "ltc"]


def main():
    build, rounds, scale = sys.argv[1:4]
    failed = [name for name in BENCHES if subprocess.run([f"{build}/bench_{name}", rounds, scale, "grow"]).returncode]
    if failed:
        print(f"growth.py: failed: {' '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
