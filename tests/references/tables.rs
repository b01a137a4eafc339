//! The shipped tables against those of colour-science.

use crate::data::numbers;
use vigilux::quantities::locus::planckian_uv;
use vigilux::quantities::tables::{photopic, x_bar, z_bar};

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
