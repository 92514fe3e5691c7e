"""What general libraries make of the cases that `tests/trim_numbers.rs` puts to `bellcrank trim`'s own arithmetic.

Writes trim-margins.csv, trim-steps.csv, trim-rising.csv and trim-start.csv beside itself. Run once with python-control 0.10.2,
SciPy 1.17.1 and NumPy 2.4.6: `python3 trim_oracle.py`.
"""

import csv
from pathlib import Path

import control
import numpy as np
from scipy import optimize

HERE = Path(__file__).parent
RNG = np.random.default_rng(1)


def write(name, headings, rows):
    with open(HERE / name, "w", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(headings)
        out.writerows([[f"{cell:.12g}" for cell in row] for row in rows])


def margins():
    """Stability margins of K (1 + 1/(s Ti)) / (s T + 1) e^(-s L) W^2 / (s^2 + 2 Z W s + W^2) / s, from its exact frequency response."""
    cases = [
        # gain 1/s, late s, smooth s, integral s (0: none), Hz, damping
        (2.0, 0.00, 0.0, 0.0, 5.0, 0.10),
        (2.0, 0.03, 0.0, 0.0, 5.0, 0.10),
        (2.0, 0.03, 0.1, 0.0, 5.0, 0.10),
        (2.0, 0.06, 0.2, 4.0, 2.5, 0.15),
        (4.0, 0.05, 0.0, 3.0, 8.0, 0.30),
        (1.0, 0.12, 0.4, 5.0, 1.5, 0.05),
        (6.0, 0.02, 0.05, 2.0, 12.0, 0.20),
        (3.0, 0.10, 0.0, 0.0, 20.0, 0.70),
        (0.5, 0.20, 0.3, 8.0, 3.0, 0.03),
        # Too much for the loop: less than no margin.
        (9.0, 0.05, 0.1, 0.0, 2.0, 0.10),
        (12.0, 0.10, 0.0, 0.0, 15.0, 0.50),
    ]
    w = np.geomspace(0.02, 450.0, 6_000)
    s = 1j * w
    rows = []
    for gain, late, smooth, integral, hz, zeta in cases:
        natural = 2 * np.pi * hz
        response = gain / s / (s * smooth + 1) * np.exp(-s * late) * natural**2 / (s**2 + 2 * zeta * natural * s + natural**2)
        if integral > 0:
            response = response * (1 + 1 / (s * integral))
        gains, phases, *_ = control.stability_margins(control.frd(response, w), returnall=True)
        # The tightest of all crossings; one without any has none.
        rows.append((gain, late, smooth, integral, hz, zeta, min(gains), min(phases, key=abs)))
    write("trim-margins.csv", ["gain", "late", "smooth", "integral", "hz", "zeta", "gain_margin", "phase_margin_deg"], rows)


def steps():
    """Overshoot and settling of a second-order response, as control.step_info reads them off samples 1 ms apart."""
    rows = []
    for hz, zeta in [(1.0, 0.1), (1.0, 0.3), (2.0, 0.5), (2.0, 0.7), (5.0, 0.2), (0.7, 0.9)]:
        natural = 2 * np.pi * hz
        system = control.tf([natural**2], [1, 2 * zeta * natural, natural**2])
        info = control.step_info(system, T=np.arange(0, 10_001) * 1e-3, SettlingTimeThreshold=0.02)
        rows.append((hz, zeta, info["Overshoot"] / 100, info["SettlingTime"]))
    write("trim-steps.csv", ["hz", "zeta", "overshoot", "settling_s"], rows)


def rising():
    """The nearest numbers that never fall: scipy.optimize.isotonic_regression."""
    rows = []
    for case, count in enumerate([1, 2, 5, 12, 40]):
        values = np.sort(RNG.normal(size=count)) + RNG.normal(scale=0.7, size=count)
        weights = RNG.uniform(0.1, 4.0, size=count)
        rows += [(case, *row) for row in zip(values, weights, optimize.isotonic_regression(values, weights=weights).x)]
    falling = np.arange(8.0)[::-1]
    rows += [(5, *row) for row in zip(falling, np.ones(8), optimize.isotonic_regression(falling).x)]
    write("trim-rising.csv", ["case", "value", "weight", "rising"], rows)


def start():
    """When c turns into c + a (t - t0)^2: the sum of squares over every t0 on a fine grid by numpy.linalg.lstsq, the best refined by
    scipy.optimize.minimize_scalar."""
    rows = []
    for case, (begins, half, noise) in enumerate([(1.3, 0.8, 0.0), (0.4, 2.0, 0.02), (2.6, 0.5, 0.01), (1.0, -1.5, 0.05)]):
        t = np.sort(RNG.uniform(0, 3, size=80))
        x = 0.2 + half * np.clip(t - begins, 0, None) ** 2 + RNG.normal(scale=noise, size=80)
        x = np.round(x, 9)
        t = np.round(t, 9)

        def fit(at, t=t, x=x):
            columns = np.column_stack([np.ones_like(t), np.clip(t - at, 0, None) ** 2])
            values = np.linalg.lstsq(columns, x, rcond=None)[0]
            return np.sum((x - columns @ values) ** 2), values

        grid = np.linspace(t[0], t[-1], 3001)[:-1]
        coarse = grid[np.argmin([fit(at)[0] for at in grid])]
        step = grid[1] - grid[0]
        best = optimize.minimize_scalar(
            lambda at: fit(at)[0], bounds=(coarse - step, coarse + step), method="bounded", options={"xatol": 1e-12}
        ).x
        left, (level, found) = fit(best)
        rows += [(case, *row, best, level, found, left) for row in zip(t, x)]
    write("trim-start.csv", ["case", "t", "x", "time", "from", "half_acceleration", "left"], rows)


margins()
steps()
rising()
start()
