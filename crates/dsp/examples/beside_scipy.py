"""The reference for bench_numbers: the same smoothing with NumPy, and one fit of ten bands with SciPy."""

import json
import time

import numpy as np
from scipy.optimize import least_squares


def best_ms(runs, work):
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return 1000 * min(times)


power = 1 + np.sin(np.arange(2**18 + 1) * 0.001)
at_hz = 20 * 2 ** (np.arange(479) / 48)
spacing_hz = 48_000 / 2**19


def smooth():
    edges = np.concatenate(([0.0], np.cumsum((power[1:] + power[:-1]) / 2)))
    bins = np.arange(len(power))
    low, high = at_hz / 2 ** (1 / 24) / spacing_hz, at_hz * 2 ** (1 / 24) / spacing_hz
    return (np.interp(high, bins, edges) - np.interp(low, bins, edges)) / (high - low)


hz = 30 * 2 ** (np.arange(218) / 24)
z = np.exp(-2j * np.pi * hz / 48_000)


def bells(x):
    total = np.zeros(len(hz))
    for f0, gain_db, q in x.reshape(-1, 3):
        a, w = 10 ** (gain_db / 40), 2 * np.pi * np.exp(f0) / 48_000
        alpha, c = np.sin(w) / (2 * np.exp(q)), np.cos(w)
        above = 1 + alpha * a - 2 * c * z + (1 - alpha * a) * z * z
        below = 1 + alpha / a - 2 * c * z + (1 - alpha / a) * z * z
        total += 20 * np.log10(np.abs(above / below))
    return total


chance = np.random.default_rng(1)
truth = np.array([v for f in np.linspace(np.log(40), np.log(12_000), 10) for v in (f, chance.normal(0, 4), 0.7)])
error = -bells(truth) + np.sin(np.log(hz) * 9)
start = np.array([v for f in np.linspace(np.log(40), np.log(12_000), 10) for v in (f, 0.1, 0.3)])
low, high = np.tile([np.log(30), -15, np.log(0.3)], 10), np.tile([np.log(16_000), 6, np.log(10)], 10)
fit_ms = best_ms(2, lambda: least_squares(lambda x: error + bells(x), start, bounds=(low, high), max_nfev=60, ftol=1e-5))
print(json.dumps({"smoothing_ms": best_ms(20, smooth), "fit_ms": fit_ms}))
