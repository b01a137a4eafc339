//! Properties of the four indices of any light.

use super::*;

/// The pixel axis of a detector array behind a grating.
fn pixels() -> Vec<f64> {
    (0..2048).map(f64::from).map(|p| 280.0 + 0.39 * p - 6.7e-6 * p * p).collect()
}

fn fold(axis: &[f64]) -> Fold {
    Fold::build(axis, (axis[0], axis[axis.len() - 1])).unwrap()
}

fn bump(nm: f64, at: f64, width: f64) -> f64 {
    (-((nm - at) / width).powi(2) / 2.0).exp()
}

/// Three lights unlike each other: a warm phosphor, three narrow bands, a bluish sky.
fn lights(axis: &[f64]) -> [(f64, Vec<f64>); 3] {
    let of = |f: &dyn Fn(f64) -> f64| axis.iter().map(|nm| f(*nm)).collect();
    [
        (3050.0, of(&|nm| 0.3 * bump(nm, 450.0, 9.0) + bump(nm, 600.0, 55.0))),
        (4400.0, of(&|nm| 0.8 * bump(nm, 455.0, 10.0) + bump(nm, 535.0, 14.0) + 1.1 * bump(nm, 615.0, 8.0))),
        (9500.0, of(&|nm| (500.0 / nm).powi(3) + 0.2 * bump(nm, 480.0, 30.0))),
    ]
}

/// Identity: a light that is its own reference has 100 in all indices.
#[test]
fn a_reference_illuminant_has_100_in_all_indices() {
    /// A light is linear between its samples; Planck's formula at 1500 K and the tables of daylight are not.
    const CHORDS: f64 = 5e-3;
    let axis: Vec<f64> = (0..NODES).map(|n| FIRST_NM + n as f64).collect();
    let fold = fold(&axis);
    for t in [1500.0, 2700.0, 3999.0, 5001.0, 6504.0, 12_000.0, 25_000.0] {
        for (i, index) in indices(&fold.nodes(&of_fidelity(t)), t).unwrap().into_iter().enumerate() {
            // The formula of R_f is 0.0005 above 100 for no difference.
            assert!((index - 100.0).abs() < CHORDS + 5e-4, "{t} K: index {i} is {index}");
        }
    }
    // Between 4000 and 5000 K the two references differ, and each index uses its own.
    let mixed = indices(&fold.nodes(&of_fidelity(4500.0)), 4500.0).unwrap();
    assert!((mixed[2] - 100.0).abs() < CHORDS + 5e-4 && mixed[0] < 99.9, "{mixed:?}");
    let hot = indices(&fold.nodes(&of_rendering(4500.0)), 4500.0).unwrap();
    assert!((hot[0] - 100.0).abs() < CHORDS && hot[2] < 99.9, "{hot:?}");
}

/// Identity: a smooth light has the same indices on a pixel axis and on the axis of the tables.
#[test]
fn smooth_light_has_the_same_indices_on_any_fine_axis() {
    /// Light is linear between samples, which takes 0.1 % from a band of 8 nm at 1 nm steps: 0.04 in R₉, the most sensitive of the four.
    const CHORDS: f64 = 0.05;
    let (fine, nodes) = (pixels(), (0..NODES).map(|n| FIRST_NM + n as f64).collect::<Vec<f64>>());
    for ((t, a), (_, b)) in lights(&fine).into_iter().zip(lights(&nodes)) {
        let a = indices(&fold(&fine).nodes(&a), t).unwrap();
        let b = indices(&fold(&nodes).nodes(&b), t).unwrap();
        for i in 0..INDICES {
            assert!((a[i] - b[i]).abs() < CHORDS, "{t} K: {a:?} {b:?}");
        }
    }
}

/// Identity: the indices do not depend on the brightness of the light.
#[test]
fn brightness_changes_nothing() {
    let axis = pixels();
    let fold = fold(&axis);
    for (t, samples) in lights(&axis) {
        let dim: Vec<f64> = samples.iter().map(|x| 1e-4 * x).collect();
        let (a, b) = (indices(&fold.nodes(&samples), t).unwrap(), indices(&fold.nodes(&dim), t).unwrap());
        for (x, y) in a.into_iter().zip(b) {
            assert!((x - y).abs() < 1e-9, "{t} K: {x} {y}");
        }
    }
}

/// No spectrum panics; one without a colour gives NaN, and one that is too blue a reason.
#[test]
fn unusual_lights_give_nan_or_a_reason() {
    let axis = pixels();
    let fold = fold(&axis);
    for odd in [0.0, -1.0, f64::NAN, f64::INFINITY, f64::MAX] {
        assert!(indices(&fold.nodes(&vec![odd; axis.len()]), 4000.0).is_ok());
    }
    assert!(indices(&fold.nodes(&[1.0; 7]), 4000.0).unwrap().iter().all(|x| x.is_nan()));
    let light = fold.nodes(&vec![1.0; axis.len()]);
    let reason = indices(&light, 31_000.4).unwrap_err();
    assert_eq!(reason.to_string(), "the colour temperature is 31000 K, and reference illuminants end at 25000 K");
    assert!(indices(&light, 999.0).is_err() && indices(&light, f64::NAN).is_err());
}
