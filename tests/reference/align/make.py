"""Impulse responses of four drivers among reflections, with known arrivals, made with SciPy.

Run in this folder: python3 make.py. Writes the WAV files and truth.json. The drivers are SciPy's digital Butterworth
filters; the delays are exact phase turns of their spectra; noise lies 40 dB under the energy of each response.
"""

import json

import numpy as np
import scipy
from scipy import signal
from scipy.io import wavfile

RATE, LENGTH, SEED = 48000, 8192, 12
rng = np.random.default_rng(SEED)
f = np.fft.rfftfreq(4 * LENGTH, 1 / RATE)
DRIVERS = {
    "tweeter": (signal.butter(4, 2500, "high", fs=RATE, output="sos"), 1),
    "wide-range": (signal.butter(2, 80, "high", fs=RATE, output="sos"), 1),
    "midrange": (signal.butter(4, [80, 3000], "band", fs=RATE, output="sos"), -1),
    "subwoofer": (signal.butter(4, [25, 90], "band", fs=RATE, output="sos"), -1),
}
truth = {"scipy": scipy.__version__, "numpy": np.__version__, "seed": SEED, "rate_hz": RATE, "channels": []}
for name, (sos, sign) in DRIVERS.items():
    delay = rng.uniform(0.004, 0.010)
    reflections = [(rng.choice([-1, 1]) * 10 ** (-rng.uniform(4, 14) / 20), rng.uniform(0.0003, 0.010)) for _ in range(5)]
    path = 1 + sum(a * np.exp(-2j * np.pi * f * t) for a, t in reflections)
    _, driver = signal.sosfreqz(sos, worN=f, fs=RATE)
    h = sign * np.fft.irfft(driver * path * np.exp(-2j * np.pi * f * delay))[:LENGTH]
    h += rng.normal(size=LENGTH) * np.sqrt(np.sum(h**2) / LENGTH) * 0.01
    wavfile.write(f"{name}.wav", RATE, h.astype(np.float32))
    truth["channels"].append(
        {"name": name, "arrival_ms": 1e3 * delay, "inverted": bool(sign < 0), "reflections": [[a, 1e3 * t] for a, t in reflections]}
    )
with open("truth.json", "w") as out:
    json.dump(truth, out, indent=1)
    out.write("\n")
