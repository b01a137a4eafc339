"""The reduction by example: from exported counts to ppfd, illuminance, uv_index and cct, in numpy alone.

Usage: reference_reducer.py FOLDER [lamp]. FOLDER holds `vigilux export --format parquet` of values, frames, darks, dark_models, calibrations,
detector and reduction. Prints the largest relative deviation of each quantity from its stored value. Taken from the export `reduction` as
given: shift of the wavelength scale, shares of beam and lamps, light in the darks. Not here: uncertainties, flags, the stray-light matrix.
"""

import json, pathlib, sys, tomllib  # noqa: E401

import numpy as np
import polars as pl

folder, uv_from = pathlib.Path(sys.argv[1]), 250.0 if "lamp" in sys.argv[2:] else 290.0
table = pathlib.Path(__file__).parents[2] / "src/quantities/tables/cie_1931_2_degree.csv"
observer = np.array([[float(x) for x in line.split(",")] for line in open(table) if line[0].isdigit()]).T
tenths = np.arange(2500, 8001) / 10

def rows(what):
    files = list(folder.glob(f"**/{what}.parquet"))
    return pl.read_parquet(files, hive_partitioning=True).to_dicts() if files else []

def ranges(text, pixels, margin=0):
    """Ranges of pixels, first and last inclusive, as a mask, widened by a margin."""
    mask = np.zeros(pixels, bool)
    for first, last in json.loads(text):
        mask[max(first - margin, 0) : last + margin + 1] = True
    return mask

def trimmed_mean(x, cut):
    return np.sort(x)[cut : len(x) - cut].mean() if len(x) > 2 * cut else 0.0

def growth(model, temperature):
    """Dark rate at a temperature over that at the model's reference temperature."""
    return np.exp((model["rate_exponent"] or 0.0) * (temperature - model["reference_temperature"]))

def holds(model, temperature):
    known = model["rate_exponent"] is not None
    return temperature is not None and (known or model["temperature_low"] - 1 <= temperature <= model["temperature_high"] + 1)

