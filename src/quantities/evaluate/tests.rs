//! Properties of an evaluation of any spectrum, and known values.

use super::*;
use crate::quantities::constants::{LUMINOUS_EFFICACY, PHOTONS};
use crate::quantities::quantity::{Group, Quantity};
use crate::quantities::registry::index_of;
use crate::quantities::row::SourceRule;
use proptest::prelude::*;

mod edge_cases;

/// The pixel axis of a detector array behind a grating: 2048 samples, 280–1050 nm, not quite even.
fn pixels() -> Vec<f64> {
    (0..2048).map(f64::from).map(|p| 280.0 + 0.39 * p - 6.7e-6 * p * p).collect()
}

fn grid(from: f64, to: f64, step: f64) -> Vec<f64> {
    (0..=((to - from) / step).round() as usize).map(|i| from + step * i as f64).collect()
}

fn matrix(axis: &[f64], source: SourceRule) -> Matrix {
    Matrix::build(axis, (f64::NEG_INFINITY, f64::INFINITY), source)
}

fn planck(axis: &[f64], t: f64) -> Vec<f64> {
    axis.iter()
        .map(|nm| 100.0 * (560.0 / nm).powi(5) * (1.4388e7 / (560.0 * t)).exp_m1() / (1.4388e7 / nm / t).exp_m1())
        .collect()
}

fn at(id: &str) -> usize {
    index_of(id).unwrap()
}

fn close(name: &str, want: f64, got: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "{name}: want {want}, got {got}, off by {:e}", got - want);
}

/// Identity: closed forms of an equal-energy spectrum (photons are (b² − a²)/2·K, ∫ V by the published sum).
#[test]
fn an_equal_energy_spectrum_has_its_closed_forms() {
    let axis = grid(250.0, 1000.0, 0.5);
    let v = values(&matrix(&axis, SourceRule::Lamp), &vec![1.0; axis.len()]);
    let got = |id: &str| v[at(id)].clone().unwrap();
    let photons = |a: f64, b: f64| PHOTONS * (b * b - a * a) / 2.0;
    for (id, a, b) in
        [("ppfd", 400.0, 700.0), ("eppfd", 400.0, 750.0), ("pfd_blue", 400.0, 500.0), ("pfd_green", 500.0, 600.0)]
    {
        close(id, photons(a, b), got(id), 1e-9 * photons(a, b));
    }
    close("pfd_red", photons(600.0, 700.0), got("pfd_red"), 1e-6);
    close("pfd_far_red", photons(700.0, 800.0), got("pfd_far_red"), 1e-6);
    close("red_far_red_ratio", 660.0 / 730.0, got("red_far_red_ratio"), 1e-10);
    close("par_irradiance", 300.0, got("par_irradiance"), 1e-9);
    close("uva", 85.0, got("uva"), 1e-9);
    close("uvb", 35.0, got("uvb"), 1e-9);
    close("irradiance", 750.0, got("irradiance"), 1e-9);
    close("photon_flux_density", photons(250.0, 1000.0), got("photon_flux_density"), 1e-5);
    // The trapezoid sum is the published sum less half of the end entries (4e-6 and 5e-7).
    close("illuminance", LUMINOUS_EFFICACY * 106.856_917_101, got("illuminance"), LUMINOUS_EFFICACY * 3e-6);
    // ∫ of 1 to 298, then of the two exponentials. The trapezoid on 0.1 nm adds h²/12 of the fall in slope, 0.094·ln 10.
    let exponentials = (1.0 - 10f64.powf(-2.82)) / (0.094 * 10f64.ln())
        + (10f64.powf(-2.82) - 10f64.powf(-3.9)) / (0.015 * 10f64.ln());
    close(
        "erythemal_irradiance",
        48.0 + exponentials,
        got("erythemal_irradiance"),
        1.05 * 0.01 / 12.0 * 0.094 * 10f64.ln(),
    );
    close("uv_index", 40.0 * got("erythemal_irradiance"), got("uv_index"), 1e-9);
}

