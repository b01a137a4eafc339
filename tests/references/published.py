"""Published spectra and what colour-science and numpy make of them, as JSON on standard output.

colour-science 0.4.7 gives the spectra (CIE illuminants, 5 nm tables), tristimulus values by its integration method, colour
temperature (Ohno 2013), CIE 13.3 and ANSI/IES TM-30-18; pvlib 0.16.1 gives ASTM G173-03. Every spectrum is taken to 1 nm by
straight lines first, and that is what both sides are fed: left alone, colour-science would interpolate 5 nm tables with curved
pieces and extend them beyond their ends, and the comparison would be one of spectra. No published spectrum begins below
280 nm, so three of colour-science's Planckian radiators from 200 nm on are added for what only lamps have there.

Other tabulated weightings are summed by numpy over 1 nm, as the standards have it; bands and formulas on a grid of 0.02 nm,
which is not the program's rule. Tables are colour-science's where it has them (V'), and otherwise those of
src/quantities/tables, read here anew.
"""

import json
import pathlib

import colour
import numpy as np
import pvlib
from scipy import constants

TABLES = pathlib.Path(__file__).parents[2] / "src" / "quantities" / "tables"
OBSERVER = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
SCOTOPIC = colour.SDS_LEFS["CIE 1951 Scotopic Standard Observer"]
PHOTONS = 1e-3 / (constants.h * constants.c * constants.N_A)
# Efficacies of D65 for the five receptors [mW/lm], as CIE S 026:2018 prints them: half a unit of the last is 6e-5 of the S cone's.
EFFICACY = {"s_cone": 0.8173, "m_cone": 1.4558, "l_cone": 1.6289, "rhodopic": 1.4497, "melanopic": 1.3262}


def table(name):
    rows = [line for line in (TABLES / name).read_text().splitlines() if not line.startswith("#")]
    values = np.array([[float(x) for x in row.split(",")] for row in rows[1:]])
    return {column: (values[:, 0], values[:, i + 1]) for i, column in enumerate(rows[0].split(",")[1:])}


# The rods see by V', which stands in a file of its own.
ALPHA_OPIC = table("cie_s026_alpha_opic.csv") | {"rhodopic": (SCOTOPIC.wavelengths, SCOTOPIC.values)}
MCCREE = table("mccree_1972_field.csv")["relative_quantum_yield"]
PHYTOCHROME = table("phytochrome_lagarias_1987.csv")
PREVITAMIN = table("cie_174_previtamin_d3.csv")["response"]
BLUE = table("blue_light_hazard.csv")["b"]


ACTINIC = table("actinic_ultraviolet.csv")["s"]
WHITE = np.array([1 / 3, 1 / 3])
# The locus for dominant wavelengths, of which the library gives the nearest one that the observer has: drawn out by straight lines
# to 0.01 nm, and ended where the locus turns back on itself.
LOCUS = OBSERVER.copy().interpolate(colour.SpectralShape(360, 699, 0.01), interpolator=colour.LinearInterpolator)


def linear(entries):
    return lambda nm: np.interp(nm, *entries, left=0.0, right=0.0)


def blue_light(nm):
    return np.where(nm < 500, np.interp(nm, *BLUE), np.where(nm <= 600, 10.0 ** ((450 - nm) / 50), 0.001))


def erythema(nm):
    tail = 10.0 ** (0.015 * (140.0 - nm))
    return np.where(nm <= 298.0, 1.0, np.where(nm <= 328.0, 10.0 ** (0.094 * (298.0 - nm)), tail))


def actinic(nm):
    wavelength, s = ACTINIC
    return np.exp(np.interp(nm, wavelength, np.log(s)))


def plant_growth(nm):
    edge = np.exp(-np.exp(0.1703411 * (nm - 307.867) / 1.15))
    return np.exp(4.688272 * edge + (390.0 - nm) / 121.7557 - 4.183832) * nm / 300.0


def plant_damage(nm):
    def fit(x):
        return (1.0 - (x / 313.3) ** 2) * np.exp((300.0 - x) / 31.08)

    return fit(nm) / fit(300.0) * nm / 300.0


