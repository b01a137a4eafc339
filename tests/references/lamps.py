"""Daylight of another model and spectra of lamps, seen through a Gaussian slit of 2 nm, as JSON: wavelengths from 380 to 720 nm, and
spectra whose PPFD (400-700 nm) is 1.

Daylight is pvlib's SPECTRL2 (Bird & Riordan 1986) at seven heights of the sun in four atmospheres, global and diffuse; its transmittances
multiply the extraterrestrial column of ASTM G173-03, so that it has the sun's lines. Lamps: red and blue LEDs with a weak
white (after common top lights), a white LED, and high-pressure sodium; their peaks also shifted by 2 nm.
"""

import json

import numpy as np
import pvlib

STEP = 0.25
FINE = np.arange(370.0, 730.0 + STEP / 2, STEP)
table = pvlib.spectrum.get_reference_spectra()
top = np.interp(FINE, table.index, table["extraterrestrial"])


def seen(light):
    """Through the slit, on whole nanometres."""
    offset = np.arange(-24, 25) * STEP
    slit = np.exp(-4 * np.log(2) * (offset / 2.0) ** 2)
    through = np.convolve(light, slit / slit.sum(), "same")
    nm = np.arange(380.0, 721.0)
    through = np.interp(nm, FINE, through)
    photons = through * nm / 119.626565582
    band = (nm >= 400) & (nm <= 700)
    return (through / np.trapezoid(photons[band], nm[band])).tolist()


def skies():
    for elevation in (1.5, 3, 6, 10, 20, 40, 60):
        for aerosol, ozone, water, exponent in ((0.05, 0.25, 0.5, 1.14), (0.1, 0.3, 1.5, 1.14), (0.3, 0.35, 3, 1.4), (0.8, 0.45, 5, 0.8)):
            s = pvlib.spectrum.spectrl2(
                apparent_zenith=90 - elevation,
                aoi=90 - elevation,
                surface_tilt=0,
                ground_albedo=0.2,
                surface_pressure=101300,
                relative_airmass=pvlib.atmosphere.get_relative_airmass(90 - elevation),
                precipitable_water=water,
                ozone=ozone,
                aerosol_turbidity_500nm=aerosol,
                alpha=exponent,
                dayofyear=172,
            )
            outside = np.interp(FINE, s["wavelength"], np.ravel(s["dni_extra"]))
            for part in ("poa_global", "poa_sky_diffuse"):
                yield seen(top * np.interp(FINE, s["wavelength"], np.ravel(s[part])) / outside)


def curve(centre, width):
    return np.exp(-4 * np.log(2) * ((FINE - centre) / width) ** 2)


def red_blue(shift):
    return (0.30 * curve(450, 20) + curve(660 + shift, 20) + 0.026 * curve(560, 120)) / FINE


def white(shift):
    return curve(450 + shift, 20) + 0.75 * curve(565, 120)


def sodium(_):
    lines = [(498, 0.12, 3), (515, 0.03, 3), (568.5, 0.45, 4), (583, 0.5, 8), (590, 0.35, 5), (596, 0.9, 10), (616, 0.3, 4)]
    return sum(height * curve(at, width) for at, height, width in lines) + 0.03 * curve(450, 60) + 0.08 * curve(650, 100)


print(
    json.dumps(
        {
            "skies": list(skies()),
            "lamps": {of.__name__: {str(d): seen(of(d)) for d in (0, 2, -2)} for of in (red_blue, white, sodium)},
        }
    )
)
