"""Compares our NMEA decoder with python3-nmea2 and with gpsd's gpsdecode.

Usage: nmea_reference.py CORE_NMEA DATA_FOLDER COUNT SEED

1. Kept sentences (DATA_FOLDER/*.txt) and COUNT generated ones: every value that nmea2 has too must be equal.
2. The generated ones with one byte changed: none may be read.
3. Streams of GGA, RMC, GLL and GNS: gpsdecode, an independent C program, must report the same. It reports positions only; what it
   reads of other sentences does not show in its reports.
"""
import datetime
import json
import random
import subprocess
import sys

import pynmea2

core, data, count, seed = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
rng = random.Random(seed)
TOLERANCE = 6e-10  # we round coordinates to 1e-9 degree


def sentence(body):
    total = 0
    for byte in body.encode("latin1"):
        total ^= byte
    return f"${body}*{total:02X}"


# ---- generating ----

def decimal(low, high, most=4):
    digits = rng.randint(0, most)
    return f"{rng.uniform(low, high):.{digits}f}"


def maybe(text, chance=0.15):
    return "" if rng.random() < chance else text


def clock():
    fraction = rng.choice(["", ".0", ".00", f".{rng.randint(0, 999):03d}", f".{rng.randint(0, 9)}"])
    return f"{rng.randint(0, 23):02d}{rng.randint(0, 59):02d}{rng.randint(0, 59):02d}{fraction}"


def place():
    digits = rng.randint(1, 7)  # nmea2 does not read minutes without decimals
    whole = 3 + digits
    lat = f"{rng.randint(0, 89):02d}{min(rng.uniform(0, 60), 59.9):0{whole}.{digits}f}"
    lon = f"{rng.randint(0, 179):03d}{min(rng.uniform(0, 60), 59.9):0{whole}.{digits}f}"
    if "60" in (lat[2:4], lon[3:5]):
        return place()
    return f"{lat},{rng.choice('NS')},{lon},{rng.choice('EW')}"


def angle(most=3):
    return decimal(0, 359.5, most)


def day():
    return datetime.date(2000, 1, 1) + datetime.timedelta(days=rng.randint(0, 25000))


def xdr():
    quads = []
    for _ in range(rng.randint(1, 8)):
        kind = rng.choice(["A,{},D,{}", "C,{},C,{}", "P,{},B,{}", "D,{},M,{}", "G,{},,{}"])
        quads.append(kind.format(decimal(-500, 500), rng.choice(["PITCH", "ROLL", "TEMP", "DEPTH", "X1", "CTD#0"])))
    return ",".join(quads)


def body_of(kind):
    talker = rng.choice(["GP", "GN", "IN", "HE", "SD", "YX", "GL", "GA", "II", "VD"])
    if kind == "GGA":
        rest = (f"{clock()},{place()},{rng.randint(1, 8)},{rng.randint(0, 24):02d},{decimal(0, 9)},"
                f"{maybe(decimal(-6000, 900))},M,{maybe(decimal(-80, 80))},M,{maybe(decimal(0, 9))},"
                f"{maybe(f'{rng.randint(0, 1023):04d}')}")
    elif kind == "RMC":
        date = day()
        rest = (f"{clock()},A,{place()},{maybe(decimal(0, 40))},{maybe(angle())},{date:%d%m%y},"
                f"{rng.choice([',', decimal(0, 30) + ',' + rng.choice('EW')])}{rng.choice(['', ',A', ',D', ',D,V'])}")
    elif kind == "ZDA":
        date = day()
        rest = f"{clock()},{date:%d,%m},{date.year},{rng.randint(-12, 13):02d},{rng.choice(['00', '30'])}"
    elif kind == "GLL":
        rest = f"{place()},{clock()},A{rng.choice(['', ',A', ',D'])}"
    elif kind == "GNS":
        rest = (f"{clock()},{place()},{rng.choice(['AA', 'AN', 'D', 'RR', 'FN', 'EE'])},{rng.randint(0, 40):02d},"
                f"{decimal(0, 9)},{maybe(decimal(-10, 90))},{maybe(decimal(-80, 80))},,")
    elif kind == "GST":
        rest = f"{clock()},{decimal(0, 20)},,,,{decimal(0, 30)},{decimal(0, 30)},{decimal(0, 30)}"
    elif kind == "VTG":
        speed = rng.uniform(0, 40)
        rest = f"{maybe(angle())},T,{maybe(angle())},M,{speed:.2f},N,{speed * 1.852:.2f},K{rng.choice(['', ',A', ',D'])}"
    elif kind == "HDT":
        rest = f"{angle()},T"
    elif kind == "HDG":
        rest = f"{angle()},{rng.choice([',', decimal(0, 9) + ',E', decimal(0, 9) + ',W'])},{decimal(0, 30)},{rng.choice('EW')}"
    elif kind == "THS":
        rest = f"{angle()},{rng.choice('AEMS')}"
    elif kind == "ROT":
        rest = f"{decimal(-720, 720)},A"
    elif kind == "DPT":
        rest = f"{decimal(0, 9000)},{decimal(-5, 5)}{rng.choice(['', ',', ',' + decimal(10, 9000, 0)])}"
    elif kind in ("DBT", "DBS"):
        metres = rng.uniform(0.1, 9000)
        rest = f"{metres / 0.3048:.1f},f,{metres:.2f},M,{metres / 1.8288:.1f},F"
    elif kind == "MTW":
        rest = f"{decimal(-2, 35)},C"
    elif kind == "VHW":
        speed = rng.uniform(0, 20)
        rest = f"{maybe(angle())},T,{maybe(angle())},M,{speed:.2f},N,{speed * 1.852:.2f},K"
    elif kind == "VBW":
        rest = f"{decimal(-9, 9)},{decimal(-9, 9)},A,{decimal(-9, 9)},{decimal(-9, 9)},A"
    else:
        rest = xdr()
    return f"{talker}{kind},{rest}"


