//! Samples that are not finite, negative or missing, and ranges that end early.

use super::*;

/// NaN, infinities, zero, overflow and wrong lengths give a value or a reason for every quantity, and none panics.
#[test]
fn samples_that_are_not_finite_affect_only_the_quantities_that_use_them() {
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
        let out = evaluate(&m, &light, &variance, &Errors::of_columns(&light, &[]));
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
        let out = evaluate(&m, &light, &variance, &Errors::of_columns(&light, &[]));
        assert_eq!(out[ppfd].value, Err(NullReason::UncertaintyNotFinite), "{broken}");
        assert_eq!(out[duv].value, Err(NullReason::UncertaintyNotFinite), "{broken}");
        assert!(out[uvi].value.is_ok());
    }
    let mut column = vec![0.0; axis.len()];
    column[green] = f64::NAN;
    let out = evaluate(&m, &light, &variance, &Errors::of_columns(&light, &[("scale", &column)]));
    assert_eq!(out[ppfd].value, Err(NullReason::UncertaintyNotFinite));
    assert!(out[uvi].value.is_ok());

    let zeros = vec![0.0; axis.len()];
    let out = evaluate(&m, &zeros, &zeros, &Errors::of_columns(&zeros, &[]));
    assert_eq!((out[ppfd].value.clone(), out[ppfd].uncertainty), (Ok(0.0), 0.0));
    assert_eq!(out[duv].value, Err(NullReason::TooLittleLight));

    let short = Err(NullReason::Length { expected: 2048, found: 7 });
    assert!(values(&m, &light[..7]).iter().all(|v| *v == short.clone()));
    let errors = Errors::of_columns(&light, &[]);
    assert!(evaluate(&m, &light, &variance[..7], &errors).iter().all(|o| o.value == short));
    assert!(evaluate(&m, &light, &variance, &Errors::of_columns(&light[..7], &[])).iter().all(|o| o.value == short));
    let nothing = matrix(&[500.0], SourceRule::Sun);
    let errors = Errors::of_columns(&[1.0], &[]);
    assert!(evaluate(&nothing, &[1.0], &[1.0], &errors).iter().all(|o| o.value == Err(NullReason::Axis)));
    assert!(values(&matrix(&[], SourceRule::Sun), &[]).iter().all(|v| *v == Err(NullReason::Axis)));
}

/// A quantity is null when a sample with a weight is not finite, and every other has the same bits; negative light, no light and a short
/// range give the documented result.
#[test]
fn every_quantity_has_the_documented_result_in_edge_cases() {
    let axis = grid(200.0, 1050.0, 0.5);
    let m = matrix(&axis, SourceRule::Lamp);
    let light = planck(&axis, 5800.0);
    let plain = values(&m, &light);
    assert!(plain.iter().all(Result::is_ok), "{plain:?}");
    // A sample within a band may make the quantity null even where its weight is zero.
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
                // The highest sample is known only where all samples are finite.
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
            // Noise around zero must not be clipped at zero.
            assert_eq!(none[i], Ok(0.0), "{}", quantity.id);
            assert_eq!(below[i], plain[i].clone().map(|v| -v), "{}", quantity.id);
        } else {
            assert_eq!(none[i], Err(quantity.recipe.too_little_light()), "{}", quantity.id);
            assert_eq!(below[i], Err(quantity.recipe.too_little_light()), "{}", quantity.id);
        }
    }

    let short = values(&Matrix::build(&axis, (500.0, 600.0), SourceRule::Lamp), &light);
    for ((quantity, got), plain) in registry().iter().zip(&short).zip(&plain) {
        match got {
            Err(NullReason::Range { needed, available }) => {
                assert_eq!(*available, (500.0, 600.0), "{}", quantity.id);
                assert!(needed.0 < 500.0 || needed.1 > 600.0, "{} needs {needed:?}", quantity.id);
            }
            // Quantities whose band fits, and those of the calibrated range.
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

    /// No samples make an evaluation panic, and every value has a finite uncertainty.
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
        for o in evaluate(&m, &light, &variance, &Errors::of_columns(&light, &[("scale", &mode)])) {
            prop_assert!(o.value.is_err() || (o.value.unwrap().is_finite() && o.uncertainty.is_finite()));
        }
    }
}
