//! Check values that were computed once with other programs.
//!
//! Those of sunlight are numpy's trapezoid over ASTM G173-03's own grid (0.5 and 1 nm) as pvlib 0.16.1 ships it; those of lamps are
//! luxpy 1.12.5's on its own 1 nm tables of the CIE illuminants, which are what is evaluated here.

use crate::data::{Quantities, close, numbers};
use crate::tables::copy;
use vigilux::quantities::{Matrix, SourceRule, index_of, tables, values};

/// Required agreement where two rules of integration meet.
const GRID: f64 = 5e-4;

fn sunlight(name: &str) -> Quantities {
    let light = numbers(&format!("/g173/{name}"));
    Quantities::of(&numbers("/g173_wavelength_nm"), &light, (280.0, 1050.0), SourceRule::Sun)
}

fn illuminant(name: &str) -> Quantities {
    let rows = copy("luxpy/illuminants")[name].as_array().unwrap_or_else(|| panic!("no illuminant {name}"));
    let column = |k: usize| rows.iter().map(|row| row[k].as_f64().expect("a number")).collect::<Vec<f64>>();
    let axis = column(0);
    Quantities::of(&axis, &column(1), (axis[0], axis[axis.len() - 1]), SourceRule::Lamp)
}

/// Independent: numpy on the spectrum's own grid.
///
/// Where rules differ most is the solar edge: there the grid of 0.5 nm itself makes 3.68988 of the UV index and one of 0.01 nm, with
/// straight lines between samples as here, 3.69274; of the actinic irradiance 0.0200532 and 0.0200773.
#[test]
fn sunlight_has_its_figures() {
    let global = sunlight("global");
    for (id, want) in [
        ("ypfd", 1_678.375_700_14),
        ("phytochrome_equilibrium", 0.695_667_410_074),
        ("uv_index", 3.692_740_862_44),
        ("erythemal_irradiance", 0.092_318_521_6),
        ("actinic_uv_irradiance", 0.020_077_286_8),
        ("blue_light_hazard_irradiance", 94.05),
        ("sp_ratio", 2.283_755),
    ] {
        close("G173 global", id, want, global.get(id), GRID * want);
    }
    let lux = global.get("illuminance") / global.get("ppfd");
    assert!((lux / 55.360_059_444_2 - 1.0).abs() < GRID, "{lux} lx per µmol");
    for (name, ppfd, lux) in
        [("direct", 1_735.199_568_77, 97_142.252_052_3), ("extraterrestrial", 2_413.043_103_42, 133_100.414_245)]
    {
        let light = sunlight(name);
        close(name, "ppfd", ppfd, light.get("ppfd"), GRID * ppfd);
        close(name, "illuminance", lux, light.get("illuminance"), GRID * lux);
    }
}

/// Independent: what the on-line manual of the R package photobiologyWavebands prints for `PQYR_q_fun(seq(400, 700, by = 20))`, a
/// spline through McCree's entries, at the four wavelengths that are entries.
#[test]
fn quantum_yields_are_those_that_another_manual_prints() {
    for (nm, want) in [(400.0, 0.42), (500.0, 0.65), (600.0, 0.97), (700.0, 0.48)] {
        assert_eq!(tables::mccree().at(nm), want, "{nm} nm");
    }
}

/// Independent: ratios of the tabulated cross-sections themselves, where no rule of integration enters.
#[test]
fn phytochrome_under_one_line_has_the_ratio_of_its_cross_sections() {
    /// A line 0.1 pm wide, seen by tables that bend at its wavelength.
    const NARROW: f64 = 1e-6;
    for (nm, want) in [
        (450.0, 0.450_098_953_916),
        (620.0, 0.876_687_487),
        (660.0, 0.883_800_524_934),
        (670.0, 0.881_120_066_285),
        (730.0, 0.029_147_261_923_9),
        (735.0, 0.027_454_175_152_7),
    ] {
        let axis = [300.0, nm - 1e-4, nm, nm + 1e-4, 800.0];
        let matrix = Matrix::build(&axis, (300.0, 800.0), SourceRule::Lamp);
        let at = index_of("phytochrome_equilibrium").expect("it is registered");
        let got = values(&matrix, &[0.0, 0.0, 1.0, 0.0, 0.0])[at].clone().expect("there is light");
        close(&format!("{nm} nm"), "phytochrome_equilibrium", want, got, NARROW);
    }
}

/// Independent: luxpy 1.12.5, sums at 1 nm: scotopic over photopic light, melanopic efficacy over daylight's, light by photons.
///
/// luxpy has V′ at 5 nm and draws it out by curves, where CIE and colour-science have a table at 1 nm: under the lines of F4 that
/// makes 0.09 % of the S/P ratio, elsewhere 0.03 % at most.
#[test]
fn illuminants_have_their_ratios() {
    /// See above.
    const CURVES: f64 = 1e-3;
    for (name, scotopic, melanopic, lux) in [
        ("D65", 2.464_393, 1.0, 55.497_847_45),
        ("A", 1.412_406, 0.495_75, 50.256_568_98),
        ("E", 2.261_196, 0.905_82, 52.913_566_44),
        ("F2", 1.571_426, 0.568_98, 76.472_458_32),
        ("F4", 1.015_116, f64::NAN, 80.523_682_14),
        ("F11", 1.594_729, 0.562_12, 76.070_976_15),
        ("F12", 1.251_340, 0.402_81, 78.162_977_6),
        ("LED-B3", 1.721_262, 0.632_38, 69.762_095_74),
        ("LED-V1", 1.406_932, 0.496_02, 53.054_380_41),
    ] {
        let light = illuminant(name);
        close(name, "sp_ratio", scotopic, light.get("sp_ratio"), CURVES * scotopic);
        let photopic = light.get("illuminance");
        // No value was recorded for F4.
        if melanopic.is_finite() {
            close(name, "edi_melanopic", melanopic * photopic, light.get("edi_melanopic"), GRID * photopic);
        }
        let want = lux * light.get("ppfd");
        close(name, "illuminance", want, photopic, GRID * want);
    }
}

