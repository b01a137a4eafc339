"""Measured minute series of global irradiance, the clear sky expected there, and what pvlib calls clear, as JSON.

The series come with pvlib's source distribution, which tests/all fetches and unpacks (argument 1 is the folder):
BSRN station Payerne, June 2016 (bsrn-pay0616.dat.gz), and SURFRAD station Alamosa, 2016-01-01 (surfrad-slv16001.dat).
The expected sky is pvlib's Haurwitz model at pvlib's own sun position; detection with the defaults of detect_clearsky.
"""

import json
import sys
from pathlib import Path

import numpy as np
import pvlib

folder = Path(sys.argv[1])
payerne, _ = pvlib.iotools.read_bsrn(folder / "bsrn-pay0616.dat.gz")
alamosa, _ = pvlib.iotools.read_surfrad(folder / "surfrad-slv16001.dat")


def series(frame, latitude, longitude, altitude):
    station = pvlib.location.Location(latitude, longitude, "UTC", altitude)
    expected = station.get_clearsky(frame.index, model="haurwitz").ghi
    sun = station.get_solarposition(frame.index).apparent_elevation
    clear, _, scale = pvlib.clearsky.detect_clearsky(frame.ghi, expected, return_components=True)
    return {
        "measured": [float(x) if np.isfinite(x) else None for x in frame.ghi],
        "expected": expected.tolist(),
        "elevation_deg": sun.tolist(),
        "clear": clear.astype(bool).tolist(),
        "scale": float(scale),
    }


print(
    json.dumps(
        {
            "payerne": series(payerne, 46.815, 6.944, 491.0),
            "alamosa": series(alamosa, 37.70, -105.92, 2317.0),
        }
    )
)