/// Published: CIE 015:2018, illuminant A by its formula, x = 0.44758, y = 0.40745 (rounded to 5 decimals); equal energy by
/// the published sums 106.8655, 106.8569, 106.8923.
/// Independent: Ohno's method in luxpy 1.12.5, `xyz_to_cct(mode="ohno2014")`: A 2855.5427 K, E 5456.33 K, Duv −0.004439.
#[test]
fn illuminants_a_and_e_have_their_published_colours() {
    /// The published figures are rounded to 1e-5, and lie 1.06e-5 from the sums of the published formula and tables in y
    /// (numpy finds the same 0.447574, 0.407439 from colour-science's 1 nm tables).
    const CHROMATICITY: f64 = 1.1e-5;
    /// luxpy's own table step and its c₂ account for less than this [K].
    const CCT_K: f64 = 0.2;
    let axis = grid(360.0, 830.0, 1.0);
    let m = matrix(&axis, SourceRule::Lamp);
    let a: Vec<f64> = axis
        .iter()
        .map(|nm| {
            100.0 * (560.0 / nm).powi(5) * (1.435e7 / (2848.0f64 * 560.0)).exp_m1() / (1.435e7 / (2848.0 * nm)).exp_m1()
        })
        .collect();
    let v = values(&m, &a);
    close("x of A", 0.44758, v[at("cie_x")].clone().unwrap(), CHROMATICITY);
    close("y of A", 0.40745, v[at("cie_y")].clone().unwrap(), CHROMATICITY);
    close("cct of A", 2855.5427, v[at("cct")].clone().unwrap(), CCT_K);
    close("duv of A", 0.0, v[at("duv")].clone().unwrap(), 1e-5);
    let v = values(&m, &vec![1.0; axis.len()]);
    // The trapezoid takes half of the end entries (at most 6e-4 of a sum of 320).
    let sum = 106.865_469_49 + 106.856_917_101 + 106.892_251_279;
    close("x of E", 106.865_469_49 / sum, v[at("cie_x")].clone().unwrap(), 2e-6);
    close("y of E", 106.856_917_101 / sum, v[at("cie_y")].clone().unwrap(), 2e-6);
    close("cct of E", 5456.33, v[at("cct")].clone().unwrap(), 2.0 * CCT_K);
    close("duv of E", -0.004439, v[at("duv")].clone().unwrap(), 2e-6);
}

/// Identity: a smooth light has the same quantities on an even axis of 5 nm and on one of 0.5 nm; a Planckian curve differs from its chords
/// by 0.1 % at most, its ultraviolet end times erythema by 1 %.
#[test]
fn smooth_light_has_the_same_quantities_on_a_coarse_and_a_fine_axis() {
    let (coarse, fine) = (grid(250.0, 1000.0, 5.0), grid(250.0, 1000.0, 0.5));
    for t in [2856.0, 5800.0] {
        let c = values(&matrix(&coarse, SourceRule::Lamp), &planck(&coarse, t));
        let f = values(&matrix(&fine, SourceRule::Lamp), &planck(&fine, t));
        for (i, q) in registry().iter().enumerate() {
            let (Ok(c), Ok(f)) = (&c[i], &f[i]) else {
                assert_eq!(c[i].is_ok(), f[i].is_ok(), "{}", q.id);
                continue;
            };
            let tolerance = match q.id {
                "duv" => 1e-5,
                "excitation_purity" => 1e-4,
                _ if q.group == Group::Ultraviolet && q.id != "uva" => 1e-2 * f.abs(),
                _ => 1e-3 * f.abs(),
            };
            close(q.id, *f, *c, tolerance);
        }
    }
}

/// Identity: uncertainty of a linear quantity by hand; independent errors of samples add in squares, a common error adds linearly.
#[test]
fn noise_adds_in_squares_and_a_common_error_linearly() {
    let axis = pixels();
    let m = matrix(&axis, SourceRule::Sun);
    let light = planck(&axis, 5800.0);
    let variance: Vec<f64> = light.iter().map(|e| 1e-4 * e).collect();
    let scale: Vec<f64> = light.iter().map(|e| 0.02 * e).collect();
    let floor = vec![-1e-4; axis.len()];
    let errors = Errors::of_columns(&light, &[("scale", &scale), ("floor", &floor)]);
    let out = evaluate(&m, &light, &variance, &errors);

    let par = &out[at("par_irradiance")];
    close("effect of the scale", 0.02 * par.value.clone().unwrap(), par.effects[0], 1e-9);
    close("effect of the floor", -0.03, par.effects[1], 1e-12);
    // About 780 samples of 0.38 nm weigh alike in the middle of the band.
    let versus_python: f64 = axis
        .iter()
        .zip(&variance)
        .filter(|(x, _)| (400.0..=700.0).contains(*x))
        .map(|(_, v)| 0.384f64.powi(2) * v)
        .sum();
    close("noise", versus_python.sqrt(), par.noise, 0.03 * par.noise);
    for (o, _) in out.iter().zip(registry()).filter(|(o, q)| o.value.is_ok() && !q.recipe.is_drawn()) {
        let sum = o.effects.iter().fold(o.noise * o.noise, |s, e| s + e * e);
        close("sum of squares", sum.sqrt(), o.uncertainty, 1e-12 * o.uncertainty);
    }
    // A scale common to all wavelengths cancels in every ratio.
    for id in ["red_far_red_ratio", "cie_x", "cie_y", "cct", "duv"] {
        let o = &out[at(id)];
        assert!(o.effects[0].abs() < 1e-9 * o.value.clone().unwrap().abs().max(1e-3), "{id}: {}", o.effects[0]);
        assert!(o.effects[1] != 0.0 && o.noise > 0.0, "{id}");
    }
}

