"""Computes the figures of days from an export of readings, by numpy, pandas and pvlib, and prints them as JSON.

Usage: daily.py READINGS.csv. The station, its rules and their reading are those of days.rs: days from 03:00 UTC, light straight over at
most 15 minutes, dark under the open sky while the sun is below -6 degrees and nobody looks.
"""

import json
import sys

import numpy as np
import pandas as pd
import pvlib

BRIDGE = 900.0
table = pd.read_csv(sys.argv[1], comment="#")
table["t"] = pd.to_datetime(table.time_mid, utc=True, format="ISO8601").astype("datetime64[ns, UTC]").astype("int64") / 1e9
table["flags"] = table["flags"].fillna("")


def known(samples, begin, end, dark):
    """Stretches of straight light within a day: rows of (from, to, value at from, value at to) for each column of samples; and
    the variance of the first column's integral due to light between the readings."""
    variances = []
    rows, last = [], None
    zero = [0.0] * (samples.shape[1] - 1)

    def value(t):
        """The first column at an instant; NaN outside the readings and in gaps."""
        k = np.searchsorted(samples[:, 0], t)
        if k < len(samples) and samples[k, 0] == t:
            return samples[k, 1]
        if k in (0, len(samples)) or samples[k, 0] - samples[k - 1, 0] > BRIDGE:
            return np.nan
        return np.interp(t, samples[k - 1 : k + 1, 0], samples[k - 1 : k + 1, 1])

    def variance(a, b):
        """Of the integral between two readings: from how far its ends are off the line between points one length away."""
        length = b[0] - a[0]
        off = np.array([(2 * a[1] - value(a[0] - length) - b[1]) / 2, (2 * b[1] - a[1] - value(b[0] + length)) / 2])
        square = np.nanmean(off**2) if np.isfinite(off).any() else (b[1] - a[1]) ** 2 / 4
        return length**2 * 2 / 3 * square

    def line(a, b):
        lo, hi = max(a[0], begin), min(b[0], end)
        if lo < hi:
            at = lambda t, k: np.interp(t, [a[0], b[0]], [a[k], b[k]])
            rows.append((lo, hi, [(at(lo, k), at(hi, k)) for k in range(1, len(a))]))
            variances.append(variance(a, b) * (hi - lo) / (b[0] - a[0]))

    def gap(last, nxt):
        for a, b in dark:
            a = max(a, last[0] if last is not None else -np.inf)
            b = min(b, nxt[0] if nxt is not None else np.inf)
            if a < b:
                if last is not None and a - last[0] <= BRIDGE:
                    line(last, [a] + zero)
                if max(a, begin) < min(b, end):
                    rows.append((max(a, begin), min(b, end), [(0.0, 0.0)] * len(zero)))
                last = [b] + zero
        if last is not None and nxt is not None and nxt[0] - last[0] <= BRIDGE:
            line(last, nxt)

    for sample in samples:
        if last is not None and sample[0] - last[0] <= BRIDGE:
            line(last, sample)
        else:
            gap(last, sample)
        last = sample
    gap(last, None)
    return rows, sum(variances)


def area(rows, column):
    return sum((b - a) * (v[column][0] + v[column][1]) / 2 for a, b, v in rows)


def above(rows, level):
    """By sampling every piece finely: no formula for the crossing."""
    total = 0.0
    for a, b, v in rows:
        x = np.linspace(v[0][0], v[0][1], 20001)
        total += (b - a) * np.mean(x > level)
    return total / 3600


def highest_half_hour(rows):
    """Means over all windows of 30 minutes that begin or end at a reading, each integrated for itself."""
    best = -np.inf
    edges = sorted({t for a, b, _ in rows for t in (a, b)})
    for begin in sorted({t for e in edges for t in (e, e - 1800)}):
        total = seen = 0.0
        for a, b, v in rows:
            lo, hi = max(a, begin), min(b, begin + 1800)
            if lo < hi:
                ends = np.interp([lo, hi], [a, b], v[0])
                total += (hi - lo) * ends.mean()
                seen += hi - lo
        if abs(seen - 1800) < 1e-5:
            best = max(best, total / 1800)
    return best


place = pvlib.location.Location(56.3, 9.7, altitude=40)
days = []
first = np.floor((table.t.min() - 10800) / 86400) * 86400 + 10800
for begin in np.arange(first, table.t.max(), 86400.0):
    end = begin + 86400
    seconds = np.arange(begin - BRIDGE, end + BRIDGE, 1.0)
    when = pd.DatetimeIndex(pd.to_datetime(seconds, unit="s", utc=True))
    down = np.asarray(place.get_solarposition(when, method="nrel_numpy").apparent_elevation) < -6.0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], down.astype(int), [0]])))
    dark = [(seconds[a], seconds[min(b, len(seconds) - 1)]) for a, b in zip(edges[::2], edges[1::2])]
    near = table[(table.t >= begin - BRIDGE) & (table.t <= end + BRIDGE)]
    inside = near[(near.t >= begin) & (near.t < end)]

    def of(quantity):
        good = near[near[f"{quantity}_verdict"].isin(["good", "suspect"])]
        return good[["t", quantity, f"{quantity}_uncertainty"]].to_numpy(float)

    found = [known(of(q), begin, end, dark) for q in ("ppfd", "illuminance", "erythemal_irradiance", "uv_index")]
    light, lux, burn, index = (rows for rows, _ in found)
    served = inside[inside.ppfd_verdict.isin(["good", "suspect"])]
    dusk = inside[(inside.sun_elevation >= -6) & (inside.sun_elevation <= 0) & (inside.sun_azimuth > 180)]
    dusk = dusk[dusk.red_far_red_ratio_verdict.isin(["good", "suspect"])]
    days.append({
        "starts": begin,
        "readings": len(inside),
        "covered": sum(b - a for a, b, _ in light) / 86400,
        "light_integral": area(light, 0) / 1e6,
        "light_integral_uncertainty": np.hypot(area(light, 1), np.sqrt(found[0][1])) / 1e6,
        "lux_hours": area(lux, 0) / 3600,
        "erythemal_dose": area(burn, 0),
        "erythemal_dose_sed": area(burn, 0) / 100,
        "photoperiod": above(light, 1.0),
        "hours_above": above(light, 200.0),
        "ppfd_maximum": served.ppfd.max(),
        "uv_index_maximum": highest_half_hour(index),
        "dusk_red_far_red_ratio": dusk.red_far_red_ratio.mean() if len(dusk) else None,
        "ppfd_bad": int((inside.ppfd_verdict == "bad").sum()),
        "unsteady": int(inside["flags"].str.split().apply(lambda f: "unsteady" in f).sum()),
    })
print(json.dumps(days))