KINDS = ["GGA", "RMC", "ZDA", "GLL", "GNS", "GST", "VTG", "HDT", "HDG", "THS", "ROT", "DPT", "DBT", "DBS", "MTW",
         "VHW", "VBW", "XDR"]

# ---- reading both ----


def ours(lines, *options):
    """Verdict, type and values of each line."""
    text = "".join(line + "\n" for line in lines)
    run = subprocess.run([core, "--decode", *options], input=text.encode("latin1"), stdout=subprocess.PIPE, check=True)
    out = []
    for line in run.stdout.decode("latin1").splitlines():
        verdict, kind, *values = line.split("\t")
        out.append((verdict, kind, [v.rsplit("=", 1) for v in values]))
    assert len(out) == len(lines), (len(out), len(lines))
    return out


def seconds(t):
    return t.hour * 3600 + t.minute * 60 + t.second + t.microsecond / 1e6


def signed(value, direction):
    return -float(value) if direction == "W" else float(value)


def theirs(m):
    """The values of a message of nmea2 under our names; None where it has none."""
    kind = m.sentence_type
    out = {}

    def take(name, value, convert=float):
        if value not in (None, ""):
            out[name] = convert(value)

    if kind in ("GGA", "RMC", "GLL", "GNS"):
        take("lat_deg", m.latitude if m.lat else None)
        take("lon_deg", m.longitude if m.lon else None)
        take("time_of_day_s", m.timestamp, seconds)
    if kind == "GGA":
        for name, value in (("quality", m.gps_qual), ("satellites", m.num_sats), ("hdop", m.horizontal_dil),
                            ("altitude_m", m.altitude), ("geoid_m", m.geo_sep)):
            take(name, value)
    elif kind == "RMC":
        take("speed_kn", m.spd_over_grnd)
        take("course_true_deg", m.true_course)
        take("day", m.datestamp.day)
        take("month", m.datestamp.month)
        if m.mag_variation and m.mag_var_dir:
            out["variation_deg"] = signed(m.mag_variation, m.mag_var_dir)
    elif kind == "ZDA":
        for name, value in (("day", m.day), ("month", m.month), ("year", m.year)):
            take(name, value)
        take("time_of_day_s", m.timestamp, seconds)
    elif kind == "GST":
        take("lat_sigma_m", m.std_dev_latitude)
        take("lon_sigma_m", m.std_dev_longitude)
    elif kind == "VTG":
        take("course_true_deg", m.true_track)
        take("course_magnetic_deg", m.mag_track)
        take("speed_kn", m.spd_over_grnd_kts)
    elif kind == "HDT":
        take("heading_true_deg", m.heading)
    elif kind == "HDG":
        take("heading_magnetic_deg", m.heading)
        if m.deviation:
            out["deviation_deg"] = signed(m.deviation, m.dev_dir)
        if m.variation:
            out["variation_deg"] = signed(m.variation, m.var_dir)
    elif kind == "ROT":
        take("turn_deg_min", m.rate_of_turn)
    elif kind == "DPT":
        take("depth_m", m.depth)
        take("offset_m", m.offset)
        take("range_m", m.range if len(m.data) > 2 else None)
    elif kind in ("DBT", "DBS"):
        take("depth_m", m.depth_meters if kind == "DBT" else m.data[2])
    elif kind == "MTW":
        take("temperature_C", m.temperature)
    elif kind == "VHW":
        take("heading_true_deg", m.heading_true)
        take("heading_magnetic_deg", m.heading_magnetic)
        take("water_speed_kn", m.water_speed_knots)
    elif kind == "VBW":
        for name, index in (("water_speed_kn", 0), ("water_across_kn", 1), ("ground_ahead_kn", 3),
                            ("ground_across_kn", 4)):
            take(name, m.data[index] if len(m.data) > index else None)
        if m.data[2:3] != ["A"]:
            out.pop("water_speed_kn", None), out.pop("water_across_kn", None)
        if m.data[5:6] != ["A"]:
            out.pop("ground_ahead_kn", None), out.pop("ground_across_kn", None)
    return out