/// Independent: luxpy 1.12.5, `xyz_to_cct(mode="ohno2014")`, and its indices of ANSI/IES TM-30-18.
///
/// On the same tables as here; colour-science, which has them at 5 nm, makes 4225.11, 4000.70 and 4102.47 K of the three lamps, and
/// differs by up to 0.2 in R_f.
#[test]
fn illuminants_have_their_temperatures_and_renderings() {
    /// luxpy's table of the locus has steps of its own.
    const CCT_K: f64 = 0.3;
    for (name, want) in [("A", 2855.5427), ("D65", 6502.7121), ("F2", 4224.51), ("F11", 3998.64), ("LED-B3", 4102.81)] {
        close(name, "cct", want, illuminant(name).get("cct"), CCT_K);
    }
    /// Required agreement.
    const INDEX: f64 = 0.3;
    for (name, fidelity, gamut) in [
        ("F2", 70.101, 86.426),
        ("F4", 56.669, 83.503),
        ("F11", 79.927, 101.11),
        ("F12", 77.438, 102.48),
        ("LED-B3", 85.324, 97.866),
        ("LED-V1", 87.348, 101.93),
        ("E", 94.713, 103.66),
    ] {
        let light = illuminant(name);
        close(name, "fidelity_rf", fidelity, light.get("fidelity_rf"), INDEX);
        close(name, "gamut_rg", gamut, light.get("gamut_rg"), INDEX);
    }
    // colour-science does not round each sample's index, as CIE 13.3 has it and luxpy does.
    for (name, want) in [("F2", 64.232), ("F11", 82.858), ("LED-B3", 84.844), ("E", 95.289)] {
        close(name, "cri_ra", want, illuminant(name).get("cri_ra"), INDEX);
    }
}

/// Published: CIE 15 (chromaticities of the 2° observer, rounded there to five digits) and colour-science 0.4.7 on its illuminants
/// in 5 nm (u′, v′ and the 10° observer); blue-light efficacy of D65 by the table of IEC 62471, 300 to 780 nm.
///
/// The copies here are in 1 nm, which makes up to 2e-5 of A.
#[test]
fn daylight_and_incandescent_light_have_their_colours() {
    /// Required agreement of x and y.
    const CHROMATICITY: f64 = 5e-5;
    for (name, two, ucs, ten) in [
        ("D65", [0.31272, 0.32903], [0.197_840, 0.468_336], [0.313_823, 0.330_999]),
        ("A", [0.44758, 0.40745], [0.255_965, 0.524_286], [0.451_159, 0.405_929]),
    ] {
        let light = illuminant(name);
        let ids = ["cie_x", "cie_y", "cie_u_prime", "cie_v_prime"];
        for (id, want) in ids.into_iter().zip(two.into_iter().chain(ucs)) {
            close(name, id, want, light.get(id), CHROMATICITY);
        }
        let rows = copy("luxpy/illuminants")[name].as_array().expect("a table");
        let sum = |table: &vigilux::spectrum::weights::Table| -> f64 {
            let of = |k: usize, row: &serde_json::Value| row[k].as_f64().expect("a number");
            rows.iter().map(|row| of(1, row) * table.at(of(0, row))).sum()
        };
        let xyz = [sum(tables::x_bar_10()), sum(tables::y_bar_10()), sum(tables::z_bar_10())];
        for (k, id) in ["x10", "y10"].into_iter().enumerate() {
            close(name, id, ten[k], xyz[k] / xyz.iter().sum::<f64>(), CHROMATICITY);
        }
    }
    // The copy begins at 360 nm; colour-science's table reaches down to where B(λ) begins.
    let axis = numbers("/illuminants/D65/wavelength_nm");
    assert_eq!(axis[0], 300.0);
    let d65 = Quantities::of(&axis, &numbers("/illuminants/D65/irradiance"), (300.0, 780.0), SourceRule::Lamp);
    let efficacy = d65.get("blue_light_hazard_irradiance") / d65.get("illuminance");
    assert!((efficacy / 9.886e-4 - 1.0).abs() < GRID, "{efficacy} W/lm");
}

/// Independent: sums of the tables at 1 nm, 360 to 830 nm (V′ 380 to 780 nm).
#[test]
fn tables_have_their_sums() {
    let sum = |table: &vigilux::spectrum::weights::Table| table.value.iter().sum::<f64>();
    for (what, table, want) in [
        ("x", tables::x_bar(), 106.865_469_49),
        ("y", tables::photopic(), 106.856_917_101),
        ("z", tables::z_bar(), 106.892_251_279),
        ("V'", tables::scotopic(), 97.071_316_574),
    ] {
        close("sum", what, want, sum(table), 1e-8);
    }
}
