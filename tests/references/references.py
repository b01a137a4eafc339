"""Reference spectra and what other people's code makes of them, as JSON on standard output.

colour-science 0.4.7: CIE tables, illuminants, chromaticity, colour temperature (Ohno 2013).
pvlib 0.16.1: ASTM G173-03 reference spectra; a second copy of them in colour-science.
scipy: CODATA constants. Integrals are numpy's trapezoid on a 0.01 nm grid, a rule that is not the program's.
"""

import json

import colour
import numpy as np
import pvlib
from colour.plotting.datasets import astm_g_173
from scipy import constants

observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
photopic = colour.SDS_LEFS["CIE 1924 Photopic Standard Observer"]
photons_per_joule_nm = 1e-3 / (constants.h * constants.c * constants.N_A)


def erythema(nm):
    tail = 10.0 ** (0.015 * (140.0 - nm))
    return np.where(nm <= 298.0, 1.0, np.where(nm <= 328.0, 10.0 ** (0.094 * (298.0 - nm)), tail))


def plant_growth(nm):
    """Flint & Caldwell 2003 per joule, as in the source of the TUV model."""
    edge = np.exp(-np.exp(0.1703411 * (nm - 307.867) / 1.15))
    return np.exp(4.688272 * edge + (390.0 - nm) / 121.7557 - 4.183832) * nm / 300.0


def plant_damage(nm):
    """Green's fit of Caldwell 1971 per joule, 1 at 300 nm."""
    def fit(x):
        return (1.0 - (x / 313.3) ** 2) * np.exp((300.0 - x) / 31.08)

    return fit(nm) / fit(300.0) * nm / 300.0


def integral(wavelength, irradiance, start, end, weight=lambda nm: 1.0):
    nm = np.linspace(start, end, int(round((end - start) * 100)) + 1)
    return float(np.trapezoid(np.interp(nm, wavelength, irradiance) * weight(nm), nm))


def solar(wavelength, irradiance):
    def photons(start, end):
        return integral(wavelength, irradiance, start, end, lambda nm: nm * photons_per_joule_nm)

    def luminous(nm):
        return np.interp(nm, photopic.wavelengths, photopic.values)

    return {
        "ppfd": photons(400, 700),
        "eppfd": photons(400, 750),
        "pfd_blue": photons(400, 500),
        "pfd_green": photons(500, 600),
        "pfd_red": photons(600, 700),
        "pfd_far_red": photons(700, 800),
        "eppfd_capped": photons(400, 700) + min(photons(700, 750), 3.0 / 7.0 * photons(400, 700)),
        "red_far_red_ratio": photons(655, 665) / photons(725, 735),
        "red_far_red_ratio_wide": photons(600, 700) / photons(700, 800),
        "blue_green_ratio": photons(400, 500) / photons(500, 600),
        "red_blue_ratio": photons(600, 700) / photons(400, 500),
        "pfd_uva": photons(315, 400),
        "plant_growth_uv_irradiance": integral(wavelength, irradiance, 290, 366, plant_growth),
        "plant_damage_uv_irradiance": integral(wavelength, irradiance, 290, 313.3, plant_damage),
        "par_irradiance": integral(wavelength, irradiance, 400, 700),
        "illuminance": 683.002 * integral(wavelength, irradiance, 360, 830, luminous),
        "uva": integral(wavelength, irradiance, 315, 400),
        "uvb": integral(wavelength, irradiance, 290, 315),
        "erythemal_irradiance": integral(wavelength, irradiance, 290, 400, erythema),
        "uv_index": 40.0 * integral(wavelength, irradiance, 290, 400, erythema),
        "irradiance": integral(wavelength, irradiance, 280, 1050),
        "photon_flux_density": photons(280, 1050),
    }


def illuminant(spectrum):
    # Linear between the tabulated samples, as the program takes every spectrum.
    start, end = max(360.0, spectrum.wavelengths[0]), min(830.0, spectrum.wavelengths[-1])
    nm = np.arange(start, end + 1.0)
    weights = observer.values[(nm - 360).astype(int)]
    xyz = np.trapezoid(weights * np.interp(nm, spectrum.wavelengths, spectrum.values)[:, None], nm, axis=0)
    x, y = colour.XYZ_to_xy(xyz)
    cct, duv = colour.temperature.uv_to_CCT_Ohno2013(colour.xy_to_UCS_uv([x, y]), observer)
    return {
        "wavelength_nm": spectrum.wavelengths.tolist(),
        "irradiance": spectrum.values.tolist(),
        "cie_x": float(x),
        "cie_y": float(y),
        "cct": float(cct),
        "duv": float(duv),
    }


g173 = pvlib.spectrum.get_reference_spectra(standard="ASTM G173-03")
wavelength = g173.index.to_numpy(dtype=float)
spectra = {name: g173[name].to_numpy(dtype=float) for name in ("extraterrestrial", "global", "direct")}
second_copy = {
    "extraterrestrial": astm_g_173.DATA_ASTMG173_ETR,
    "global": astm_g_173.DATA_ASTMG173_GLOBAL_TILT,
    "direct": astm_g_173.DATA_ASTMG173_DIRECT_CIRCUMSOLAR,
}
names = ("A", "D50", "D65", "E", "FL2", "FL4", "FL11", "FL12", "LED-B3", "LED-V1")
print(
    json.dumps(
        {
            "photons_per_joule_nm": photons_per_joule_nm,
            "observer": {"wavelength_nm": observer.wavelengths.tolist(), "values": observer.values.T.tolist()},
            "photopic": photopic.values.tolist(),
            "scotopic": colour.SDS_LEFS["CIE 1951 Scotopic Standard Observer"].values.tolist(),
            "planckian_uv": {
                str(t): np.ravel(colour.temperature.CCT_to_uv_Planck1900(float(t), observer)).tolist()
                for t in (1500, 2700, 4000, 6500, 20000)
            },
            "illuminants": {name: illuminant(colour.SDS_ILLUMINANTS[name]) for name in names},
            "g173_wavelength_nm": wavelength.tolist(),
            "g173": {name: values.tolist() for name, values in spectra.items()},
            "g173_copy_wavelength_nm": list(second_copy["global"]),
            "g173_copy": {name: list(values.values()) for name, values in second_copy.items()},
            "g173_quantities": {name: solar(wavelength, values) for name, values in spectra.items()},
        }
    )
)