/// Independent: the standard deviation of repeated evaluations of noisy spectra (a seeded generator) equals the stated uncertainty.
#[test]
fn stated_noise_is_the_scatter_of_repeated_spectra() {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    const REPEATS: usize = 2000;
    /// Four standard errors of a standard deviation from that many repeats.
    const TOLERANCE: f64 = 4.0 / 63.0;
    /// The bound on uncertainties that are drawn.
    const DRAWN: f64 = 0.15;
    let axis = pixels();
    let m = matrix(&axis, SourceRule::Sun);
    // Far from its reference illuminant, where an index of colour rendering is not at its maximum.
    let light: Vec<f64> =
        planck(&axis, 4500.0).iter().zip(&axis).map(|(e, nm)| e * (1.0 + 0.6 * (nm / 21.0).sin())).collect();
    let sigma: Vec<f64> = light.iter().map(|e| 0.02 * e + 0.05).collect();
    let variance: Vec<f64> = sigma.iter().map(|s| s * s).collect();
    let stated = evaluate(&m, &light, &variance, &Errors::of_columns(&light, &[]));
    let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(20);
    let noisy: Vec<Vec<f64>> = (0..REPEATS)
        .map(|_| {
            light
                .iter()
                .zip(&sigma)
                .map(|(e, s)| {
                    let z: f64 = StandardNormal.sample(&mut rng);
                    e + s * z
                })
                .collect()
        })
        .collect();
    let got: Vec<_> = noisy.iter().map(|spectrum| values(&m, spectrum)).collect();
    for (i, q) in registry().iter().enumerate().filter(|(_, q)| q.serves(SourceRule::Sun)) {
        // The maximum of a noisy broad spectrum is flat; lines have a test of their own.
        if let (Recipe::Peak { .. }, Err(why)) = (&q.recipe, &stated[i].value) {
            assert!(matches!(why, NullReason::FlatMaximum { .. }), "{why}");
            continue;
        }
        let tolerance = if q.recipe.is_drawn() { DRAWN } else { TOLERANCE };
        let column: Vec<f64> = got.iter().map(|v| v[i].clone().unwrap()).collect();
        let mean = column.iter().sum::<f64>() / REPEATS as f64;
        let spread = (column.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (REPEATS - 1) as f64).sqrt();
        close(q.id, stated[i].uncertainty, spread, tolerance * stated[i].uncertainty);
    }
}

/// Identity: with uncertainty and with any number of errors, a value has the same bits as without.
#[test]
fn a_value_has_the_same_bits_with_uncertainty_and_without() {
    let axis = pixels();
    let m = matrix(&axis, SourceRule::Sun);
    for i in 0..19 {
        let light = planck(&axis, 2500.0 + 300.0 * f64::from(i));
        let plain = values(&m, &light);
        let modes: Vec<(&str, &[f64])> = (0..i).map(|_| ("scale", &light[..])).collect();
        let out = evaluate(&m, &light, &vec![1e-12; axis.len()], &Errors::of_columns(&light, &modes));
        for ((o, plain), q) in out.iter().zip(&plain).zip(registry()) {
            // An error as large as the light is also its own uncertainty: ratios then have too little light.
            let linear = q.recipe.is_linear();
            if i == 0 || linear {
                assert_eq!(o.value.clone().map(f64::to_bits), plain.clone().map(f64::to_bits), "{}", q.id);
            }
            if let (true, Ok(value)) = (linear, &o.value) {
                assert!(o.effects.iter().all(|e| e.to_bits() == value.to_bits()), "{}", q.id);
            }
        }
    }
}

/// Identity: in weak light linear quantities have values, also negative ones; ratios and colours are null.
#[test]
fn in_weak_light_linear_quantities_have_values_and_ratios_are_null() {
    let axis = pixels();
    let m = matrix(&axis, SourceRule::Sun);
    let dark: Vec<f64> = (0..axis.len()).map(|i| if i % 2 == 0 { 1e-6 } else { -1.1e-6 }).collect();
    for (o, q) in evaluate(&m, &dark, &vec![1e-12; axis.len()], &Errors::of_columns(&dark, &[])).iter().zip(registry())
    {
        match q.recipe {
            _ if !q.serves(SourceRule::Sun) => assert_eq!(o.value, Err(NullReason::LampsOnly), "{}", q.id),
            Recipe::Linear { .. } => assert!(o.value.clone().unwrap() < 0.0, "{}: {:?}", q.id, o.value),
            _ => assert_eq!(o.value, Err(q.recipe.too_little_light()), "{}", q.id),
        }
    }
    // Light above zero, but not above three of its own standard uncertainties.
    let dim = vec![1e-3; axis.len()];
    let too_little = |mode: f64| {
        let column = vec![mode; axis.len()];
        let errors = Errors::of_columns(&dim, &[("dark level", &column)]);
        evaluate(&m, &dim, &vec![0.0; axis.len()], &errors)[at("red_far_red_ratio")].value.clone()
    };
    assert!(too_little(0.9e-3 / DETECTION).is_ok());
    let reason = too_little(1.1e-3 / DETECTION).unwrap_err();
    assert_eq!(reason.to_string(), "too little light from 725 to 735 nm");
}

