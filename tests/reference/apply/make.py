"""A tune run over noise by SciPy, to hold `cabinwright apply` against.

Sections: W3C Audio EQ Cookbook, written out from the note; filtering by scipy.signal.sosfilt and lfilter; delays are
whole samples. The noise is a 32-bit linear congruential generator (Numerical Recipes' constants), so the test makes it
itself.

    python3 make.py        writes tune.json and expected.json beside this file
"""

import json
from pathlib import Path

import numpy as np
import scipy
from scipy.signal import lfilter, sosfilt

RATE_HZ = 48_000
FRAMES = 4_000
KEPT = [0, 1, 2, 47, 48, 96, 97, 150, 500, 1000, 1999, 2000, 2500, 3000, 3500, 3999, 4000, 4040]


def noise():
    state, out = 12_345, []
    for _ in range(FRAMES):
        state = (1_664_525 * state + 1_013_904_223) % 2**32
        out.append(np.float32((state / 2**31 - 1.0) * 0.25))
    return np.array(out, dtype=float)


def cookbook(kind, frequency_hz, q, gain_db=0.0):
    a = 10 ** (gain_db / 40)
    w = 2 * np.pi * frequency_hz / RATE_HZ
    c, alpha = np.cos(w), np.sin(w) / (2 * q)
    root = 2 * np.sqrt(a) * alpha
    if kind == "peaking":
        b, d = [1 + alpha * a, -2 * c, 1 - alpha * a], [1 + alpha / a, -2 * c, 1 - alpha / a]
    elif kind == "low_shelf":
        b = [a * (a + 1 - (a - 1) * c + root), 2 * a * (a - 1 - (a + 1) * c), a * (a + 1 - (a - 1) * c - root)]
        d = [a + 1 + (a - 1) * c + root, -2 * (a - 1 + (a + 1) * c), a + 1 + (a - 1) * c - root]
    elif kind == "high_shelf":
        b = [a * (a + 1 + (a - 1) * c + root), -2 * a * (a - 1 + (a + 1) * c), a * (a + 1 + (a - 1) * c - root)]
        d = [a + 1 - (a - 1) * c + root, 2 * (a - 1 - (a + 1) * c), a + 1 - (a - 1) * c - root]
    elif kind == "low_pass":
        b, d = [(1 - c) / 2, 1 - c, (1 - c) / 2], [1 + alpha, -2 * c, 1 - alpha]
    elif kind == "high_pass":
        b, d = [(1 + c) / 2, -(1 + c), (1 + c) / 2], [1 + alpha, -2 * c, 1 - alpha]
    elif kind == "all_pass":
        b, d = [1 - alpha, -2 * c, 1 + alpha], [1 + alpha, -2 * c, 1 - alpha]
    return np.array(b + d) / d[0]


SECTIONS = {
    "tweeter": [("high_pass", 3150.0, 0.54, 0), ("high_pass", 3150.0, 1.31, 0), ("high_shelf", 9000.0, 0.7, -2.5), ("all_pass", 4000.0, 0.9, 0)],
    "woofer": [("low_pass", 3150.0, 0.7071, 0), ("low_shelf", 80.0, 0.7071, 4.0), ("peaking", 160.0, 4.5, -7.5), ("peaking", 1250.0, 1.2, 3.0)],
}
CHANNELS = {
    "tweeter": {"gain_db": -4.5, "polarity": "inverted", "frames": 96, "fir": None},
    "woofer": {"gain_db": 1.5, "polarity": "normal", "frames": 0, "fir": [0.0, 0.25, 0.7, 0.2, -0.1]},
}

here = Path(__file__).parent
channels, expected = [], {}
for name, setting in CHANNELS.items():
    sections = []
    for kind, frequency_hz, q, gain_db in SECTIONS[name]:
        section = {"kind": kind, "frequency_hz": frequency_hz, "q": q}
        if gain_db:
            section["gain_db"] = gain_db
        sections.append(section)
    channels.append({
        "name": name,
        "gain_db": setting["gain_db"],
        "polarity": setting["polarity"],
        "delay_ms": setting["frames"] / RATE_HZ * 1000,
        "sections": sections,
        "biquads": [],
        "fir": setting["fir"],
    })
    x = np.concatenate([noise(), np.zeros(100)])
    y = sosfilt(np.array([cookbook(k, f, q, g) for k, f, q, g in SECTIONS[name]]), x)
    y *= 10 ** (setting["gain_db"] / 20) * (-1 if setting["polarity"] == "inverted" else 1)
    if setting["fir"]:
        y = lfilter(setting["fir"], [1.0], y)
    y = np.concatenate([np.zeros(setting["frames"]), y])
    expected[name] = {str(n): y[n] for n in KEPT}

(here / "tune.json").write_text(json.dumps({
    "format": "cabinwright-tune",
    "version": 1,
    "sample_rate_hz": RATE_HZ,
    "channels": channels,
    "headroom_db": 0.0,
    "left_alone": [],
}, indent=1) + "\n")
(here / "expected.json").write_text(json.dumps({
    "made_by": f"make.py with SciPy {scipy.__version__}, NumPy {np.__version__}",
    "samples": expected,
}, indent=1) + "\n")
