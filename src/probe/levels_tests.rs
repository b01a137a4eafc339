//! Frame lag, saturation, dead pixels.

use super::*;
use crate::probe::drawn::Drawn;

#[test]
fn frames_with_the_old_integration_time_are_counted() {
    for (levels, lag) in [
        (vec![400.0, 401.0, 399.0, 400.0], Some(0)),
        (vec![100.0, 400.0, 401.0, 400.0], Some(1)),
        (vec![100.0, 220.0, 400.0, 400.0], Some(2)),
        (vec![110.0, 105.0], None),
        (vec![], None),
    ] {
        assert_eq!(frame_lag(100.0, &levels), lag, "{levels:?}");
    }
}

/// A detector that follows a coefficient and clips at `full_scale`; `bend` flattens the response above a level.
fn rising(detector: &mut Drawn, bend: Option<f64>) -> (Vec<Rising>, Vec<f64>) {
    let top = 45_000.0 / 0.01;
    let rates = (0..detector.pixels).map(|i| detector.rate(i, top)).collect();
    let frames = [0.008, 0.01, 0.011, 0.012, 0.013, 0.014, 0.016, 0.02, 0.03]
        .into_iter()
        .map(|integration_s| {
            let mut counts = detector.frame(integration_s, top);
            if let Some(bend) = bend {
                for c in &mut counts {
                    let over = (f64::from(*c) - bend).max(0.0);
                    *c = (f64::from(*c) - 0.5 * over) as u32;
                }
            }
            Rising { integration_s, counts, dark: detector.dark(integration_s) }
        })
        .collect();
    (frames, rates)
}

/// Identity: a detector that clips at its full scale is linear up to it; one that bends is linear up to where it bends by 1 %.
#[test]
fn the_end_of_the_linear_range_is_found() {
    let mut detector = Drawn::new(41);
    detector.coefficient = -6e-7;
    let (frames, rates) = rising(&mut detector, None);
    let found = saturation(&frames, &rates, &[true; 1000], (-6e-7, 0.0)).unwrap();
    assert!(found.clips && found.highest_counts == 65_535, "{found:?}");
    let linear = found.linear_up_to_counts.unwrap();
    assert!((0.95..=1.0).contains(&(linear / 65_535.0)), "{found:?}");

    let (frames, rates) = rising(&mut detector, Some(40_000.0));
    let found = saturation(&frames, &rates, &[true; 1000], (-6e-7, 0.0)).unwrap();
    let linear = found.linear_up_to_counts.unwrap();
    // Half of the excess is lost: 1 % at about 40 800 counts.
    assert!((39_000.0..42_000.0).contains(&linear), "{found:?}");
}

#[test]
fn dead_pixels_are_dark_among_lit_neighbours() {
    let mut signal: Vec<f64> = (0..200).map(|i| 1000.0 + 10.0 * f64::from(i)).collect();
    let mut lit = vec![true; 200];
    lit[..8].fill(false);
    signal[..8].fill(0.0);
    signal[50] = 100.0;
    signal[199] = 0.0;
    assert_eq!(dead_pixels(&signal, &lit, 5.0), [50, 199]);
    assert_eq!(dead_pixels(&[0.0; 50], &[true; 50], 5.0), [0usize; 0]);
}

#[test]
fn steadiness_is_relative() {
    let (deviation, drift) = steadiness(&[1.0, 1.01, 1.02]).unwrap();
    assert!((deviation - 0.0099).abs() < 1e-4 && (drift - 0.02).abs() < 1e-9);
    assert!(steadiness(&[1.0, 1.0]).is_none() && steadiness(&[0.0; 5]).is_none());
}
