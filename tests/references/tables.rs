//! The shipped tables against copies of other people's making.

use crate::data::numbers;
use crate::support::python;
use std::path::Path;
use std::sync::LazyLock;
use vigilux::quantities::locus::planckian_uv;
use vigilux::quantities::tables;
use vigilux::quantities::tables::{photopic, scotopic, x_bar, z_bar};
use vigilux::spectrum::weights::Table;

/// What table_copies.py reads out of the packages that `tests/all` fetches to target/table-copies (else
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

/// One of the copies.
pub fn copy(name: &str) -> &'static serde_json::Value {
    COPIES.get(name).unwrap_or_else(|| panic!("table_copies.py answers nothing for {name}"))
}

/// Compares every entry of ours with column `of` of a copy at those wavelengths that both have, which must be `shared`.
fn same(ours: &Table, copy: &str, of: usize, shared: usize, within: impl Fn(f64) -> f64) {
    let rows = self::copy(copy).as_array().unwrap_or_else(|| panic!("{copy} is no list"));
    let mut compared = 0;
    for row in rows {
        let nm = row[0].as_f64().expect("a wavelength");
        let Some(i) = ours.wavelength_nm.iter().position(|ours| *ours == nm) else { continue };
        // Where a copy has no entry, ours has none either, which is written as 0.
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

/// Independent: both observers as cvrl.org had them in 2017, in luxpy 1.12.5.
#[test]
fn the_observers_are_those_of_the_vision_laboratory() {
    /// ȳ from 819 nm on, where colour-science gives six digits and the laboratory seven.
    const SEVENTH_DIGIT: f64 = 1e-6;
    for (column, table) in [x_bar(), photopic(), z_bar()].into_iter().enumerate() {
        same(table, "observer_2", column, 471, |ours| if ours < 1e-6 { SEVENTH_DIGIT * ours } else { 0.0 });
    }
    for (column, table) in [tables::x_bar_10(), tables::y_bar_10(), tables::z_bar_10()].into_iter().enumerate() {
        same(table, "observer_10", column, 471, |_| 0.0);
    }
}

/// Independent: V′ as colour-science 0.4.7 has it at every nanometre, cvrl.org (in luxpy 1.12.5) at every fifth, and CIE S 026 as
/// the action spectrum of the rods, which is V′.
#[test]
fn the_scotopic_table_is_in_all_copies_the_same() {
    assert_eq!(scotopic().value, numbers("/scotopic"));
    same(scotopic(), "scotopic", 0, 81, |_| 0.0);
    assert_eq!(scotopic(), tables::rhodopic());
}

/// Independent: CIE S 026 as CIE's own calculator sheet 1.049a has it, and as the luox application has it (both in luxpy 1.12.5);
/// ours is from CIE's data file.
///
/// The two copies differ in what they round: the sheet writes the rods to three digits, which the other does not, and the
/// application writes all that is below 1e-4 to three.
#[test]
fn the_alpha_opic_spectra_are_those_of_the_calculator_and_of_an_application() {
    /// Half of the third digit, at worst 5 in 1 000.
    const THREE_DIGITS: f64 = 5e-3;
    let receptors = [tables::s_cone(), tables::m_cone(), tables::l_cone(), tables::rhodopic(), tables::melanopic()];
    for (column, table) in receptors.into_iter().enumerate() {
        let rods = column == 3;
        same(table, "alpha_opic_by_cie", column, 401, |ours| if rods { THREE_DIGITS * ours } else { 0.0 });
        same(table, "alpha_opic_by_luox", column, 401, |ours| if ours < 1e-4 { THREE_DIGITS * ours } else { 0.0 });
    }
}

/// Independent: daylight components, the fourteen colours of CIE 13.3 and the ninety-nine of CIE 224 in luxpy 1.12.5; ours are
/// from colour-science.
#[test]
fn the_tables_of_colour_rendering_are_in_both_libraries_the_same() {
    let all: [(&[Table], &str, usize); 3] = [
        (tables::daylight_components(), "daylight_components", 107),
        (tables::rendering_colours(), "rendering_colours", 95),
        (tables::fidelity_colours(), "fidelity_colours", 81),
    ];
    for (ours, copy, shared) in all {
        for (column, table) in ours.iter().enumerate() {
            same(table, copy, column, shared, |_| 0.0);
        }
    }
}

/// Independent: S of IEC 62471-6:2022 in guv-calcs 0.10.0, all 56 entries of ours; B of IEC 62471 in luxpy 1.12.5, all of ours
/// but the first, since that copy begins at 380 nm.
#[test]
fn the_hazard_weightings_are_those_of_other_libraries() {
    assert_eq!((tables::actinic().value.len(), tables::blue_light().value.len()), (56, 26));
    same(tables::actinic(), "actinic", 2, 56, |_| 0.0);
    same(tables::blue_light(), "blue_light", 0, 25, |_| 0.0);
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
