//! Colour of the CIE illuminants.
//!
//! Spectra are colour-science's 5 nm tables, linear between entries on both sides. Two libraries differ on them: luxpy 1.12.5
//! takes its own 1 nm tables (D65 6502.71 K, F2 4224.51 K, F11 3998.64 K), colour-science interpolates 5 nm tables (6502.71,
//! 4225.10, 4000.70): for smooth light they agree to 0.01 K, for lamps with lines the data differ, not the method.

use crate::data::{Quantities, close, number, numbers};
use vigilux::quantities::SourceRule;

fn illuminant(name: &str) -> Quantities {
    let axis = numbers(&format!("/illuminants/{name}/wavelength_nm"));
    let range = (axis[0], axis[axis.len() - 1]);
    Quantities::of(&axis, &numbers(&format!("/illuminants/{name}/irradiance")), range, SourceRule::Lamp)
}

const ALL: [&str; 10] = ["A", "D50", "D65", "E", "FL2", "FL4", "FL11", "FL12", "LED-B3", "LED-V1"];

/// Independent: colour-science 0.4.7, `XYZ_to_xy` on numpy sums and `uv_to_CCT_Ohno2013`.
#[test]
fn chromaticity_and_colour_temperature_agree_with_colour_science() {
    /// The same linear spectrum on the same 1 nm table: rounding.
    const CHROMATICITY: f64 = 1e-9;
    /// The library refines its table of the locus in a cascade; the program has steps of 0.25 % (error below 3e-5 of T near the locus).
    const CCT: f64 = 3e-5;
    const DUV: f64 = 1e-6;
    for name in ALL {
        let ours = illuminant(name);
        let want = |id: &str| number(&format!("/illuminants/{name}/{id}"));
        close(name, "cie_x", want("cie_x"), ours.get("cie_x"), CHROMATICITY);
        close(name, "cie_y", want("cie_y"), ours.get("cie_y"), CHROMATICITY);
        close(name, "cct", want("cct"), ours.get("cct"), CCT * want("cct"));
        close(name, "duv", want("duv"), ours.get("duv"), DUV);
    }
}

/// Published: CIE 015:2018, chromaticities of D65, D50 and the fluorescent lamps, to five and four decimals.
#[test]
fn chromaticities_are_those_of_the_standard() {
    /// One unit of the last decimal, and up to 1e-5 for the tail of the table, which ends at 780 nm here and at 830 nm there.
    const DAYLIGHT: f64 = 2e-5;
    /// The standard sums lamps with lines every 5 nm; linear interpolation of a line weights its neighbours as well.
    const LINES: f64 = 3e-4;
    for (name, x, y, tolerance) in [
        ("D65", 0.31272, 0.32903, DAYLIGHT),
        ("D50", 0.34567, 0.35851, DAYLIGHT),
        ("FL2", 0.3721, 0.3751, LINES),
        ("FL11", 0.3805, 0.3769, LINES),
        ("FL12", 0.4370, 0.4042, LINES),
    ] {
        let ours = illuminant(name);
        close(name, "cie_x", x, ours.get("cie_x"), tolerance);
        close(name, "cie_y", y, ours.get("cie_y"), tolerance);
    }
}

/// Independent: luxpy 1.12.5, melanopic daylight efficacy ratios from CIE's own tables; D65 is 1 by definition.
#[test]
fn melanopic_daylight_efficacy_ratios_agree_with_another_implementation() {
    /// What linear interpolation of 5 nm data does: LED-B3 is 0.63237 summed at 5 nm and 0.63257 here.
    const SMOOTH: f64 = 2e-4;
    /// Lines every 5 nm: FL2 is 0.5693 summed at 5 nm and 0.5699 interpolated; the library has the lamps at 1 nm.
    const LINES: f64 = 1.6e-3;
    for (name, want, tolerance) in [
        ("A", 0.495_75, SMOOTH),
        ("E", 0.905_82, SMOOTH),
        ("D65", 1.0, SMOOTH),
        ("LED-B3", 0.632_38, SMOOTH),
        ("LED-V1", 0.496_02, SMOOTH),
        ("FL2", 0.568_98, LINES),
        ("FL11", 0.562_12, LINES),
        ("FL12", 0.402_81, LINES),
    ] {
        close(name, "melanopic_der", want, illuminant(name).get("melanopic_der"), tolerance);
    }
}

/// Independent: luxpy 1.12.5, `xyz_to_cct(mode="ohno2014", out="cct,duv")` on its own 1 nm tables.
#[test]
fn colour_temperatures_of_daylight_agree_with_another_implementation() {
    /// Its tables of daylight have 1 nm steps and reach to 830 nm, and its table of the locus has steps of its own.
    const CCT_K: f64 = 0.3;
    for (name, cct, duv) in [("D65", 6502.7121, 0.003206), ("D50", 5001.32, 0.003202), ("E", 5456.33, -0.004439)] {
        let ours = illuminant(name);
        close(name, "cct", cct, ours.get("cct"), CCT_K);
        close(name, "duv", duv, ours.get("duv"), 2e-6);
    }
}
