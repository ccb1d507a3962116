"""Holds the tables of this folder against SciPy and closed forms, written anew here, from memory where a standard is named.

Run in this folder: python3 recompute.py. Prints the largest difference of each table and fails where one is more than
the digits that the table gives. What was transcribed and cannot be computed (tolerances, nominal values) is not looked at.
"""

import json

import numpy as np
from scipy import signal

worst = {}


def table(name):
    with open(f"{name}.json", encoding="utf-8") as file:
        return json.load(file)


def held(name, found, stated, within):
    difference = float(np.max(np.abs(np.asarray(found, float) - np.asarray(stated, float))))
    worst[name] = max(worst.get(name, 0.0), difference)
    assert difference <= within, (name, found, stated)


# IEC 61672-1:2013 annex E: weights from four poles, 0 dB at 1 kHz; the table has tenths.
F1, F2, F3, F4 = 20.598997, 107.65265, 737.86223, 12194.217


def weight_db(f, a_weighting):
    level = lambda f: 20 * np.log10(
        F4**2 * f**2 / ((f**2 + F1**2) * (f**2 + F4**2))
        * (f**2 / np.sqrt((f**2 + F2**2) * (f**2 + F3**2)) if a_weighting else 1)
    )
    return level(f) - level(1000.0)


for row in table("iec61672_weighting")["rows"]:
    for a_weighting, letter in ((True, "A"), (False, "C")):
        found = weight_db(row["exact_hz"], a_weighting)
        held("A and C weights", found, row[f"{letter}_exact_db"], 1e-5)
        held("A and C weights, tenths", found, row[f"{letter}_db"], 0.0501)

# IEC 61260-1:2014, 5.2 to 5.5: midbands in powers of G, edges half a band away.
G = 10**0.3
bands = table("iec61260_bands")
for kind, per_octave in (("third_octave", 3), ("octave", 1)):
    for row in bands[kind]:
        middle = 1000 * G ** (row["index"] / per_octave)
        held("bands, relative", middle / row["exact_hz"], 1, 1e-12)
        held("bands, relative", middle * G ** (0.5 / per_octave) / row["upper_hz"], 1, 1e-12)

# Audio EQ Cookbook: each kind as its analogue prototype through SciPy's bilinear transform.
for case in table("biquads_rbj")["cases"]:
    q, a = case["Q_equivalent"], 10 ** (case["gain_db"] / 40)
    prototypes = {
        "peaking": ([1, a / q, 1], [1, 1 / (a * q), 1]),
        "low_shelf": (a * np.array([1, np.sqrt(a) / q, a]), [a, np.sqrt(a) / q, 1]),
        "high_shelf": (a * np.array([a, np.sqrt(a) / q, 1]), [1, np.sqrt(a) / q, a]),
        "low_pass": ([1], [1, 1 / q, 1]),
        "high_pass": ([1, 0, 0], [1, 1 / q, 1]),
        "all_pass": ([1, -1 / q, 1], [1, 1 / q, 1]),
    }
    kind = case["type"].replace("lowshelf", "low_shelf").replace("highshelf", "high_shelf")
    kind = kind.replace("lowpass", "low_pass").replace("highpass", "high_pass").replace("allpass", "all_pass")
    if kind not in prototypes:
        continue
    b, a_digital = signal.bilinear(*prototypes[kind], fs=1 / (2 * np.tan(np.pi * case["f0"] / case["fs"])))
    b = np.pad(b, (0, 3 - len(b)))
    held(f"biquads, {kind}", np.concatenate([b, a_digital]), case["b"] + case["a"], 1e-9)

# Butterworth and Linkwitz-Riley (squared Butterworth) levels at the corner; Bessel sections as SciPy makes them.
crossovers = table("crossovers")
for case in crossovers["cases"]:
    squared = case["family"] != "butterworth"
    order = case["order"] // 2 if squared else case["order"]
    sos = signal.butter(order, case["fc"], fs=case["fs"], output="sos")
    _, h = signal.sosfreqz(sos, [case["fc"]], fs=case["fs"])
    held("crossovers at the corner", 20 * np.log10(abs(h[0])) * (2 if squared else 1), case["mag_at_fc_db"], 1e-6)
for case in crossovers["bessel_digital"]:
    sos = signal.bessel(case["order"], case["fc"], fs=case["fs"], norm=case["norm"], output="sos")
    held("Bessel sections", sos, case["sos"], 1e-9)


# ISO 9613-1:1993, formulas (3) to (5) and annex B, in dB/km at one atmosphere; the table has three digits.
def absorbed_db_per_km(f, celsius, humidity_percent):
    kelvin, reference, triple = celsius + 273.15, 293.15, 273.16
    h = humidity_percent * 10 ** (-6.8346 * (triple / kelvin) ** 1.261 + 4.6151)
    oxygen = 24 + 4.04e4 * h * (0.02 + h) / (0.391 + h)
    nitrogen = (kelvin / reference) ** -0.5 * (
        9 + 280 * h * np.exp(-4.170 * ((kelvin / reference) ** (-1 / 3) - 1))
    )
    return 8686 * f**2 * (
        1.84e-11 * (kelvin / reference) ** 0.5
        + (kelvin / reference) ** -2.5
        * (
            0.01275 * np.exp(-2239.1 / kelvin) / (oxygen + f**2 / oxygen)
            + 0.1068 * np.exp(-3352.0 / kelvin) / (nitrogen + f**2 / nitrogen)
        )
    )


air = table("iso9613_1_absorption")
nominal = np.array(air["columns"][2:], float)
# The standard computes at exact midbands.
exact = 1000 * G ** (np.round(10 * np.log10(nominal / 1000)) / 3)
for celsius, humidity_percent, *stated in air["rows"]:
    found = absorbed_db_per_km(exact, celsius, humidity_percent)
    held("absorption, relative", found / np.array(stated), np.ones(len(stated)), 0.012)

# THD by its closed forms.
closed = {
    "square": np.sqrt(np.pi**2 / 8 - 1),
    "triangle": np.sqrt(np.pi**4 / 96 - 1),
    "sawtooth": np.sqrt(np.pi**2 / 6 - 1),
}
for case in table("thd")["cases"]:
    if case["name"] in closed:
        held("THD", closed[case["name"]], case["THD_F_all"], 1e-9)

# Farina (2000): sin(2 pi f1 L (exp(t / L) - 1)).
sweep = table("sweeps")["sample_values"]
length = sweep["T"] / np.log(sweep["f2"] / sweep["f1"])
t = np.array(sweep["index"]) / sweep["fs"]
held("sweep", np.sin(2 * np.pi * sweep["f1"] * length * (np.exp(t / length) - 1)), sweep["farina"], 1e-8)

# NIOSH 98-126 (1998): 8 h at 85 dB(A), halved for every 3 dB.
for row in table("noise_exposure")["rows"]:
    held("exposure, relative", 8 / 2 ** ((row["L_dBA"] - 85) / 3) / row["T_niosh_h"], 1, 1e-12)

for row in table("speed_of_sound")["rows"]:
    held("speed of sound", 343.2 * np.sqrt((row["T_C"] + 273.15) / 293.15), row["c_iso9613_1"], 1e-9)

for name, difference in worst.items():
    print(f"{name:<28} {difference:.2g}")