/// Identity: a line whose height is uncertain in proportion to the light has its wavelength; one below an error that remains in the dark has
/// none.
#[test]
fn a_line_of_uncertain_height_has_its_wavelength() {
    let axis = pixels();
    let m = matrix(&axis, SourceRule::Sun);
    let line: Vec<f64> = axis.iter().map(|nm| (-((nm - 546.1) / 1.2).powi(2)).exp()).collect();
    let half: Vec<f64> = line.iter().map(|e| 0.5 * e).collect();
    let of = |of_light| {
        let mut errors = Errors::of_columns(&line, &[("bandwidth", &half)]);
        errors.modes[0].of_light = of_light;
        evaluate(&m, &line, &vec![1e-8; axis.len()], &errors)[at("peak_wavelength")].value.clone()
    };
    assert!((of(true).unwrap() - 546.1).abs() < 0.01, "{:?}", of(true));
    assert_eq!(of(false), Err(NullReason::TooLittleLight));
}

/// Identity: quantities that are not requested are null with that reason; the others have the same values.
#[test]
fn what_is_left_out_changes_nothing_of_the_others() {
    let axis = pixels();
    let light: Vec<f64> = axis.iter().map(|x| 1.0 + (x / 90.0).sin()).collect();
    let all = Matrix::build(&axis, (280.0, 1050.0), SourceRule::Sun);
    let some = Matrix::build_of(&axis, (280.0, 1050.0), SourceRule::Sun, |q| q.id == "cct" || q.id == "ppfd");
    assert!(some.rows.len() == 4 && all.rows.len() > 20, "{} rows of {}", some.rows.len(), all.rows.len());
    let (values, every) = (values(&some, &light), values(&all, &light));
    for (q, quantity) in registry().iter().enumerate() {
        if ["cct", "ppfd"].contains(&quantity.id) {
            assert!(values[q].is_ok() && values[q] == every[q], "{}", quantity.id);
        } else {
            assert_eq!(values[q], Err(NullReason::NotRequested), "{}", quantity.id);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Identity: linear quantities are proportional and additive; ratios and colours do not change with brightness.
    #[test]
    fn linear_quantities_scale_and_add_and_ratios_stay(
        a in 1.0f64..100.0, factor in 1e-3f64..1e3, ta in 2000.0f64..9000.0, tb in 2000.0f64..9000.0,
    ) {
        let axis = pixels();
        let m = matrix(&axis, SourceRule::Sun);
        let (p, q) = (planck(&axis, ta), planck(&axis, tb));
        let scaled: Vec<f64> = p.iter().map(|e| factor * e).collect();
        let sum: Vec<f64> = p.iter().zip(&q).map(|(e, f)| a * e + f).collect();
        let (vp, vq, vs, vt) = (values(&m, &p), values(&m, &q), values(&m, &scaled), values(&m, &sum));
        for (i, quantity) in registry().iter().enumerate() {
            let (Ok(vp), Ok(vs)) = (&vp[i], &vs[i]) else {
                // A quantity that is null at one brightness is null at any other, for the same reason.
                prop_assert_eq!(&vp[i], &vs[i], "{}", quantity.id);
                continue;
            };
            if quantity.recipe.is_linear() {
                let (vq, vt) = (vq[i].clone().unwrap(), vt[i].clone().unwrap());
                prop_assert!((vs - factor * vp).abs() <= 1e-12 * vs.abs(), "{}", quantity.id);
                prop_assert!((vt - (a * vp + vq)).abs() <= 1e-12 * vt.abs(), "{}", quantity.id);
            } else if quantity.id == "eppfd_capped" {
                // A count with a cap: proportional, and not additive.
                prop_assert!((vs - factor * vp).abs() <= 1e-12 * vs.abs());
            } else {
                prop_assert!((vs - vp).abs() <= 1e-9 * vp.abs().max(1e-2), "{}", quantity.id);
            }
        }
    }
}
