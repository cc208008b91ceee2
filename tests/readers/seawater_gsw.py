"""Compares values of core_seawater --grid (standard input) with gsw, the TEOS-10 library. Prints the largest differences.

PSS-78 is the same formula in both, so salinity must agree to rounding. Depth, density and sound speed are EOS-80 here and TEOS-10
there: their limits are the known difference of the models (sound speed: Chen and Millero against the Gibbs function).
"""
import sys

import gsw
import numpy as np

LIMIT = {"salinity": 1e-8, "depth": 1.2, "density": 0.05, "sound": 3.0}
# In the usual ocean (S 30..40; to 1000 dbar up to 30 C, deeper up to 10 C; to 6000 dbar) the models must agree more closely.
OCEAN_LIMIT = {"salinity": 1e-8, "depth": 0.3, "density": 0.03, "sound": 1.0}


def theirs(kind, a, b, p):
    if kind == "salinity":
        return gsw.SP_from_C(a, b, p)
    if kind == "depth":
        return -gsw.z_from_p(a, b)
    sa = gsw.SA_from_SP(a, p, -45.0, 30.0)
    # The full Gibbs function: the usual shorter fit of gsw is not meant for warm fresh water at 10000 dbar.
    return gsw.rho_t_exact(sa, b, p) if kind == "density" else gsw.sound_speed_t_exact(sa, b, p)


def main():
    rows = {}
    for line in sys.stdin:
        kind, *numbers = line.split()
        rows.setdefault(kind, []).append([float(x) for x in numbers])
    failed = False
    for kind in ("salinity", "depth", "density", "sound"):
        a, b, p, ours = np.array(rows[kind]).T
        error = np.abs(ours - theirs(kind, a, b, p))
        if kind == "depth":
            ocean = a <= 6000
        elif kind == "salinity":
            ocean = np.ones_like(a, bool)
        else:
            ocean = (a >= 30) & (p <= 6000) & ((b <= 10) | ((b <= 30) & (p <= 1000)))
        worst, worst_ocean = error.max(), error[ocean].max()
        bad = worst > LIMIT[kind] or worst_ocean > OCEAN_LIMIT[kind] or not np.isfinite(error).all()
        failed = failed or bad
        print(f"{kind:9s} {len(a):7d} points: largest difference {worst:.3g} (limit {LIMIT[kind]:g}), "
              f"usual ocean {worst_ocean:.3g} (limit {OCEAN_LIMIT[kind]:g}){'  TOO LARGE' if bad else ''}")
    return 1 if failed else 0


sys.exit(main())
