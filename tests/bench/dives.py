"""What exports.py and replay.py share: the long dive at any length, made by the rig as a tape and replayed, and programs measured."""
import math
import os
import re
import subprocess
import sys
import time

DATA = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "data", "dives")


def run(command):
    """Processor seconds (user and system), wall seconds, peak memory in MB and output of one program."""
    started = time.monotonic()
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    said = child.stdout.read().decode(errors="replace")
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if status != 0:
        sys.exit(f"{' '.join(command)} ended with {child.returncode}:\n{said}")
    return usage.ru_utime + usage.ru_stime, time.monotonic() - started, usage.ru_maxrss / 1024, said


def say(name, unit, ours, floor=0.0, goal=0.0, sense="show"):
    print(f"{name}\t{unit}\t{ours:.9g}\t{floor:.9g}\t{goal:.9g}\t{sense}", flush=True)


def exponent(points):
    """The slope of log(cost) against log(size), by least squares: 1 is in proportion, 2 is quadratic."""
    x, y = [math.log(size) for size, _ in points], [math.log(max(cost, 1e-6)) for _, cost in points]
    middle_x, middle_y = sum(x) / len(x), sum(y) / len(y)
    return sum((a - middle_x) * (b - middle_y) for a, b in zip(x, y)) / sum((a - middle_x) ** 2 for a in x)


def scaled_script(hours):
    """long.rig, whose times and numbers of presses are those of 8 hours, for another length."""
    factor, lines = hours / 8, []
    for line in open(os.path.join(DATA, "long.rig"), encoding="utf-8"):
        if line.startswith("world "):
            line = f"world descent {2700 * factor:.0f}s bottom {23040 * factor:.0f}s ascent {2700 * factor:.0f}s\n"
        elif line.startswith("at "):
            _, at, rest = line.split(" ", 2)
            rest = re.sub(r"^random (\d+)", lambda m: f"random {int(m[1]) * factor:.0f}", rest)
            rest = re.sub(r" for (\d+)", lambda m: f" for {int(m[1]) * factor:.0f}", rest)
            line = f"at {max(int(at) * factor, 1):.0f} {rest}"
        lines.append(line)
    return "".join(lines)


def newer(path, *than):
    return os.path.exists(path) and all(os.path.getmtime(path) >= os.path.getmtime(other) for other in than)


def make_tape(build, hours):
    """Kept in the build folder and made anew where the rig is newer: an hour of dive takes the rig some seconds."""
    folder = os.path.join(build, "bench-dives")
    tape, script, rig = f"{folder}/{hours}h.tape", f"{folder}/{hours}h.rig", f"{build}/bellrope-rig"
    os.makedirs(folder, exist_ok=True)
    for name in ("science.plan", "navigator.plan", "long.ini"):
        with open(os.path.join(DATA, name), encoding="utf-8") as source, open(f"{folder}/{name}", "w", encoding="utf-8") as copy:
            copy.write(source.read())
    if not newer(tape, rig):
        with open(script, "w", encoding="utf-8") as out:
            out.write(scaled_script(hours))
        if os.path.exists(tape):
            os.unlink(tape)
        run([rig, "--script", script, "--config", f"{folder}/long.ini", "--tape", f"{tape}.new", "--hours", str(hours)])
        os.rename(f"{tape}.new", tape)
    return tape


def make_database(build, hours):
    tape = make_tape(build, hours)
    base = tape.replace(".tape", ".db")
    if not newer(base, tape, f"{build}/bellrope"):
        if os.path.exists(base):
            os.unlink(base)
        run([f"{build}/bellrope", "replay", tape, "-o", base])
    return base
