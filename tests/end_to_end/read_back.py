"""Reads the exports of one station back with the tools people use, and compares each with the CSV of the values.

Usage: read_back.py FOLDER, which holds values.csv, spectra.csv, nc/, range/ and pq/. Prints a JSON summary; any difference is an
AssertionError.
"""

import glob
import json
import pathlib
import sqlite3
import subprocess
import sys

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import xarray as xr

folder = pathlib.Path(sys.argv[1])


def netcdf(what):
    files = sorted(glob.glob(str(folder / "nc" / f"*_{what}_*.nc")))
    assert files, f"no NetCDF of {what}"
    return files


SERIES = ("values", "spectra", "reduction")
LISTS = ("calibrations", "dark_models", "detector", "events")


def opened(what, engine="netcdf4", **options):
    """All files of one kind after one another."""
    return xr.concat([xr.open_dataset(f, engine=engine, **options) for f in netcdf(what)], dim="time_mid" if what in SERIES else "time_start", data_vars="minimal")


def same(a, b, what):
    a, b = np.asarray(a, float), np.asarray(b, float)
    assert a.shape == b.shape, f"{what}: {a.shape} and {b.shape}"
    assert np.array_equal(np.isnan(a), np.isnan(b)), f"{what}: other values are absent"
    assert np.array_equal(a[~np.isnan(a)], b[~np.isnan(b)]), f"{what}: other numbers, by {np.nanmax(np.abs(a - b))}"


# `comment` would cut a line at any number sign; the lines of origin stand at the head.
head = sum(line.startswith("#") for line in open(folder / "values.csv"))
csv = pd.read_csv(folder / "values.csv", skiprows=head)
times = pd.to_datetime(csv["time_mid"], format="ISO8601", utc=True)
quantities = [c[: -len("_verdict")] for c in csv.columns if c.endswith("_verdict")]
units = {}
for line in open(folder / "values.csv"):
    if line.startswith("# unit of "):
        name, unit = line[len("# unit of ") :].rstrip("\n").split(": ", 1)
        units[name] = unit

# NetCDF by xarray, with both of its engines for this format.
for engine in ("netcdf4", "scipy"):
    ds = opened("values", engine)
    same(ds["id"], csv["id"], "id")
    # Microseconds are exact; as times, xarray computes them in nanoseconds with the precision of doubles.
    raw = opened("values", engine, decode_times=False)
    for name in ("time_start", "time_mid", "time_end"):
        want = pd.to_datetime(csv[name], format="ISO8601", utc=True).dt.tz_localize(None).astype("datetime64[us]")
        same(raw[name], want.astype("int64"), name)
        assert (np.abs(ds[name].values - want.values) <= np.timedelta64(1, "us")).all(), name
    for name in ("calibration", "exposures", "reasons"):
        assert [text.item() if hasattr(text, "item") else text for text in ds[name].values] == list(csv[name].fillna("")), name
    assert (float(ds["latitude"]), float(ds["longitude"]), float(ds["altitude"])) == (48.0, 11.0, 0.0)
    assert ds["latitude"].attrs["units"] == "degrees_north" and "latitude" in ds["ppfd"].coords
    for q in quantities:
        same(ds[q], csv[q], q)
        same(ds[f"{q}_uncertainty"], csv[f"{q}_uncertainty"], q)
        assert ds[q].attrs["units"] == units[q], q
        codes = csv[f"{q}_verdict"].map({"good": 0, "suspect": 1, "bad": 2})
        same(ds[f"{q}_verdict"], codes, f"{q}_verdict")
    for column in ["flags"] + [f"{q}_flags" for q in quantities]:
        meanings, masks = ds[column].attrs["flag_meanings"].split(), ds[column].attrs["flag_masks"]
        for bits, names in zip(ds[column].values, csv[column].fillna("")):
            assert [m for m, mask in zip(meanings, masks) if int(bits) & int(mask)] == names.split(), names
    spectra = opened("spectra", engine)
    assert spectra["radiation_wavelength"].attrs["units"] == "nm"
    assert (np.diff(spectra["radiation_wavelength"]) > 0).all()