def signal(frame, dark, model, cal, shielded):
    """One bracket: rate [counts/s], its variance without the shot noise of the light, clipped pixels, total time [s]."""
    n, t, now = frame["exposures"], frame["integration_time"], frame["detector_temperature"]
    read2, shot = cal["noise"]["read_noise_counts"] ** 2, 1 / cal["noise"]["electrons_per_count"]
    offsets = lambda at: np.array(model["offset"]) + model["offset_per_kelvin"] * (at - model["reference_temperature"])
    if dark is None:
        now = model["reference_temperature"] if now is None else now
        x = growth(model, now) * t
        offset, dark_counts = offsets(now), np.array(model["rate"]) * x
        dark_read = model["covariance_offset"] + 2 * x * model["covariance_offset_rate"] + x * x * model["covariance_rate"]
        dark_shot = dark_read * shot / max(read2, 1e-9)
    else:
        mean, then = np.array(dark["counts"]) / dark["exposures"], dark["detector_temperature"]
        dark_read, dark_shot = read2 / dark["exposures"], shot / dark["exposures"]
        offset, dark_counts = mean, np.zeros(len(mean))
        if model is not None and holds(model, then):
            change = (growth(model, now) - growth(model, then)) * t if holds(model, now) else 0.0
            offset = offsets(then)
            dark_counts = mean - offset + np.array(model["rate"]) * change
    clipped = ranges(frame["clipped"], len(offset), cal["noise"].get("blooming_pixels", 0))
    counts = np.array(frame["counts"]) / n - offset
    excess = (counts - dark_counts)[shielded & ~clipped]
    counts = counts - trimmed_mean(excess, len(excess) // 8)
    divisor = np.polyval(cal.get("linearity", {}).get("coefficients", [1.0])[::-1], np.maximum(counts, 0))
    variance = (read2 / n + dark_read) / t**2 + (shot / n + dark_shot) / t * np.maximum(dark_counts / t, 0)
    return (counts / divisor - dark_counts) / t, variance, clipped, n * t

def merge(brackets, shot):
    """Mean of the brackets in which a pixel is not clipped, weighted by the inverse of the variance that the merged rate predicts."""
    rate, variance, clipped, total = (np.array(x) for x in zip(*brackets))
    saturated, use = clipped.all(axis=0), ~clipped
    use[0] |= saturated
    guess = (use * total[:, None] * rate).sum(axis=0) / (use * total[:, None]).sum(axis=0)
    weight = use / (variance + shot * np.maximum(guess, 0) / total[:, None])
    return (weight * rate).sum(axis=0) / weight.sum(axis=0), saturated

def reduce(frames, darks, models, cal, shielded, given):
    """Wavelengths [nm] and spectral irradiance [W m-2 nm-1] of the calibrated pixels, corrected for the bandwidth."""
    brackets = [signal(f, darks[f["dark"]], models[f["dark_model"]], cal, shielded) for f in frames]
    rate, saturated = merge(brackets, 1 / cal["noise"]["electrons_per_count"])
    nm = np.polyval(cal["wavelength"]["coefficients"][::-1], np.arange(len(rate))) + given["wavelength_shift"]
    low, high = cal["stray_light"]["floor_band_nm"]
    floor = rate[(nm >= low) & (nm <= high) & ~shielded & ~saturated]
    rate = rate - trimmed_mean(floor, len(floor) // 10)
    points, response = (np.array(cal["response"][key]) for key in ("wavelength_nm", "counts_per_s_per_w_m2_nm"))
    response = np.interp(nm, points, response)
    temperatures = [f["detector_temperature"] for f in frames if f["detector_temperature"] is not None]
    if temperatures and "temperature" in cal:
        per_k = np.interp(nm, cal["temperature"]["wavelength_nm"], cal["temperature"]["relative_per_k"])
        response = response * (1 + per_k * (np.mean(temperatures) - cal["calibration"]["temperature_c"]))
    if given["beam_response"] is not None:
        beam, diffuse = given["beam_response"], given["diffuse_response"]
        cosine = diffuse + np.array(given["beam_share"]) * (beam - diffuse)
        response = response * cosine
        if given["lamp_response"] is not None:
            rate = rate + np.array(given["lamp_rate"]) * (cosine / given["lamp_response"] - 1)
    valid = (nm >= points[0]) & (nm <= points[-1]) & ~shielded
    nm, light = nm[valid], (rate / response + np.array(given["dark_light"]))[valid]
    return nm, before_slit(nm, light, cal["wavelength"]["fwhm_nm"])

def before_slit(nm, light, fwhm):
    """Light before a triangular slit, to fourth order; at the ends of the range as measured."""
    step = np.maximum(fwhm, np.maximum(np.diff(nm, append=nm[-1]), np.diff(nm, prepend=nm[0])))
    share = np.where((nm - step >= nm[0]) & (nm + step <= nm[-1]), (fwhm / step) ** 2 / 12, 0.0)
    second = lambda y: share * (np.interp(nm - step, nm, y) - 2 * y + np.interp(nm + step, nm, y))
    return light - second(light) + 1.6 * second(second(light))

def integral(nm, light, low, high, curve, nodes):
    """Integral of light, linear between pixels, times a weighting: trapezoid rule on pixels, nodes and edges of the band."""
    low, high = max(low, nm[0]), min(high, nm[-1])
    x = np.unique(np.concatenate([[low, high], nm, nodes]))
    x = x[(x >= low) & (x <= high)]
    return np.trapezoid(np.interp(x, nm, light) * curve(x), x)

erythema = lambda x: np.where(x <= 298, 1.0, np.where(x <= 328, 10 ** (0.094 * (298 - x)), 10 ** (0.015 * (140 - x))))
uv = lambda x, y, z: np.array([4 * x, 6 * y]) / (x + 15 * y + 3 * z)
kelvin = 1000.0 * (100.0 ** (1 / 1842)) ** np.arange(1843)
planck = (560 / observer[0]) ** 5 / np.expm1(1.4388e-2 / (observer[0] * 1e-9 * kelvin[:, None]))
locus = uv(*(planck @ observer[1:].T).T).T

def cct(xyz):
    """Ohno 2014: the triangular solution near the locus, the parabolic one farther away."""
    distance = np.hypot(*(locus - uv(*xyz)).T)
    i = int(np.clip(np.argmin(distance), 1, len(kelvin) - 2))
    (d0, d1, d2), (t0, t1, t2) = distance[i - 1 : i + 2], kelvin[i - 1 : i + 2]
    length = np.hypot(*(locus[i + 1] - locus[i - 1]))
    along = (d0**2 - d2**2 + length**2) / (2 * length)
    if np.sqrt(max(d0**2 - along**2, 0.0)) < 0.002:
        return t0 + (t2 - t0) * along / length
    s0, s1 = (d1 - d0) / (t1 - t0), (d2 - d1) / (t2 - t1)
    a = (s1 - s0) / (t2 - t0)
    return t1 - (s0 + a * (t1 - t0)) / (2 * a)

def quantities(nm, light):
    xyz = [integral(nm, light, 360, 830, lambda x, y=y: np.interp(x, observer[0], y, 0, 0), observer[0]) for y in observer[1:]]
    ppfd = integral(nm, light, 400, 700, lambda x: x * 0.008359347229111778, tenths)
    return {"ppfd": ppfd, "illuminance": 683.002 * xyz[1], "uv_index": 40 * integral(nm, light, uv_from, 400, erythema, tenths), "cct": cct(xyz)}

calibrations = {c["name"]: tomllib.loads(c["text"]) for c in rows("calibrations")}
detectors = {d["instrument"]: ranges(d["shielded"], d["pixels"]) for d in rows("detector")}
darks, models, given = ({None: None} | {row["id"]: row for row in rows(what)} for what in ("darks", "dark_models", "reduction"))
frames, worst, stored = {}, {}, [row for row in rows("values") if row["id"] in given]
for frame in sorted(rows("frames"), key=lambda f: f["bracket"]):
    frames.setdefault(frame["reading"], []).append(frame)
for s in stored:
    made = reduce(frames[s["id"]], darks, models, calibrations[s["calibration"]], detectors[s["instrument"]], given[s["id"]])
    for name, value in quantities(*made).items():
        if s[name] is not None:
            worst[name] = max(worst.get(name, 0.0), abs(value - s[name]) / abs(s[name]))
print(json.dumps({"compared": len(stored), **worst}))
