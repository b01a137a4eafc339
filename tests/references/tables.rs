//! The bundled tables against independent copies.

use crate::data::numbers;
use crate::support::python;
use std::path::Path;
use std::sync::LazyLock;
use vigilux::quantities::alpha_opic::DAYLIGHT_EFFICACY;
use vigilux::quantities::locus::planckian_uv;
use vigilux::quantities::tables;
use vigilux::quantities::tables::{photopic, scotopic, x_bar, z_bar};
use vigilux::spectrum::g173::g173;
use vigilux::spectrum::weights::Table;

/// The tables that table_copies.py reads from the packages that `tests/all` fetches to target/table-copies (else
/// `VIGILUX_TABLE_COPIES`): rows, a wavelength first.
static COPIES: LazyLock<serde_json::Value> = LazyLock::new(|| {
    let fetched = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/table-copies");
    let folder = std::env::var_os("VIGILUX_TABLE_COPIES").unwrap_or_else(|| fetched.into_os_string());
    assert!(
        Path::new(&folder).is_dir(),
        "expected packages with copies of tables in {}, but there is no such folder: run tests/all once, or set \
         VIGILUX_TABLE_COPIES",
        folder.display()
    );
    python::json_with("tests/references/table_copies.py", &[&folder])
});

/// One of the copies, as `package/table`.
pub fn copy(name: &str) -> &'static serde_json::Value {
    COPIES.pointer(&format!("/{name}")).unwrap_or_else(|| panic!("table_copies.py answers nothing for {name}"))
}

/// Compares every entry of the bundled table with column `of` of a copy at those wavelengths that both have, which must be `shared`.
fn same(ours: &Table, copy: &str, of: usize, shared: usize, within: impl Fn(f64) -> f64) {
    let rows = self::copy(copy).as_array().unwrap_or_else(|| panic!("{copy} is no list"));
    let mut compared = 0;
    for row in rows {
        let nm = row[0].as_f64().expect("a wavelength");
        let Some(i) = ours.wavelength_nm.iter().position(|ours| *ours == nm) else { continue };
        // Where a copy has no entry, the bundled table has none either, which is written as 0.
        let (theirs, ours) = (row[of + 1].as_f64().unwrap_or(0.0), ours.value[i]);
        assert!((ours - theirs).abs() <= within(ours), "{copy}, column {of}, {nm} nm: want {theirs}, got {ours}");
        compared += 1;
    }
    assert_eq!(compared, shared, "{copy}, column {of}");
}

/// Independent: every entry of the CIE 1931 2° observer, and V of 1924, as colour-science 0.4.7 has them, digit for digit.
#[test]
fn the_observer_is_digit_for_digit_that_of_colour_science() {
    let wavelengths = numbers("/observer/wavelength_nm");
    for (column, table) in [x_bar(), photopic(), z_bar()].into_iter().enumerate() {
        assert_eq!(table.wavelength_nm, wavelengths);
        assert_eq!(table.value, numbers(&format!("/observer/values/{column}")));
    }
    // V of 1924 is ȳ of 1931 by definition; the library's copy of it is rounded to seven decimals in places.
    for (i, (ours, theirs)) in photopic().value.iter().zip(numbers("/photopic")).enumerate() {
        assert!((ours - theirs).abs() <= 5e-8, "entry {i}: want {theirs}, got {ours}");
    }
}

/// Independent: both observers as CIE's open data have them (in spectral-io 0.4.0) and as cvrl.org had them in 2017 (in luxpy 1.12.5).
#[test]
fn the_observers_are_those_of_the_cie_and_of_the_vision_laboratory() {
    /// ȳ from 819 nm on, where colour-science gives six digits and the others seven.
    const SEVENTH_DIGIT: f64 = 1e-6;
    for copy in ["cie", "luxpy"] {
        for (column, table) in [x_bar(), photopic(), z_bar()].into_iter().enumerate() {
            let within = |ours: f64| if ours < 1e-6 { SEVENTH_DIGIT * ours } else { 0.0 };
            same(table, &format!("{copy}/observer_2"), column, 471, within);
        }
        for (column, table) in [tables::x_bar_10(), tables::y_bar_10(), tables::z_bar_10()].into_iter().enumerate() {
            same(table, &format!("{copy}/observer_10"), column, 471, |_| 0.0);
        }
    }
}

/// Independent: V′ as colour-science 0.4.7 and CIE's open data (in spectral-io 0.4.0) have it at every nanometre, and cvrl.org (in
/// luxpy 1.12.5) at every fifth.
#[test]
fn the_scotopic_table_is_in_all_copies_the_same() {
    assert_eq!(scotopic().value, numbers("/scotopic"));
    same(scotopic(), "cie/scotopic", 0, 401, |_| 0.0);
    same(scotopic(), "luxpy/scotopic", 0, 81, |_| 0.0);
}

