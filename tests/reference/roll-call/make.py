"""Recordings of a roll call in a box of air, one of a sound car and one with faults, made with NumPy and SciPy.

Run in this folder with the stimulus that the test makes:

    cabinwright stimulus roll-call --out s.wav --channels 4 --seconds 0.5 \
        --band 1:2500-18000 --band 2:2500-18000 --band 3:45-4000 --band 4:45-4000
    python3 make.py s.wav

The box is by image sources (J. B. Allen, D. A. Berkley, JASA 65, 943, 1979); drivers are SciPy's Butterworth filters; noise
lies 40 dB under the recording. Faults: the left tweeter is silent, the right woofer turned over.
"""

import itertools
import sys

import numpy as np
from scipy import signal
from scipy.io import wavfile

SPEED, LENGTH = 343.2, 9600
rng = np.random.default_rng(5)
rate, played = wavfile.read(sys.argv[1])
size = np.array([1.45, 2.7, 1.17])
near, far = np.array([0.7, 0.75, 0.7]), np.array([0.72, 0.65, 0.6])
microphone = np.array([0.39, 1.22, 0.93])
tweeter = signal.butter(2, 1500, "high", fs=rate, output="sos")
woofer = np.vstack([signal.butter(2, 58, "high", fs=rate, output="sos"), signal.butter(2, 4200, "low", fs=rate, output="sos")])
SPEAKERS = [((0.15, 0.2, 0.85), tweeter), ((1.3, 0.2, 0.85), tweeter), ((0.06, 0.7, 0.3), woofer), ((1.39, 0.7, 0.3), woofer)]
cells = np.array(list(itertools.product(range(-4, 5), repeat=3)))


def box(source):
    response, taps = np.zeros(LENGTH), np.arange(-16, 17)
    for mirrored in itertools.product((0, 1), repeat=3):
        mirrored = np.array(mirrored)
        away = np.linalg.norm((1 - 2 * mirrored) * np.array(source) + 2 * cells * size - microphone, axis=1)
        strength = np.prod(near ** np.abs(cells - mirrored) * far ** np.abs(cells), axis=1) / away
        for t, g in zip(away / SPEED * rate, strength):
            if 20 < t < LENGTH - 20:
                at = int(t)
                x = taps - (t - at)
                response[at + taps] += g * np.sinc(x) * np.cos(np.pi * x / 34) ** 2
    return response


responses = [0.2 * signal.sosfilt(driver, box(place)) for place, driver in SPEAKERS]
for name, gains in [("sound", (1, 1, 1, 1)), ("faults", (0, 1, 1, -1))]:
    heard = sum(g * signal.fftconvolve(played[:, k], responses[k]) for k, g in enumerate(gains))
    heard = np.concatenate([np.zeros(int(0.21 * rate)), heard])[: len(played) + int(0.5 * rate)]
    heard += 0.01 * np.sqrt(np.mean(heard**2)) * rng.standard_normal(len(heard))
    wavfile.write(f"{name}.wav", rate, np.round(heard / np.abs(heard).max() * 0.5 * 32767).astype(np.int16))
