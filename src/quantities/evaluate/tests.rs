//! What evaluating must keep to, whatever the spectrum.

use super::*;
use crate::quantities::constants::{LUMINOUS_EFFICACY, PHOTONS};
use crate::quantities::registry::{Group, Quantity, index_of};
use crate::quantities::row::SourceRule;
use proptest::prelude::*;

/// A pixel axis as an array behind a grating has it: 2048 samples, 280–1050 nm, not quite even.
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

/// Identity: an even axis of 5 nm and one of 0.5 nm see the same smooth light; the linear chords of a Planckian curve stay
/// within 0.1 % of it, those of its ultraviolet end times erythema within 1 %.
#[test]
fn smooth_light_reads_the_same_on_a_coarse_and_a_fine_axis() {
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

/// Identity: uncertainty of a linear quantity by hand; independent samples add in squares, a mode adds in full.
#[test]
fn noise_adds_in_squares_and_a_mode_in_full() {
    let axis = pixels();
    let m = matrix(&axis, SourceRule::Sun);
    let light = planck(&axis, 5800.0);
    let variance: Vec<f64> = light.iter().map(|e| 1e-4 * e).collect();
    let scale: Vec<f64> = light.iter().map(|e| 0.02 * e).collect();
    let floor = vec![-1e-4; axis.len()];
    let modes = [Mode { name: "scale", column: &scale }, Mode { name: "floor", column: &floor }];
    let out = evaluate(&m, &light, &variance, &modes);

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
    for o in out.iter().filter(|o| o.value.is_ok()) {
        let sum = o.effects.iter().fold(o.noise * o.noise + o.second_order * o.second_order, |s, e| s + e * e);
        close("sum of squares", sum.sqrt(), o.uncertainty, 1e-12 * o.uncertainty);
    }
    // A scale common to all wavelengths cancels in every ratio.
    for id in ["red_far_red_ratio", "cie_x", "cie_y", "cct", "duv"] {
        let o = &out[at(id)];
        assert!(o.effects[0].abs() < 1e-9 * o.value.clone().unwrap().abs().max(1e-3), "{id}: {}", o.effects[0]);
        assert!(o.effects[1] != 0.0 && o.noise > 0.0, "{id}");
    }
}

/// Independent: the spread of repeated evaluations of noisy spectra (a seeded generator) equals the noise that is stated.
#[test]
fn stated_noise_is_the_spread_of_repeated_spectra() {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    const REPEATS: usize = 2000;
    /// Four standard errors of a standard deviation from that many repeats.
    const TOLERANCE: f64 = 4.0 / 63.0;
    let axis = pixels();
    let m = matrix(&axis, SourceRule::Sun);
    // Far from its reference: at 100 an index of colour rendering can only fall, which is no first-order matter.
    let light: Vec<f64> =
        planck(&axis, 4500.0).iter().zip(&axis).map(|(e, nm)| e * (1.0 + 0.6 * (nm / 21.0).sin())).collect();
    let sigma: Vec<f64> = light.iter().map(|e| 0.02 * e + 0.05).collect();
    let variance: Vec<f64> = sigma.iter().map(|s| s * s).collect();
    let stated = evaluate(&m, &light, &variance, &[]);
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
    let noisy: Vec<&[f64]> = noisy.iter().map(Vec::as_slice).collect();
    let got = values_of_many(&m, &noisy);
    // A top among noisy samples is no first-order matter; it has a test of its own.
    let stated_to_first_order = |q: &Quantity| !matches!(q.recipe, Recipe::Peak { .. }) && q.serves(SourceRule::Sun);
    for (i, q) in registry().iter().enumerate().filter(|(_, q)| stated_to_first_order(q)) {
        let column: Vec<f64> = got.iter().map(|v| v[i].clone().unwrap()).collect();
        let mean = column.iter().sum::<f64>() / REPEATS as f64;
        let spread = (column.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (REPEATS - 1) as f64).sqrt();
        close(q.id, stated[i].noise, spread, TOLERANCE * stated[i].noise);
    }
}

/// Identity: alone, in a batch, with uncertainty and with any number of modes, a value has the same bits.
#[test]
fn a_value_has_the_same_bits_alone_in_a_batch_and_with_uncertainty() {
    let axis = pixels();
    let m = matrix(&axis, SourceRule::Sun);
    let spectra: Vec<Vec<f64>> = (0..19).map(|i| planck(&axis, 2500.0 + 300.0 * f64::from(i))).collect();
    let spectra: Vec<&[f64]> = spectra.iter().map(Vec::as_slice).collect();
    let batch = values_of_many(&m, &spectra);
    let mut work = Workspace::default();
    for (i, light) in spectra.iter().enumerate() {
        assert_eq!(values(&m, light), batch[i]);
        let modes: Vec<Mode> = (0..i).map(|_| Mode { name: "scale", column: light }).collect();
        let modes: Vec<(&str, &[f64])> = modes.iter().map(|mode| (mode.name, mode.column)).collect();
        let out = evaluate_with(&mut work, &m, light, &vec![1e-12; axis.len()], &Errors::of_columns(light, &modes));
        for (q, (o, b)) in out.iter().zip(&batch[i]).enumerate() {
            // A mode as large as the light is also its own uncertainty: ratios then have too little light.
            let linear = registry()[q].recipe.is_linear();
            if i == 0 || linear {
                assert_eq!(o.value.clone().map(f64::to_bits), b.clone().map(f64::to_bits));
            }
            if let (true, Ok(value)) = (linear, &o.value) {
                assert!(o.effects.iter().all(|e| e.to_bits() == value.to_bits()));
            }
        }
    }
}

/// Identity: weak light leaves linear quantities as they are, below zero too, and takes ratios and colour away.
#[test]
fn weak_light_keeps_linear_quantities_and_takes_ratios_away() {
    let axis = pixels();
    let m = matrix(&axis, SourceRule::Sun);
    let dark: Vec<f64> = (0..axis.len()).map(|i| if i % 2 == 0 { 1e-6 } else { -1.1e-6 }).collect();
    for (o, q) in evaluate(&m, &dark, &vec![1e-12; axis.len()], &[]).iter().zip(registry()) {
        match q.recipe {
            _ if !q.serves(SourceRule::Sun) => assert_eq!(o.value, Err(NullReason::LampsOnly), "{}", q.id),
            Recipe::Linear { .. } => assert!(o.value.clone().unwrap() < 0.0, "{}: {:?}", q.id, o.value),
            _ => assert_eq!(o.value, Err(NullReason::TooLittleLight), "{}", q.id),
        }
    }
    // Light that is there, but not above three of its own standard uncertainties.
    let dim = vec![1e-3; axis.len()];
    let too_little = |mode: f64| {
        let column = vec![mode; axis.len()];
        let modes = [Mode { name: "dark level", column: &column }];
        evaluate(&m, &dim, &vec![0.0; axis.len()], &modes)[at("red_far_red_ratio")].value.clone()
    };
    assert!(too_little(0.9e-3 / DETECTION).is_ok());
    assert_eq!(too_little(1.1e-3 / DETECTION), Err(NullReason::TooLittleLight));
}

/// Identity: what goes with the light casts no doubt on a line being there, and what stays in the dark does.
#[test]
fn a_line_that_a_slit_makes_uncertain_has_its_wavelength_all_the_same() {
    let axis = pixels();
    let m = matrix(&axis, SourceRule::Sun);
    let line: Vec<f64> = axis.iter().map(|nm| (-((nm - 546.1) / 1.2).powi(2)).exp()).collect();
    let half: Vec<f64> = line.iter().map(|e| 0.5 * e).collect();
    let of = |of_light| {
        let mut errors = Errors::of_columns(&line, &[("bandwidth", &half)]);
        errors.modes[0].of_light = of_light;
        evaluate_with(&mut Workspace::default(), &m, &line, &vec![1e-8; axis.len()], &errors)[at("peak_wavelength")]
            .value
            .clone()
    };
    assert!((of(true).unwrap() - 546.1).abs() < 0.01, "{:?}", of(true));
    assert_eq!(of(false), Err(NullReason::TooLittleLight));
}

/// Edge set: NaN, infinities, zero, overflow and wrong lengths have an answer for every quantity, and none panics.
#[test]
fn broken_samples_spoil_what_uses_them_and_nothing_else() {
    let axis = pixels();
    let m = matrix(&axis, SourceRule::Sun);
    let variance = vec![1e-10; axis.len()];
    let light = planck(&axis, 5800.0);
    let (ppfd, uvi, duv) = (at("ppfd"), at("uv_index"), at("duv"));
    let green = axis.iter().position(|x| *x > 550.0).unwrap();
    for broken in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX] {
        let mut light = light.clone();
        light[green] = broken;
        light[green + 1] = broken;
        light[green + 2] = broken;
        let out = evaluate(&m, &light, &variance, &[]);
        assert_eq!((&out[ppfd].value, &out[duv].value), (&Err(NullReason::NotFinite), &Err(NullReason::NotFinite)));
        assert!(out[ppfd].uncertainty.is_nan() && out[uvi].value.is_ok());
        let plain = values(&m, &light);
        assert_eq!(
            plain.iter().map(Result::is_ok).collect::<Vec<_>>(),
            out.iter().map(|o| o.value.is_ok()).collect::<Vec<_>>()
        );
    }
    for broken in [f64::NAN, f64::INFINITY, -1.0] {
        let mut variance = variance.clone();
        variance[green] = broken;
        let out = evaluate(&m, &light, &variance, &[]);
        assert_eq!(out[ppfd].value, Err(NullReason::UncertaintyNotFinite), "{broken}");
        assert_eq!(out[duv].value, Err(NullReason::UncertaintyNotFinite), "{broken}");
        assert!(out[uvi].value.is_ok());
    }
    let mut column = vec![0.0; axis.len()];
    column[green] = f64::NAN;
    let out = evaluate(&m, &light, &variance, &[Mode { name: "scale", column: &column }]);
    assert_eq!(out[ppfd].value, Err(NullReason::UncertaintyNotFinite));
    assert!(out[uvi].value.is_ok());

    let zeros = vec![0.0; axis.len()];
    let out = evaluate(&m, &zeros, &zeros, &[]);
    assert_eq!((out[ppfd].value.clone(), out[ppfd].uncertainty), (Ok(0.0), 0.0));
    assert_eq!(out[duv].value, Err(NullReason::TooLittleLight));

    let short = Err(NullReason::Length { expected: 2048, found: 7 });
    assert!(values(&m, &light[..7]).iter().all(|v| *v == short.clone()));
    assert!(evaluate(&m, &light, &variance[..7], &[]).iter().all(|o| o.value == short));
    assert!(
        evaluate(&m, &light, &variance, &[Mode { name: "x", column: &light[..7] }])
            .iter()
            .all(|o| o.value == short && o.effects.len() == 1)
    );
    let mixed = values_of_many(&m, &[&light[..7], &light]);
    assert!(mixed[0].iter().all(|v| *v == short) && mixed[1] == values(&m, &light));
    let nothing = matrix(&[500.0], SourceRule::Sun);
    assert!(evaluate(&nothing, &[1.0], &[1.0], &[]).iter().all(|o| o.value == Err(NullReason::Axis)));
    assert!(values(&matrix(&[], SourceRule::Sun), &[]).iter().all(|v| *v == Err(NullReason::Axis)));
}

