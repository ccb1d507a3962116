"""Ten-band corrections by a long search with SciPy, to hold the program's own search against.

Curves: the power average over nine microphone places of a speaker with resonances and band edges and sixteen decaying
reflections, smoothed by 1/12 octave. Bands: W3C Audio EQ Cookbook. Search: bounded least squares (trust region
reflective) from random starts, then iterated: two or three bands are replaced at random and the fit repeated.

    python3 make.py [minutes for each curve] > curves.json

curves.json keeps, for each curve, the better of two runs (the first without the charge on lifting; what broke that rule
was not kept).
"""

import json
import sys
import time

import numpy as np
import scipy
from scipy.optimize import least_squares

RATE_HZ = 48_000.0
SEED = 20260314
CURVES = 10
BANDS = 10
GAIN_DB = (-15.0, 6.0)
Q = (0.3, 10.0)
BAND_HZ = (30.0, 16_000.0)
# The program's own rule: all bands together lift no frequency by more than one may; squared, ten times an error's charge.
CHARGE = 10**0.5
PEAKING, LOW_SHELF, HIGH_SHELF = range(3)
KINDS = ["peaking", "low_shelf", "high_shelf"]


def grid(low, high, per_octave):
    steps = int(np.floor(np.log2(high / low) * per_octave + 1e-9))
    return low * 2 ** (np.arange(steps + 1) / per_octave)


HZ = grid(*BAND_HZ, 24)
PHI = np.exp(-2j * np.pi * HZ / RATE_HZ)


def level_db(kind, f0, gain_db, q, z=PHI):
    """One band on the grid."""
    a = 10 ** (gain_db / 40)
    w = 2 * np.pi * f0 / RATE_HZ
    c, alpha = np.cos(w), np.sin(w) / (2 * q)
    if kind == PEAKING:
        b = (1 + alpha * a, -2 * c, 1 - alpha * a)
        d = (1 + alpha / a, -2 * c, 1 - alpha / a)
    else:
        s, r = (1, 2 * np.sqrt(a) * alpha) if kind == LOW_SHELF else (-1, 2 * np.sqrt(a) * alpha)
        b = (a * (a + 1 - s * (a - 1) * c + r), s * 2 * a * (a - 1 - s * (a + 1) * c), a * (a + 1 - s * (a - 1) * c - r))
        d = (a + 1 + s * (a - 1) * c + r, -s * 2 * (a - 1 + s * (a + 1) * c), a + 1 + s * (a - 1) * c - r)
    return 20 * np.log10(np.abs((b[0] + b[1] * z + b[2] * z * z) / (d[0] + d[1] * z + d[2] * z * z)))


def curve(chance):
    """Levels in decibels at HZ."""
    fine = grid(20, 20_000, 192)
    z = np.exp(-2j * np.pi * fine / 192_000.0)
    global RATE_HZ
    speaker = np.zeros(len(fine))
    for _ in range(18):
        f0 = 30 * 500 ** chance.random()
        rate, RATE_HZ = RATE_HZ, 192_000.0
        speaker += level_db(PEAKING, f0, chance.normal(0, 3), 2 ** chance.uniform(-1, 3), z)
        RATE_HZ = rate
    speaker -= 10 * np.log10(1 + (chance.uniform(25, 50) / fine) ** 4)
    speaker += chance.uniform(-1.5, 0.5) * np.log2(fine / 1000)
    delays = chance.uniform(0.4e-3, 14e-3, 16)
    strengths = chance.uniform(0.3, 0.8, 16) * np.exp(-delays / 6e-3) * chance.choice([-1, 1], 16)
    power = np.zeros(len(fine))
    for _ in range(9):
        moved = np.abs(delays + chance.uniform(-0.35e-3, 0.35e-3, 16))
        damp = 1 / np.sqrt(1 + (fine / 5000) ** 2)
        echo = 1 + sum(g * damp * np.exp(-2j * np.pi * fine * t) for g, t in zip(strengths, moved))
        power += np.abs(echo) ** 2 / 9
    power *= 10 ** (speaker / 10)
    levels = []
    for f in HZ:
        cell = (fine >= f * 2 ** (-1 / 24)) & (fine <= f * 2 ** (1 / 24))
        levels.append(10 * np.log10(power[cell].mean()))
    return np.array(levels)


def total(kinds, x):
    return sum(level_db(k, np.exp(f), g, np.exp(q)) for k, (f, g, q) in zip(kinds, x.reshape(-1, 3)))