def compare(line, result, failures):
    """How many values were equal. Only sentences that we accept are compared here."""
    start = max(line.rfind("$"), line.rfind("!"))
    message = pynmea2.parse(line[start:].rstrip(), check=True)
    verdict, kind, values = result
    if verdict != "ok":
        failures.append(f"{line}: ours says {verdict}, nmea2 reads {message!r}")
        return 0
    if kind == "XDR":
        data = message.data
        want = [(data[i + 3] if i + 3 < len(data) else "", float(data[i + 1])) for i in range(0, len(data) - 1, 4)
                if data[i + 1] != ""]
        same = [(n[:19], v) for n, v in want][:16]
        got = [(n, float(v)) for n, v in values]
        if got != same[:len(got)] or (len(want) <= 16 and len(got) != len(want)):
            failures.append(f"{line}: ours {got}, nmea2 {want}")
        return len(got)
    want = theirs(message)
    got = {n: float(v) for n, v in values}
    for name, value in want.items():
        tolerance = 2e-6 if name == "time_of_day_s" else max(TOLERANCE, 1e-12 * abs(value))  # nmea2 cuts microseconds
        if name not in got or abs(got[name] - value) > tolerance:
            failures.append(f"{line}: {name} is {got.get(name)} here and {value} in nmea2")
    return len(want)


def with_nmea2(title, lines):
    failures, values, compared, lacking, unread = [], 0, 0, 0, 0
    for line, result in zip(lines, ours(lines)):
        if result[1] == "THS":  # nmea2 has no THS: read as the HDT it resembles
            heading = line[line.index("THS") + 4:].split(",")[0]
            if result[0] != "ok" or abs(float(dict(result[2])["heading_true_deg"]) - float(heading)) > 1e-12:
                failures.append(f"{line}: {result}")
            lacking += 1
            continue
        try:
            values += compare(line, result, failures)
            compared += 1
        except (AttributeError, ValueError):
            # Minutes without decimals, leap seconds, blanks: read here, not by nmea2.
            unread += 1
            if result[0] != "ok":
                failures.append(f"{line}: {result}")
    print(f"{title}: {compared} sentences, {values} values compared with nmea2: {len(failures)} differ. Not read by nmea2: "
          f"{lacking} THS (compared with their own field), {unread} others")
    if unread > 12:
        failures.append("too many that nmea2 does not read")
    for failure in failures[:10]:
        print("  " + failure)
    return len(failures)