# Safety notices: in every file, for the sun of a roof.
notices = {}
for line in open(folder / "values.csv"):
    if line.startswith("# caution on "):
        group, text = line[len("# caution on ") :].rstrip("\n").split(": ", 1)
        notices[group] = text
assert list(notices) == ["ultraviolet", "retina"] and "from UV index 3 on" in notices["ultraviolet"], notices
spectra_head = [line.rstrip("\n") for line in open(folder / "spectra.csv") if line.startswith("#")]
for group, text in notices.items():
    assert f"# caution on {group}: {text}" in spectra_head, spectra_head
joined = "\n".join(f"{group}: {text}" for group, text in notices.items())
measured = [p for p in glob.glob(str(folder / "nc" / "*.nc")) + glob.glob(str(folder / "range" / "*.nc")) if "south" in p]
for path in measured:
    assert xr.open_dataset(path, engine="netcdf4").attrs["caution"] == joined, path
for path in glob.glob(str(folder / "pq" / "**" / "*.parquet"), recursive=True):
    found = duckdb.sql(f"SELECT key, value FROM parquet_kv_metadata('{path}')").fetchall()
    found = {bytes(key).decode(): bytes(value).decode() for key, value in found}
    if pathlib.Path(path).stem in LISTS:
        continue
    for group, text in notices.items():
        assert found.get(f"caution on {group}") == text, path

# One file for the range holds what the files of the days hold, in order.
for what in ("values", "spectra", "reduction", "darks", "frames"):
    days = opened(what)
    whole = xr.open_dataset(folder / "range" / f"south_{what}.nc", engine="netcdf4")
    assert sorted(whole.variables) == sorted(days.variables), what
    assert xr.open_dataset(folder / "range" / f"south_{what}.nc", engine="scipy").equals(whole), what
    for name in whole.variables:
        assert str(whole[name].attrs) == str(days[name].attrs), f"{what}: {name}"
        if name.startswith("time") or whole[name].dtype.kind in "OSU":
            assert (whole[name].values == days[name].values).all(), f"{what}: {name}"
        else:
            same(whole[name], days[name], f"{what}: {name}")

# The compliance checker: no error, in every file.
checked = 0
for path in sorted(glob.glob(str(folder / "nc" / "*.nc")) + glob.glob(str(folder / "range" / "*.nc"))):
    checker = pathlib.Path(sys.executable).with_name("compliance-checker")
    ran = subprocess.run(
        [checker, "--test=cf:1.11", "--criteria=lenient", "--format=json", "--output=-", path], capture_output=True, text=True
    )
    report = json.loads(ran.stdout[ran.stdout.index("{") :])["cf:1.11"]
    errors = [(p["name"], p["msgs"]) for p in report["high_priorities"] if p["value"][0] != p["value"][1]]
    assert not errors, f"{path}: {errors}"
    checked += 1

# Parquet by DuckDB and Polars.
pattern = str(folder / "pq" / "**" / "values.parquet")
duck = duckdb.sql(f"SELECT * FROM read_parquet('{pattern}', hive_partitioning = true) ORDER BY id")
kinds = dict(zip(duck.columns, map(str, duck.types)))
assert all(kinds[t] == "TIMESTAMP WITH TIME ZONE" for t in ("time_start", "time_mid", "time_end")) and kinds["date"] == "DATE", kinds
rows = duck.df()
frame = pl.read_parquet(pattern, hive_partitioning=True).sort("id")
assert frame.schema["time_mid"] == pl.Datetime("us", "UTC"), frame.schema["time_mid"]
for q in quantities:
    for column in (q, f"{q}_uncertainty"):
        same(rows[column].astype(float), csv[column], f"{column} by DuckDB")
        same(frame[column].cast(pl.Float64).fill_null(np.nan), csv[column], f"{column} by Polars")
    assert list(rows[f"{q}_verdict"].fillna("")) == list(csv[f"{q}_verdict"].fillna("")), q
