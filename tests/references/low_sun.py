"""Bird & Riordan's spectra as pvlib 0.16.1 computes them (`spectrl2`), as JSON on standard output.

For each atmosphere and elevation of the sun: beam (normal) and diffuse (horizontal) irradiance over the extraterrestrial irradiance at
pvlib's own wavelengths to 1120 nm, and the beam's share of the horizontal sum. Day 93 of the year; the distance of the sun cancels.
"""

import json

import numpy as np
import pvlib

ELEVATIONS = [3, 4, 5, 7, 10, 15, 20, 30, 45, 60, 80]
# Aerosol optical depth at 500 nm, ozone [atm cm], precipitable water [cm], albedo, pressure [Pa].
ATMOSPHERES = [
    (0.084, 0.3438, 1.416, 0.2, 101325.0),
    (0.05, 0.30, 1.0, 0.2, 101325.0),
    (0.1, 0.30, 1.4, 0.2, 101325.0),
    (0.2, 0.30, 1.4, 0.2, 101325.0),
    (0.4, 0.30, 1.4, 0.2, 101325.0),
    (0.2, 0.35, 3.0, 0.1, 96000.0),
    (0.4, 0.25, 0.5, 0.7, 101325.0),
]


def case(elevation, aerosol, ozone, water, albedo, pressure):
    zenith = np.array([90.0 - elevation])
    spectra = pvlib.spectrum.spectrl2(
        apparent_zenith=zenith,
        aoi=zenith,
        surface_tilt=0,
        ground_albedo=albedo,
        surface_pressure=pressure,
        relative_airmass=pvlib.atmosphere.get_relative_airmass(zenith, "kastenyoung1989"),
        precipitable_water=water,
        ozone=ozone,
        aerosol_turbidity_500nm=aerosol,
        dayofyear=np.array([93]),
    )
    kept = spectra["wavelength"] <= 1120
    top, beam, sky = (spectra[name][kept, 0] for name in ("dni_extra", "dni", "dhi"))
    horizontal = beam * np.cos(np.radians(zenith))
    return {
        "elevation_deg": elevation,
        "aerosol": aerosol,
        "ozone_du": 1000.0 * ozone,
        "water_cm": water,
        "albedo": albedo,
        "pressure_hpa": pressure / 100.0,
        "beam": (beam / top).tolist(),
        "sky": (sky / top).tolist(),
        "beam_share": (horizontal / (horizontal + sky)).tolist(),
    }


wavelength = pvlib.spectrum.spectrl2.__globals__["_SPECTRL2_COEFFS"]["wavelength"]
print(
    json.dumps(
        {
            "wavelength_nm": wavelength[wavelength <= 1120].tolist(),
            "cases": [case(elevation, *atmosphere) for atmosphere in ATMOSPHERES for elevation in ELEVATIONS],
        }
    )
)