def spoilt(lines):
    failures, refused = 0, 0
    broken = []
    for line in lines:
        at = rng.randrange(1, len(line))
        old = line[at]
        new = chr(rng.choice([c for c in range(33, 127) if chr(c) not in (old, "\n")]))
        if old.upper() == new.upper() and at >= len(line) - 2:
            continue  # the other case of a hex digit is no change
        broken.append(line[:at] + new + line[at + 1:])
    for line, (verdict, _, _) in zip(broken, ours(broken)):
        if verdict in ("ok", "no data"):  # two equal letters cut off by a '$' leave the sum right and no sentence
            failures += 1
            print(f"  passed although spoilt: {line}")
        refused += 1
    print(f"one byte changed: {refused} sentences, {failures} passed")
    return failures


# ---- gpsd ----

def with_gpsd(kind, number):
    """A stream of one kind, a second apart, so that each sentence makes a report of its own."""
    lines, want = [], []
    start = datetime.datetime(2023, 3, 4, 10, 0, 0)
    for i in range(number):
        when = start + datetime.timedelta(seconds=i)
        t, where = f"{when:%H%M%S}.00", place()
        if kind == "RMC":
            speed, course = f"{rng.uniform(0, 20):.2f}", f"{rng.uniform(0, 359.8):.1f}"
            body = f"GPRMC,{t},A,{where},{speed},{course},{when:%d%m%y},,,A"
        elif kind == "GGA":
            body = f"GPGGA,{t},{where},1,08,0.9,{rng.uniform(-10, 60):.1f},M,46.9,M,,"
        elif kind == "GLL":
            body = f"GPGLL,{where},{t},A,A"
        else:
            body = f"GNGNS,{t},{where},AA,14,0.6,{rng.uniform(-10, 60):.1f},48.0,,"
        lines.append(sentence(body))
    text = "".join(line + "\r\n" for line in lines)
    run = subprocess.run(["gpsdecode"], input=text.encode(), stdout=subprocess.PIPE, check=True)
    reports = [json.loads(r) for r in run.stdout.decode().splitlines()]
    reports = [r for r in reports if r["class"] == "TPV"]
    for verdict, _, values in ours(lines):
        assert verdict == "ok"
        want.append({n: float(v) for n, v in values})
    fields = {"RMC": {"lat": ("lat_deg", 1, 6e-10), "lon": ("lon_deg", 1, 6e-10), "track": ("course_true_deg", 1, 6e-5),
                      "speed": ("speed_kn", 1852 / 3600, 6e-4)},
              "GGA": {"lat": ("lat_deg", 1, 6e-10), "lon": ("lon_deg", 1, 6e-10), "altMSL": ("altitude_m", 1, 6e-5),
                      "geoidSep": ("geoid_m", 1, 6e-4)},
              "GLL": {"lat": ("lat_deg", 1, 6e-10), "lon": ("lon_deg", 1, 6e-10)},
              "GNS": {"lat": ("lat_deg", 1, 6e-10), "lon": ("lon_deg", 1, 6e-10), "altMSL": ("altitude_m", 1, 6e-5),
                      "geoidSep": ("geoid_m", 1, 6e-4)}}[kind]
    # gpsdecode may swallow the first sentences while it makes out what it reads.
    missing = len(want) - len(reports)
    failures, values = [], 0
    if not 0 <= missing <= 3:
        failures.append(f"{len(reports)} reports for {len(want)} sentences")
    for expected, report in zip(want[missing:], reports):
        for name, (our_name, factor, tolerance) in fields.items():
            if name in report:
                values += 1
                if abs(report[name] - expected[our_name] * factor) > tolerance:
                    failures.append(f"{our_name} {expected[our_name]} here, {name} {report[name]} in gpsdecode")
    if values < 0.7 * len(reports) * len(fields):
        failures.append(f"only {values} values to compare")
    print(f"gpsdecode, {kind}: {len(reports)} reports of {len(want)} sentences, {values} values: {len(failures)} differ")
    for failure in failures[:5]:
        print("  " + failure)
    return len(failures)


def main():
    print(f"seed {seed}")
    with open(f"{data}/valid.txt", encoding="latin1") as file:
        kept = [line.rstrip("\n") for line in file if not line.startswith("#")]
    generated = [sentence(body_of(KINDS[i % len(KINDS)])) for i in range(count)]
    failed = with_nmea2("kept", kept)
    failed += with_nmea2("generated", generated)
    failed += spoilt(generated)
    for kind in ("GGA", "RMC", "GLL", "GNS"):
        failed += with_gpsd(kind, max(200, count // 20))
    return 1 if failed else 0


sys.exit(main())
