#!/usr/bin/env python3
"""Medians and spread of bench rounds, with the verdict: table.py [--json] ROWS.tsv (see bench.h for the columns)."""
import json
import statistics
import sys


def read(path):
    benches = {}
    for line in open(path, encoding="utf-8"):
        name, unit, ours, floor, goal, sense = line.rstrip("\n").split("\t")
        bench = benches.setdefault(name, {"unit": unit, "ours": [], "floor": [], "goal": float(goal), "sense": sense})
        bench["ours"].append(float(ours))
        bench["floor"].append(float(floor))
    return benches


def judge(name, bench):
    ours = statistics.median(bench["ours"])
    ratios = sorted(o / f for o, f in zip(bench["ours"], bench["floor"]) if f)
    ratio = statistics.median(ratios) if ratios else None
    judged = {"rate": ratio, "cost": ratio, "most": ours, "least": ours}.get(bench["sense"])
    met = None
    if judged is not None:
        met = judged >= bench["goal"] if bench["sense"] in ("rate", "least") else judged <= bench["goal"]
    return {
        "bench": name,
        "unit": bench["unit"],
        "rounds": len(bench["ours"]),
        "ours": ours,
        "ours_min": min(bench["ours"]),
        "ours_max": max(bench["ours"]),
        "floor": statistics.median(bench["floor"]) or None,
        "ratio": ratio,
        "ratio_min": ratios[0] if ratios else None,
        "ratio_max": ratios[-1] if ratios else None,
        "goal": bench["goal"] if bench["sense"] != "show" else None,
        "sense": bench["sense"],
        "met": met,
    }


def short(value):
    if value is None:
        return "-"
    if abs(value) >= 1e6:
        return f"{value / 1e6:.2f} M"
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"


def main():
    as_json = "--json" in sys.argv
    rows = [judge(name, bench) for name, bench in read(sys.argv[-1]).items()]
    if as_json:
        for row in rows:
            print(json.dumps(row))
        return 0
    signs = {"rate": ">= ", "least": ">= ", "cost": "<= ", "most": "<= ", "show": ""}
    print(f"{'bench':52} {'ours':>10} {'floor':>10} {'unit':16} {'ratio (spread)':>22} {'goal':>9}  met")
    for row in rows:
        spread = "-" if row["ratio"] is None else f"{row['ratio']:.2f} ({row['ratio_min']:.2f} to {row['ratio_max']:.2f})"
        goal = "-" if row["goal"] is None else signs[row["sense"]] + short(row["goal"])
        met = {True: "yes", False: "NO", None: "-"}[row["met"]]
        print(f"{row['bench']:52} {short(row['ours']):>10} {short(row['floor']):>10} {row['unit']:16} {spread:>22} {goal:>9}  {met}")
    judged = [row for row in rows if row["met"] is not None]
    print(f"\n{sum(row['met'] for row in judged)} of {len(judged)} goals met")
    return 0


if __name__ == "__main__":
    sys.exit(main())