assert list(frame["flags"]) == list(csv["flags"].fillna(""))
us = times.dt.tz_localize(None).astype("datetime64[us]").astype("int64")
assert list(frame["time_mid"].dt.timestamp("us")) == list(us)
assert set(frame["instrument"]) == {"south"} and set(frame["station"]) == {"Test roof"}, frame["station"]

# Spectra: the same numbers in all three forms, and what they integrate to is the value on record.
pattern = str(folder / "pq" / "**" / "spectra.parquet")
spectrum = pl.read_parquet(pattern, hive_partitioning=True).sort("id")
assert spectrum.schema["spectral_irradiance"] == pl.List(pl.Float32)
assert str(duckdb.sql(f"SELECT spectral_irradiance FROM '{pattern}'").types[0]) == "FLOAT[]"
listed = np.array(spectrum["spectral_irradiance"].to_list(), float)
same(spectra["spectral_irradiance"], listed, "spectra")
same(spectra["spectral_irradiance_uncertainty"], spectrum["spectral_irradiance_uncertainty"].to_list(), "uncertainty")
head = sum(line.startswith("#") for line in open(folder / "spectra.csv"))
long = pd.read_csv(folder / "spectra.csv", skiprows=head)
same(np.float32(long["spectral_irradiance"]).reshape(listed.shape), listed, "spectra as text")
nm = spectra["radiation_wavelength"].values
band = (nm >= 400) & (nm <= 700)
photons = np.trapezoid(np.where(np.isnan(listed), 0, listed)[:, band] * nm[band] / 119.626565, nm[band], axis=1)
ppfd = csv["ppfd"].to_numpy()
lit = ppfd > 50
worst = float(np.max(np.abs(photons[lit] / ppfd[lit] - 1)))
assert worst < 2e-3, f"the spectra integrate to another PPFD, by {worst}"

# Counts are whole and the same.
counts = {}
for what in ("darks", "frames"):
    table = pl.read_parquet(str(folder / "pq" / "**" / f"{what}.parquet"), hive_partitioning=True)
    assert table.schema["counts"] == pl.List(pl.UInt32)
    nc = opened(what)
    same(nc["counts"], table["counts"].to_list(), what)
    counts[what] = len(table)

# The same columns in all forms and in SQL, but for the axis, the coordinates of the station and the columns of lists.
view = [c for c in sqlite3.connect(folder / "station.db").execute("SELECT * FROM readings LIMIT 1").description]
view = {c[0] for c in view} - {"interval_flags"}
view = {c for c in view if not c.endswith(("_minimum", "_maximum", "_deviation"))}
for what in SERIES + ("darks", "frames") + LISTS:
    text = next(line for line in open(folder / f"{what}.csv") if not line.startswith("#"))
    axis = {"pixel", "wavelength_nm", "radiation_wavelength"} if what not in ("values", *LISTS) or what == "dark_models" else set()
    in_csv = set(text.strip().split(",")) - axis
    path = glob.glob(str(folder / "pq" / "**" / f"{what}.parquet"), recursive=True)
    if not path:
        assert what in LISTS, what
        continue
    in_parquet = set(pl.read_parquet(path[0], hive_partitioning=True).columns) - {"station", "date", "wavelength_nm"}
    nc = xr.open_dataset((glob.glob(str(folder / "nc" / f"south_{what}_*.nc")) + glob.glob(str(folder / "nc" / f"{what}.nc")))[0])
    in_netcdf = set(nc.variables) - {"time_bounds", "latitude", "longitude", "altitude"} - axis
    assert in_csv == in_parquet == in_netcdf | {"instrument"}, f"{what}: {in_csv ^ in_parquet} {in_csv ^ in_netcdf}"
    if what == "values":
        assert in_csv == view, in_csv ^ view

print(json.dumps({"readings": len(csv), "quantities": len(quantities), "checked": checked, "ppfd_worst": worst, **counts}))
