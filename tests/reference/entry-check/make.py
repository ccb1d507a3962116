"""Takes of three channels with a tune typed in, one slip among them, made with NumPy.

Run in this folder: python3 make.py. Filters are the W3C Audio EQ Cookbook's, computed here; noise lies 40 dB under each take.
The slip: band 2 of the right channel was typed with the wrong sign.
"""

import copy
import json

import numpy as np

RATE = 48000
rng = np.random.default_rng(9)
f = 20 * 2 ** (np.arange(470) / 48)
tune = json.load(open("tune.json"))


def response(channel):
    z = np.exp(-2j * np.pi * f / RATE)
    h = 10 ** (channel["gain_db"] / 20) * np.exp(-2j * np.pi * f * channel["delay_ms"] / 1e3)
    for s in channel["sections"]:
        a, w = 10 ** (s["gain_db"] / 40), 2 * np.pi * s["frequency_hz"] / RATE
        alpha, c = np.sin(w) / (2 * s["q"]), np.cos(w)
        h = h * (1 + alpha * a - 2 * c * z + (1 - alpha * a) * z**2) / (1 + alpha / a - 2 * c * z + (1 - alpha / a) * z**2)
    return h


typed = copy.deepcopy(tune)
typed["channels"][1]["sections"][1]["gain_db"] *= -1
for kind, channels in [("right", tune["channels"]), ("slip", typed["channels"])]:
    for channel in channels:
        h = response(channel) * np.exp(-2j * np.pi * f * 1.2e-3)
        h *= 1 + 0.01 * (rng.standard_normal(len(f)) + 1j * rng.standard_normal(len(f))) / np.sqrt(2)
        with open(f"{kind}-{channel['name']}.csv", "w") as out:
            out.write("frequency_hz,level_db,phase_deg,snr_db\n")
            for x, y in zip(f, h):
                out.write(f"{x:.3f},{20 * np.log10(abs(y)):.4f},{np.degrees(np.angle(y)):.3f},40\n")
