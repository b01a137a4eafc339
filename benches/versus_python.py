"""The quantities of one spectrum as one would write them by hand with numpy and colour-science, timed.

Reads {"wavelength_nm": [...], "irradiance": [...]} and prints the medians [s] as JSON. What does not depend on the reading is
made before and not timed: all linear quantities are one matrix, tables interpolated to the samples and weighed by the
trapezoid. Timed is the product with it, the ratios, and what colour-science is asked for: dominant wavelength and purity, colour
temperature (Ohno 2013), CIE 13.3 and ANSI/IES TM-30-18 of the spectrum taken to 1 nm. No uncertainty is computed.
"""

import json
import pathlib
import statistics
import sys
import time

import colour
import numpy as np

TABLES = pathlib.Path(__file__).parents[1] / "src" / "quantities" / "tables"
CMFS = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
given = json.load(sys.stdin)
nm, light = np.array(given["wavelength_nm"]), np.array(given["irradiance"])
step = np.gradient(nm)
step[[0, -1]] /= 2
photons = nm * 0.008359347229111778


def table(name, column):
    rows = np.genfromtxt((line for line in open(TABLES / name) if not line.startswith("#")), delimiter=",", skip_header=1)
    return np.interp(nm, rows[:, 0], rows[:, column], left=0.0, right=0.0)


def band(start, end):
    return ((nm >= start) & (nm <= end)).astype(float)


def erythema():
    tail = 10.0 ** (0.015 * (140.0 - nm))
    curve = np.where(nm <= 298.0, 1.0, np.where(nm <= 328.0, 10.0 ** (0.094 * (298.0 - nm)), tail))
    return curve * band(290, 400)


def blue_light():
    above = np.where(nm <= 600, 10.0 ** ((450 - nm) / 50), 0.001)
    return np.where(nm < 500, table("blue_light_hazard.csv", 1), above) * band(300, 700)


bands = [(400, 700), (400, 750), (400, 500), (500, 600), (600, 700), (700, 800), (655, 665), (725, 735), (0, 2000)]
weights = [photons * band(*b) for b in bands]
weights += [photons * table("mccree_1972_field.csv", 1)]
weights += [photons * table("phytochrome_lagarias_1987.csv", i) for i in (1, 2)]
weights += [band(*b) for b in [(400, 700), (315, 400), (290, 315), (0, 2000), (380, 780), (780, 2000)]]
weights += [683.002 * table("cie_1931_2_degree.csv", i) for i in (1, 2, 3)]
weights += [1700.06 * table("cie_1951_scotopic.csv", 1)]
weights += [table("cie_1951_scotopic.csv", 1)] + [table("cie_s026_alpha_opic.csv", i) for i in (1, 2, 3, 4)]
weights += [erythema(), 40 * erythema(), table("cie_174_previtamin_d3.csv", 1), blue_light()]
matrix = np.array(weights) * step
ours = np.arange(380.0, 781.0)


def linear():
    sums = matrix @ light
    ratios = sums[6] / sums[7], sums[10] / (sums[10] + sums[11]), sums[21] / sums[19], sums[15] / sums[8]
    top = int(np.argmax(light))
    peak = np.polyfit(nm[top - 1 : top + 2], light[top - 1 : top + 2], 2)
    X, Y, Z = sums[18:21]
    d, s = X + 15 * Y + 3 * Z, X + Y + Z
    return sums, ratios, -peak[1] / (2 * peak[0]), (4 * X / d, 9 * Y / d), np.array([X / s, Y / s])


def temperature(xy):
    return colour.temperature.uv_to_CCT_Ohno2013(colour.xy_to_UCS_uv(xy), CMFS)


def hue(xy):
    return colour.dominant_wavelength(xy, [1 / 3, 1 / 3]), colour.excitation_purity(xy, [1 / 3, 1 / 3])


def rendering():
    sd = colour.SpectralDistribution(np.interp(ours, nm, light), ours)
    general = colour.colour_rendering_index(sd, additional_data=True)
    return general, colour.colour_fidelity_index(sd, additional_data=True, method="ANSI/IES TM-30-18")


def timed(repeats, f, *arguments):
    f(*arguments)
    taken = []
    for _ in range(repeats):
        begin = time.perf_counter()
        f(*arguments)
        taken.append(time.perf_counter() - begin)
    return statistics.median(taken)


xy = linear()[4]
print(
    json.dumps(
        {
            "linear": timed(1001, linear),
            "temperature": timed(51, temperature, xy),
            "hue": timed(51, hue, xy),
            "rendering": timed(21, rendering),
        }
    )
)
