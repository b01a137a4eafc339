//! Linearity against drawn detectors whose law is known.

use super::*;
use crate::probe::drawn::Drawn;
use crate::probe::estimate::mean_frame;

const REFERENCE_S: f64 = 0.01;

/// A series of integration times under light that changes by `drift` from one exposure to the next.
fn series(detector: &mut Drawn, drift: f64) -> Vec<Step> {
    let mut light = 0.7 * 65_535.0 / 0.02;
    let mut take = |integration_s: f64| {
        let dark = detector.dark(integration_s);
        let frames: Vec<Vec<u32>> = (0..4).map(|_| detector.frame(integration_s, light)).collect();
        light *= 1.0 + drift;
        mean_frame(&frames).iter().zip(dark).map(|(m, d)| m - d).collect::<Vec<f64>>()
    };
    let mut before = take(REFERENCE_S);
    let mut steps = Vec::new();
    for integration_s in [0.0012, 0.0024, 0.005, 0.015, 0.02, 0.024, 0.008] {
        let signal = take(integration_s);
        let after = take(REFERENCE_S);
        steps.push(Step { integration_s, signal, before, after: after.clone() });
        before = after;
    }
    steps
}

fn evaluate(detector: &mut Drawn, drift: f64) -> Linearity {
    let pixels = detector.pixels;
    linearity(&series(detector, drift), REFERENCE_S, &vec![true; pixels], 65_535.0).unwrap()
}

/// Independent: coefficient and offset of time come out as drawn, each in the presence of the other.
#[test]
fn coefficient_and_offset_of_time_come_out_as_drawn() {
    for (seed, (coefficient, time_offset_s)) in
        [(0.0, 0.0), (-6e-7, 0.0), (0.0, 2e-5), (-6e-7, 2e-5), (1e-6, -1e-5), (-2e-6, 5e-5)].into_iter().enumerate()
    {
        let mut detector = Drawn::new(seed as u64 + 21);
        (detector.coefficient, detector.time_offset_s) = (coefficient, time_offset_s);
        let found = evaluate(&mut detector, 0.0);
        let (c, t) = (found.coefficient, found.time_offset_s);
        assert!(
            (c.value - coefficient).abs() < 4.0 * c.uncertainty && c.uncertainty < 2e-8,
            "{c:?}, drawn {coefficient}"
        );
        assert!(
            (t.value - time_offset_s).abs() < 4.0 * t.uncertainty && t.uncertainty < 3e-6,
            "{t:?}, drawn {time_offset_s}"
        );
        assert!(found.residual < 0.003, "{found:?}");
    }
}

/// Independent: a slow drift of the light is taken out by the reference exposures, and reported.
#[test]
fn a_slow_drift_of_the_light_is_no_linearity() {
    let mut detector = Drawn::new(31);
    detector.coefficient = -6e-7;
    let found = evaluate(&mut detector, 0.004);
    assert!((found.coefficient.value + 6e-7).abs() < 4.0 * found.coefficient.uncertainty, "{found:?}");
    assert!((found.light_change - 0.008).abs() < 0.001, "{found:?}");
}

/// A lamp that jumps cannot be taken out, but widens the uncertainty beyond the error.
#[test]
fn light_that_jumps_widens_the_uncertainty() {
    let mut detector = Drawn::new(32);
    let mut steps = series(&mut detector, 0.0);
    steps[4].signal.iter_mut().for_each(|s| *s *= 1.03);
    let found = linearity(&steps, REFERENCE_S, &[true; 1000], 65_535.0).unwrap();
    assert!(found.coefficient.value.abs() < 3.0 * found.coefficient.uncertainty, "{found:?}");
    assert!(found.residual > 0.01, "{found:?}");
}

#[test]
fn too_few_levels_give_no_law() {
    let mut detector = Drawn::new(33);
    let steps = series(&mut detector, 0.0);
    assert!(linearity(&steps[4..5], REFERENCE_S, &[false; 1000], 65_535.0).is_none());
    assert!(linearity(&[], REFERENCE_S, &[true; 1000], 65_535.0).is_none());
}