def sums(wavelength, irradiance, source):
    """Everything linear, and the ratios of it, over what the spectrum covers."""
    first, last = wavelength[0], wavelength[-1]

    def integral(start, end, weight=lambda nm: 1.0, steps_per_nm=50):
        start, end = max(start, first), min(end, last)
        nm = np.linspace(start, end, int(round((end - start) * steps_per_nm)) + 1)
        return float(np.trapezoid(np.interp(nm, wavelength, irradiance) * weight(nm), nm))

    def photons(start, end, weight=lambda nm: 1.0):
        return integral(start, end, lambda nm: weight(nm) * nm * PHOTONS)

    def tabulated(start, end, entries):
        return integral(start, end, lambda nm: np.interp(nm, *entries, left=0.0, right=0.0), 1)

    energy, quanta = integral(first, last), photons(first, last)
    scotopic = 1700.06 * tabulated(380, 780, (SCOTOPIC.wavelengths, SCOTOPIC.values))
    photopic = 683.002 * tabulated(360, 830, (OBSERVER.wavelengths, OBSERVER.values[:, 1]))
    out = {
        "ppfd": photons(400, 700),
        "eppfd": photons(400, 750),
        "eppfd_capped": photons(400, 700) + min(photons(700, 750), 3.0 / 7.0 * photons(400, 700)),
        "par_irradiance": integral(400, 700),
        "pfd_blue": photons(400, 500),
        "pfd_green": photons(500, 600),
        "pfd_red": photons(600, 700),
        "red_far_red_ratio": photons(655, 665) / photons(725, 735),
        "blue_green_ratio": photons(400, 500) / photons(500, 600),
        "red_blue_ratio": photons(600, 700) / photons(400, 500),
        "scotopic_illuminance": scotopic,
        "sp_ratio": scotopic / photopic,
        "irradiance": energy,
        "irradiance_visible": integral(380, 780),
        "photon_flux_density": quanta,
        "average_photon_energy": energy / quanta / (constants.N_A * constants.e * 1e-6),
        "centroid_wavelength": quanta / energy / PHOTONS,
        "blue_light_hazard_irradiance": integral(300, 700, blue_light),
    }
    for receptor, efficacy in EFFICACY.items():
        out["edi_" + receptor] = 1e3 / efficacy * tabulated(380, 780, ALPHA_OPIC[receptor])
    out["melanopic_der"] = out["edi_melanopic"] / photopic
    if first <= 315:
        out["uva"] = integral(315, 400)
        out["pfd_uva"] = photons(315, 400)
    if first <= 325:
        out["ypfd"] = photons(325, 750, linear(MCCREE))
    # Under the sun the ultraviolet begins at 290 nm; at lamps it is there where the whole weighting is covered.
    begin = {"uvb": 280, "erythemal_irradiance": 250, "vitamin_d_irradiance": 252, "actinic_uv_irradiance": 200, "plant_uv": 280}
    if source == "sun":
        begin = dict.fromkeys(begin, 290)
    if first <= min(begin.values()):
        out["uvb"] = integral(begin["uvb"], 315)
        out["erythemal_irradiance"] = integral(begin["erythemal_irradiance"], 400, erythema)
        out["uv_index"] = 40 * out["erythemal_irradiance"]
        out["vitamin_d_irradiance"] = tabulated(begin["vitamin_d_irradiance"], 330, PREVITAMIN)
        out["actinic_uv_irradiance"] = integral(begin["actinic_uv_irradiance"], 400, actinic)
        out["plant_growth_uv_irradiance"] = integral(begin["plant_uv"], 366, plant_growth)
        out["plant_damage_uv_irradiance"] = integral(begin["plant_uv"], 313.3, plant_damage)
    if source == "lamp" and first <= 250:
        out["uvc"] = integral(100, 280)
    # A parabola through the highest sample and its neighbours; where two are alike, or the highest is the last, there is no top.
    top = int(np.argmax(irradiance))
    if 0 < top < len(irradiance) - 1 and irradiance[top] > irradiance[top + 1]:
        near = slice(top - 1, top + 2)
        square, slope, _ = np.polyfit(wavelength[near] - wavelength[top], irradiance[near] / irradiance[top], 2)
        out["peak_wavelength"] = wavelength[top] - slope / (2 * square)
    if first <= 300 and last >= 800:
        red, far = (photons(300, 800, linear(PHYTOCHROME[form])) for form in ("sigma_r", "sigma_fr"))
        out["phytochrome_equilibrium"] = red / (red + far)
        out["pfd_far_red"] = photons(700, 800)
        out["red_far_red_ratio_wide"] = out["pfd_red"] / out["pfd_far_red"]
        out["irradiance_nir"] = integral(780, last)
    return out


def rendering_by_our_choices(sd, cct):
    """CIE 13.3 by colour-science's own steps, but where the standard leaves a choice, with the program's.

    These are the method of the colour temperature, straight lines between the 5 nm reflectances, factors of daylight that are
    not rounded, and 380 to 780 nm.
    """
    from colour.quality import cri

    shape = colour.SpectralShape(380, 780, 1)
    observer = OBSERVER.copy().trim(shape)
    sd = sd.copy().trim(shape)
    nm = shape.wavelengths
    samples = {
        s.name: colour.SpectralDistribution(np.interp(nm, s.wavelengths, s.values), nm, name=s.name)
        for s in colour.quality.SDS_TCS["CIE 1995"].values()
    }
    if cct < 5000:
        reference = colour.sd_blackbody(cct, shape)
    else:
        xy = colour.temperature.CCT_to_xy_CIE_D(cct)
        reference = colour.sd_CIE_illuminant_D_series(xy, M1_M2_rounding=False, shape=shape)
    tests = cri.tcs_colorimetry_data(sd, reference, samples, observer, chromatic_adaptation=True)
    references = cri.tcs_colorimetry_data(reference, reference, samples, observer)
    indices = cri.colour_rendering_indexes(tests, references)
    return {"cri_ra": np.mean([indices[i].Q_a for i in range(1, 9)]), "cri_r9": indices[9].Q_a}


