"""Compares track_smooth with a textbook Kalman filter and Rauch-Tung-Striebel smoother in NumPy on the same data.

Usage: track_numpy.py CORE_TRACK

Full matrices, four states (north, east, and their velocities), no shortcut of ours: one covariance for both axes is what it checks too.
"""
import subprocess
import sys

import numpy as np

SPEED_SIGMA = 0.5  # track_options_default
A, F = 6378137.0, 1 / 298.257223563


def plane(lat0):
    """Metres per degree north and east at a latitude, from the radii of curvature."""
    e2 = F * (2 - F)
    w = np.sqrt(1 - e2 * np.sin(np.radians(lat0)) ** 2)
    return np.radians(A * (1 - e2) / w**3), np.radians(A / w * np.cos(np.radians(lat0)))


def smooth(times, z, sigmas, q, gate):
    n = len(times)
    h = np.hstack([np.eye(2), np.zeros((2, 2))])
    x, p = np.array([*z[0], 0, 0]), np.diag([sigmas[0] ** 2] * 2 + [SPEED_SIGMA**2] * 2)
    xs, ps, xp, pp, fs, outliers = [x], [p], [None], [None], [None], [False]
    for k in range(1, n):
        d = times[k] - times[k - 1]
        f = np.block([[np.eye(2), d * np.eye(2)], [np.zeros((2, 2)), np.eye(2)]])
        noise = q * np.block([[d**3 / 3 * np.eye(2), d**2 / 2 * np.eye(2)], [d**2 / 2 * np.eye(2), d * np.eye(2)]])
        x, p = f @ x, f @ p @ f.T + noise
        xp.append(x), pp.append(p), fs.append(f)
        s = h @ p @ h.T + sigmas[k] ** 2 * np.eye(2)
        innovation = z[k] - h @ x
        out = gate > 0 and np.sqrt(innovation @ np.linalg.inv(s) @ innovation) > gate
        if not out:
            gain = p @ h.T @ np.linalg.inv(s)
            x, p = x + gain @ innovation, p - gain @ s @ gain.T
        xs.append(x), ps.append(p), outliers.append(out)
    for k in range(n - 2, -1, -1):
        c = ps[k] @ fs[k + 1].T @ np.linalg.inv(pp[k + 1])
        xs[k], ps[k] = xs[k] + c @ (xs[k + 1] - xp[k + 1]), ps[k] + c @ (ps[k + 1] - pp[k + 1]) @ c.T
    return np.array(xs), np.array(ps), np.array(outliers)


def track(rng, n, outliers):
    times = np.round(np.cumsum(rng.uniform(0.5, 4.0, n)), 6)
    north, east = np.cumsum(rng.normal(0, 0.5, n)), np.cumsum(rng.normal(0.3, 0.5, n))
    sigmas = np.round(rng.uniform(2, 12, n), 3)
    scale = np.where((rng.random(n) < outliers) & (np.arange(n) > 3), 12.0, 1.0)
    lat0, lon0 = rng.uniform(-75, 75), rng.uniform(-180, 180)
    north_m, east_m = plane(lat0)
    lat = lat0 + (north + rng.normal(0, 1, n) * sigmas * scale) / north_m
    lon = lon0 + (east + rng.normal(0, 1, n) * sigmas * scale) / east_m
    return times, lat, (lon + 180) % 360 - 180, sigmas


def main():
    core = sys.argv[1]
    seed = 20310304
    rng = np.random.default_rng(seed)
    worst = np.zeros(4)
    points = turned_away = 0
    for i in range(40):
        gate = 3.5 if i % 2 else 0.0
        q = 10 ** rng.uniform(-4, -1)
        times, lat, lon, sigmas = track(rng, 300, 0.04 if gate else 0.0)
        text = f"{q!r} {gate}\n" + "".join(
            f"{t!r} {a!r} {b!r} {s!r}\n" for t, a, b, s in zip(times, lat, lon, sigmas))
        out = subprocess.run([core, "--smooth"], input=text.replace("np.float64(", "").replace(")", "").encode(),
                             stdout=subprocess.PIPE, check=True).stdout
        ours = np.array([[float(v) for v in line.split()] for line in out.decode().splitlines()])
        north_m, east_m = plane(lat[0])
        z = np.column_stack([(lat - lat[0]) * north_m, ((lon - lon[0] + 180) % 360 - 180) * east_m])
        xs, ps, outs = smooth(times, z, sigmas, q, gate)
        if len(ours) != len(times) or np.any(ours[:, 10].astype(bool) != outs):
            print(f"track {i}: {len(ours)} points of {len(times)}, outliers differ")
            return 1
        worst = np.maximum(worst, [np.abs(ours[:, 1:3] - xs[:, :2]).max(), np.abs(ours[:, 3:5] - xs[:, 2:]).max(),
                                   np.abs(ours[:, 5] / ps[:, 0, 0] - 1).max(), np.abs(ours[:, 7] / ps[:, 2, 2] - 1).max()])
        points += len(times)
        turned_away += int(outs.sum())
    limits = np.array([1e-5, 1e-6, 1e-6, 1e-6])
    print(f"40 tracks, {points} fixes, {turned_away} turned away by both, seed {seed}")
    for name, value, limit in zip(("position, m", "velocity, m/s", "variance of position, relative",
                                   "variance of velocity, relative"), worst, limits):
        print(f"  largest difference in {name}: {value:.2e} (limit {limit:g}){'  TOO LARGE' if value > limit else ''}")
    return int(np.any(worst > limits) or turned_away == 0)


sys.exit(main())