/// Edge set: every quantity that a sample counts for has no value when the sample is broken, and every other is the same to the
/// last bit; light below zero, none at all and a range that ends early have the documented answer.
#[test]
fn every_quantity_has_the_documented_answer_at_the_edges() {
    let axis = grid(200.0, 1050.0, 0.5);
    let m = matrix(&axis, SourceRule::Lamp);
    let light = planck(&axis, 5800.0);
    let plain = values(&m, &light);
    assert!(plain.iter().all(Result::is_ok), "{plain:?}");
    // A weight of zero inside a band counts as well: what is not a number may not be told from a dark sample there.
    let within = |quantity: &Quantity, nm: f64| {
        let bands = quantity.recipe.rows().iter().filter_map(|row| row.band(SourceRule::Lamp)).collect::<Vec<_>>();
        bands.iter().any(|band| band.from <= nm && nm <= band.to)
    };
    let mut hit = vec![0; registry().len()];
    for nm in [250.0, 300.0, 350.0, 450.0, 510.0, 555.0, 610.0, 660.0, 730.0, 790.0, 900.0] {
        let k = axis.iter().position(|x| *x == nm).unwrap();
        let with = |sample: f64| {
            let mut light = light.clone();
            light[k] = sample;
            values(&m, &light)
        };
        let nudged = with(1.001 * light[k]);
        for broken in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            for (i, (quantity, got)) in registry().iter().zip(with(broken)).enumerate() {
                // Which sample is the highest can only be told where all of them are numbers.
                if nudged[i] != plain[i] || quantity.id == "peak_wavelength" {
                    assert_eq!(got, Err(NullReason::NotFinite), "{} with {broken} at {nm} nm", quantity.id);
                    hit[i] += 1;
                } else if got != Err(NullReason::NotFinite) || !within(quantity, nm) {
                    assert_eq!(got, plain[i], "{} with {broken} at {nm} nm", quantity.id);
                }
            }
        }
        for (quantity, got) in registry().iter().zip(with(f64::MAX)) {
            assert!(got.as_ref().is_ok_and(|v| v.is_finite()) || got.is_err(), "{}: {got:?}", quantity.id);
        }
    }
    assert!(hit.iter().all(|n| *n > 0), "{hit:?}");

    let (zeros, negative) = (vec![0.0; axis.len()], light.iter().map(|e| -e).collect::<Vec<f64>>());
    let (none, below) = (values(&m, &zeros), values(&m, &negative));
    for (i, quantity) in registry().iter().enumerate() {
        if quantity.recipe.is_linear() {
            // Noise about zero must not be cut off at it.
            assert_eq!(none[i], Ok(0.0), "{}", quantity.id);
            assert_eq!(below[i], plain[i].clone().map(|v| -v), "{}", quantity.id);
        } else {
            assert_eq!(none[i], Err(NullReason::TooLittleLight), "{}", quantity.id);
            assert_eq!(below[i], Err(NullReason::TooLittleLight), "{}", quantity.id);
        }
    }

    let short = values(&Matrix::build(&axis, (500.0, 600.0), SourceRule::Lamp), &light);
    for ((quantity, got), plain) in registry().iter().zip(&short).zip(&plain) {
        match got {
            Err(NullReason::Range { needed, available }) => {
                assert_eq!(*available, (500.0, 600.0), "{}", quantity.id);
                assert!(needed.0 < 500.0 || needed.1 > 600.0, "{} needs {needed:?}", quantity.id);
            }
            // What fits, and what is of whatever there is.
            Ok(got) => match quantity.id {
                "pfd_green" => assert_eq!(Ok(*got), *plain),
                "irradiance" | "photon_flux_density" => assert!(*got < plain.clone().unwrap()),
                // hc/λ [eV] at 600 and at 500 nm.
                "average_photon_energy" => assert!((2.0664..2.4797).contains(got), "{got} eV"),
                "centroid_wavelength" => assert!((500.0..600.0).contains(got), "{got} nm"),
                other => panic!("{other} has a value of 500 to 600 nm alone"),
            },
            Err(other) => {
                assert_eq!((quantity.id, other), ("peak_wavelength", &NullReason::PeakAtEnd { at_nm: 500.0 }))
            }
        }
    }
    for falling in [vec![600.0, 500.0, 400.0], vec![500.0, 500.0, 501.0], vec![500.0, f64::NAN, 501.0]] {
        let got = values(&matrix(&falling, SourceRule::Lamp), &[1.0, 1.0, 1.0]);
        assert!(got.iter().all(|v| *v == Err(NullReason::Axis)), "{falling:?}: {got:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Identity: linear quantities scale and add with the light; ratios and colour do not change with its level.
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
                // What is null at one level of light is null at every other, for the same reason.
                prop_assert_eq!(&vp[i], &vs[i], "{}", quantity.id);
                continue;
            };
            if quantity.recipe.is_linear() {
                let (vq, vt) = (vq[i].clone().unwrap(), vt[i].clone().unwrap());
                prop_assert!((vs - factor * vp).abs() <= 1e-12 * vs.abs(), "{}", quantity.id);
                prop_assert!((vt - (a * vp + vq)).abs() <= 1e-12 * vt.abs(), "{}", quantity.id);
            } else {
                prop_assert!((vs - vp).abs() <= 1e-9 * vp.abs().max(1e-2), "{}", quantity.id);
            }
        }
    }

    /// Edge set: no samples make an evaluation panic, and every number comes with a finite uncertainty.
    #[test]
    fn any_samples_have_an_answer(
        light in prop::collection::vec(prop::num::f64::ANY, 60),
        variance in prop::collection::vec(prop::num::f64::ANY, 60),
        mode in prop::collection::vec(-1.0f64..1.0, 60),
        from in 200.0f64..500.0,
        step in 0.1f64..15.0,
    ) {
        let axis = grid(from, from + 59.0 * step, step);
        prop_assume!(axis.len() == 60);
        let m = matrix(&axis, SourceRule::Lamp);
        for o in evaluate(&m, &light, &variance, &[Mode { name: "scale", column: &mode }]) {
            prop_assert!(o.value.is_err() || (o.value.unwrap().is_finite() && o.uncertainty.is_finite()));
        }
    }
}