def hue(xy):
    """Dominant wavelength (of a purple its complement's, negative) and excitation purity, seen from equal energy."""
    dominant, _, _ = colour.dominant_wavelength(xy, WHITE, LOCUS)
    return float(dominant), float(colour.excitation_purity(xy, WHITE, LOCUS))


def two_lines():
    """Two lines of 1 W/m² in all, the second with a share of it: their chromaticity, dominant wavelength and purity."""
    for first, second in ((450, 530), (470, 600), (490, 580), (505, 690), (520, 640), (540, 600), (560, 620), (445, 650)):
        for share in (0.0, 0.1, 0.35, 0.6, 0.85, 0.97, 1.0):
            xy = colour.XYZ_to_xy((1 - share) * OBSERVER[first] + share * OBSERVER[second])
            yield [first, second, share, *map(float, xy), *hue(xy)]


def colours(wavelength, irradiance):
    """What the eye sees, over 360 to 830 nm of it."""
    seen = (wavelength >= 360) & (wavelength <= 830)
    sd = colour.SpectralDistribution(irradiance[seen], wavelength[seen])
    observer = OBSERVER.copy().trim(sd.shape)
    flat = colour.sd_ones(sd.shape)
    # Given a k, the library takes the answer for percents and divides it by 100.
    XYZ = 100 * colour.sd_to_XYZ(sd, observer, flat, k=683.002, method="Integration")
    x, y = colour.XYZ_to_xy(XYZ)
    cct, duv = colour.temperature.uv_to_CCT_Ohno2013(colour.xy_to_UCS_uv([x, y]), OBSERVER)
    u_prime, v_prime = colour.xy_to_Luv_uv([x, y])
    dominant, purity = hue([x, y])
    # Equal energy has no hue but that of its rounding, and a purple has none.
    hued = np.hypot(x - 1 / 3, y - 1 / 3) > 1e-3
    hues = {"excitation_purity": purity} if hued else {}
    if hued and dominant > 0:
        hues["dominant_wavelength"] = dominant
    general = colour.colour_rendering_index(sd, additional_data=True)
    tm30 = colour.colour_fidelity_index(sd, additional_data=True, method="ANSI/IES TM-30-18")
    return hues | {
        "illuminance": XYZ[1],
        "cie_x": x,
        "cie_y": y,
        "cie_u_prime": u_prime,
        "cie_v_prime": v_prime,
        "cct": cct,
        "duv": duv,
        "cri_ra": general.Q_a,
        "cri_r9": general.Q_as[9].Q_a,
        "fidelity_rf": tm30.R_f,
        "gamut_rg": tm30.R_g,
    }, rendering_by_our_choices(sd, float(cct))


def spectra():
    for name, sd in colour.SDS_ILLUMINANTS.items():
        # Those of ISO 7589 end at 690 nm.
        if not name.startswith("ISO"):
            yield name, "lamp", sd.wavelengths, sd.values
    g173 = pvlib.spectrum.get_reference_spectra(standard="ASTM G173-03")
    for name in ("extraterrestrial", "global", "direct"):
        inside = g173[name][g173.index <= 1050]
        yield "G173 " + name, "sun", inside.index.to_numpy(dtype=float), inside.to_numpy(dtype=float)


    for kelvin in (2900, 5500, 9000):
        radiator = colour.sd_blackbody(kelvin, colour.SpectralShape(200, 1050, 1))
        yield f"Planckian radiator {kelvin} K", "lamp", radiator.wavelengths, radiator.values / radiator[560]


def answers(source, wavelength, irradiance):
    nm = np.arange(np.ceil(wavelength[0]), np.floor(wavelength[-1]) + 1)
    light = np.interp(nm, wavelength, irradiance)
    seen, by_our_choices = colours(nm, light)
    return {
        "source": source,
        "first_nm": nm[0],
        "irradiance": light.tolist(),
        "quantities": {k: float(v) for k, v in (sums(nm, light, source) | seen).items()},
        "rendering_by_our_choices": {k: float(v) for k, v in by_our_choices.items()},
    }


ten = colour.MSDS_CMFS["CIE 1964 10 Degree Standard Observer"]
components = colour.colorimetry.SDS_BASIS_FUNCTIONS_CIE_ILLUMINANT_D_SERIES
samples = colour.quality.cfi2017.load_TCS_CIE2017
print(
    json.dumps(
        {
            "spectra": {name: answers(*spectrum) for name, *spectrum in spectra()},
            "two_lines": list(two_lines()),
            "observer_10": {"wavelength_nm": ten.wavelengths.tolist(), "values": ten.values.T.tolist()},
            "daylight_components": [components[k].values.tolist() for k in ("S0", "S1", "S2")],
            "rendering_colours": [sd.values.tolist() for sd in colour.quality.SDS_TCS["CIE 1995"].values()],
            "fidelity_colours_5_nm": samples(colour.SpectralShape(380, 780, 5)).values.T.tolist(),
            "fidelity_colours_1_nm": samples(colour.SpectralShape(380, 780, 1)).values.T.tolist(),
        }
    )
)