LOW = np.tile([np.log(BAND_HZ[0]), GAIN_DB[0], np.log(Q[0])], BANDS)
HIGH = np.tile([np.log(BAND_HZ[1]), GAIN_DB[1], np.log(Q[1])], BANDS)


def fit(error, kinds, x, most=60):
    def residual(x):
        together = total(kinds, x)
        r = error + together
        return np.concatenate((r - r.mean(), CHARGE * np.maximum(together - GAIN_DB[1], 0)))

    def slopes(x):
        # One parameter moves one band only.
        columns = np.empty((len(HZ), len(x)))
        for band, (k, (f, g, q)) in enumerate(zip(kinds, x.reshape(-1, 3))):
            here = level_db(k, np.exp(f), g, np.exp(q))
            for i, (df, dg, dq) in enumerate(1e-6 * np.eye(3)):
                there = level_db(k, np.exp(f + df), g + dg, np.exp(q + dq))
                columns[:, 3 * band + i] = (there - here) / 1e-6
        lifted = (total(kinds, x) > GAIN_DB[1])[:, None]
        return np.concatenate((columns - columns.mean(axis=0), CHARGE * lifted * columns))

    x = np.clip(x, LOW + 1e-6, HIGH - 1e-6)
    scale = np.tile([0.2, 1.0, 0.3], BANDS)
    done = least_squares(residual, x, jac=slopes, bounds=(LOW, HIGH), x_scale=scale, max_nfev=most, ftol=1e-5)
    # Ranked by error and charge together.
    return done.x, np.sqrt(np.sum(done.fun**2) / len(HZ))


def random_band(error, chance):
    kind = chance.choice(3, p=[0.84, 0.08, 0.08])
    i = chance.choice(len(HZ), p=np.abs(error) / np.abs(error).sum()) if kind == PEAKING else chance.integers(len(HZ))
    gain = -error[i] if kind == PEAKING else chance.uniform(-4, 4)
    return kind, np.array([np.log(HZ[i]), np.clip(gain, -12, 5), np.log(2 ** chance.uniform(-1, 2.5))])


def search(error, seconds, chance):
    best, end, tried = (None, None, np.inf), time.time() + seconds, 0
    chains = []
    while time.time() < end:
        tried += 1
        if len(chains) < 6:
            bands = [random_band(error - error.mean(), chance) for _ in range(BANDS)]
            kinds, x = [k for k, _ in bands], np.concatenate([b for _, b in bands])
            x, rms = fit(error, kinds, x, 150)
            chains.append([kinds, x, rms])
            chain = chains[-1]
        else:
            # Most work goes to the better chains.
            chains.sort(key=lambda it: it[2])
            chain = chains[min(int(chance.exponential(1.2)), len(chains) - 1)]
            kinds, x = list(chain[0]), chain[1].copy()
            left = error + total(kinds, x)
            left -= left.mean()
            for out in chance.choice(BANDS, chance.integers(1, 4), replace=False):
                kinds[out], x[3 * out : 3 * out + 3] = random_band(left, chance)
            x, rms = fit(error, kinds, x)
            if rms < chain[2]:
                chain[:] = [kinds, x, rms]
        if chain[2] < best[2]:
            best = (list(chain[0]), chain[1].copy(), chain[2])
    kinds, x, _ = best
    x, _ = fit(error, kinds, x, 500)
    return kinds, x, np.std(error + total(kinds, x)), tried


def main():
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 2.0
    chance = np.random.default_rng(SEED)
    errors = [curve(chance) for _ in range(CURVES)]
    found = []
    for number, error in enumerate(errors):
        kinds, x, rms, tried = search(error, 60 * minutes, np.random.default_rng(number))
        before = np.std(error)
        print(f"{number}: {before:.3f} to {rms:.4f} dB, {tried} fits", file=sys.stderr, flush=True)
        bands = [
            {"kind": KINDS[k], "frequency_hz": round(float(np.exp(f)), 3), "gain_db": round(float(g), 4), "q": round(float(np.exp(q)), 4)}
            for k, (f, g, q) in sorted(zip(kinds, x.reshape(-1, 3)), key=lambda it: it[1][0])
        ]
        levels = [round(float(level), 4) for level in error]
        found.append({"level_db": levels, "best_rms_db": round(float(rms), 5), "bands": bands})
    document = {
        "source": "tests/reference/correction/make.py",
        "scipy": scipy.__version__,
        "numpy": np.__version__,
        "seed": SEED,
        "minutes_each": minutes,
        "frequency_hz": [round(float(f), 4) for f in HZ],
        "curves": found,
    }
    print(json.dumps(document))


main()