/// Independent: CIE S 026 as CIE's open data have it (in spectral-io 0.4.0), where ours is from, and a second copy of the table, from
/// CIE's calculator sheet 1.049a (in luxpy 1.12.5).
///
/// Both write the rods, which are V′, to three digits.
#[test]
fn the_alpha_opic_spectra_are_in_both_copies_the_same() {
    /// Half of the third digit, at worst 5 in 1 000.
    const THREE_DIGITS: f64 = 5e-3;
    let receptors = [tables::s_cone(), tables::m_cone(), tables::l_cone(), tables::rhodopic(), tables::melanopic()];
    for (column, table) in receptors.into_iter().enumerate() {
        let within = |ours: f64| if column == 3 { THREE_DIGITS * ours } else { 0.0 };
        same(table, "cie/alpha_opic", column, 401, within);
        same(table, "luxpy/alpha_opic", column, 401, within);
    }
}

/// Independent: the α-opic efficacies of daylight as sums of the tables over CIE's D65 (in spectral-io 0.4.0), at 1 nm.
///
/// The luminous sum over 360–830 nm instead of 380–780 nm is 2.6e-6 larger.
#[test]
fn the_efficacies_of_daylight_are_those_of_the_tables() {
    /// Where the origin of the constants' last digits is not known.
    const RELATIVE: f64 = 7e-7;
    let rows = copy("cie/d65").as_array().expect("a table");
    let sum = |table: &Table| -> f64 {
        let of = |row: &serde_json::Value, k: usize| row[k].as_f64().expect("a number");
        let within = rows.iter().filter(|row| (380.0..=780.0).contains(&of(row, 0)));
        within.map(|row| of(row, 1) * table.at(of(row, 0))).sum()
    };
    let lumens = 683.002 * sum(photopic());
    let receptors = [tables::s_cone(), tables::m_cone(), tables::l_cone(), tables::rhodopic(), tables::melanopic()];
    for (table, got) in receptors.into_iter().zip(DAYLIGHT_EFFICACY) {
        let want = 1e3 * sum(table) / lumens;
        assert!((got / want - 1.0).abs() < RELATIVE, "want {want} mW/lm, got {got}");
    }
}

/// Independent: daylight components, the fourteen colours of CIE 13.3 and the ninety-nine of CIE 224 as CIE's open data (in
/// spectral-io 0.4.0) and luxpy 1.12.5 have them; ours are from colour-science.
#[test]
fn the_tables_of_colour_rendering_are_in_all_libraries_the_same() {
    let all: [(&[Table], &str, usize); 3] = [
        (tables::daylight_components(), "daylight_components", 107),
        (tables::rendering_colours(), "rendering_colours", 95),
        (tables::fidelity_colours(), "fidelity_colours", 81),
    ];
    for (ours, name, shared) in all {
        for copy in ["cie", "luxpy"] {
            for (column, table) in ours.iter().enumerate() {
                same(table, &format!("{copy}/{name}"), column, shared, |_| 0.0);
            }
        }
    }
}

/// Independent: S of IEC 62471-6:2022 in guv-calcs 0.10.0, all 56 entries of ours; B of IEC 62471 in luxpy 1.12.5, all of ours
/// but the first, since that copy begins at 380 nm.
#[test]
fn the_hazard_weightings_are_those_of_other_libraries() {
    assert_eq!((tables::actinic().value.len(), tables::blue_light().value.len()), (56, 26));
    same(tables::actinic(), "guv_calcs/actinic", 2, 56, |_| 0.0);
    same(tables::blue_light(), "luxpy/blue_light", 0, 25, |_| 0.0);
}

/// Regression: the weightings taken from the data of the TUV model (in musica 0.17.2) are all of its entries, digit for digit.
#[test]
fn the_weightings_from_the_tuv_model_are_unchanged() {
    for (table, copy, entries) in
        [(tables::actinic(), "tuv/actinic", 56), (tables::previtamin_d3(), "tuv/previtamin_d3", 79)]
    {
        assert_eq!(table.value.len(), entries, "{copy}");
        same(table, copy, 0, entries, |_| 0.0);
    }
}

/// Independent: ASTM G173-03 as pvlib 0.16.1, where ours is from, and colour-science 0.4.7 have it, digit for digit.
#[test]
fn the_reference_solar_spectra_are_in_both_libraries_the_same() {
    let ours = g173();
    let columns = [&ours.extraterrestrial, &ours.global_tilt, &ours.direct_normal];
    for (column, name) in columns.into_iter().zip(["extraterrestrial", "global", "direct"]) {
        for (axis, copy) in [("/g173_wavelength_nm", "/g173"), ("/g173_copy_wavelength_nm", "/g173_copy")] {
            let (axis, theirs) = (numbers(axis), numbers(&format!("{copy}/{name}")));
            assert_eq!(ours.wavelength_nm, axis[..ours.wavelength_nm.len()], "{copy}");
            assert_eq!(*column, theirs[..column.len()], "{copy}/{name}");
        }
    }
}

/// Independent: colour-science 0.4.7, `CCT_to_uv_Planck1900`.
#[test]
fn the_planckian_locus_is_where_colour_science_has_it() {
    /// It takes c₂ = 1.4388e-2 and refractive index 1 as we do; its tables are the same. Only summation differs.
    const UV: f64 = 1e-6;
    for t in [1500, 2700, 4000, 6500, 20_000] {
        let want = numbers(&format!("/planckian_uv/{t}"));
        let got = planckian_uv(f64::from(t));
        for k in 0..2 {
            assert!((got[k] - want[k]).abs() < UV, "{t} K: want {want:?}, got {got:?}");
        }
    }
}
