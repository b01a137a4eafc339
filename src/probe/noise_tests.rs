//! Photon transfer against drawn detectors whose truth is known.

use super::*;
use crate::probe::drawn::Drawn;

/// Two pairs at each of seven levels up to 70 % of full scale, and two dark ones.
fn pairs(detector: &mut Drawn, drift: f64) -> Vec<Pair> {
    let offset = detector.dark(0.0);
    let top = 0.67 * detector.full_scale / 0.7;
    let mut pairs = Vec::new();
    for step in 0..=7 {
        for _ in 0..2 {
            let light = top * f64::from(step) / 7.0 * 0.7;
            let first = detector.frame(1.0, light);
            let second = detector.frame(1.0, light * (1.0 + drift));
            pairs.push(Pair { first, second, offset: offset.clone() });
        }
    }
    pairs
}

fn evaluate(detector: &mut Drawn, drift: f64) -> Noise {
    let (pixels, full) = (detector.pixels, detector.full_scale);
    noise(&pairs(detector, drift), &vec![true; pixels], full, detector.coefficient).unwrap()
}

/// Independent: the estimates of twelve drawn detectors of very different kinds lie within four standard uncertainties of the
/// drawn values, and the uncertainties are small and honest.
#[test]
fn electrons_per_count_and_read_noise_come_out_as_drawn() {
    let mut squares = Vec::new();
    for (seed, (gain, read, full)) in
        [(3.0, 7.0, 65_535.0), (12.0, 2.5, 16_383.0), (40.0, 1.2, 4095.0), (0.9, 20.0, 65_535.0)]
            .into_iter()
            .cycle()
            .take(12)
            .enumerate()
    {
        let mut detector = Drawn::new(seed as u64 + 1);
        (detector.electrons_per_count, detector.read_noise_counts, detector.full_scale) = (gain, read, full);
        detector.offset_counts = full / 40.0;
        let found = evaluate(&mut detector, 0.0);
        let e = found.electrons_per_count.unwrap();
        // Rounding to whole counts adds a twelfth to the variance.
        let (r, truth) = (found.read_noise_counts.unwrap(), (read * read + 1.0 / 12.0f64).sqrt());
        assert!((e.value - gain).abs() < 4.0 * e.uncertainty, "{e:?}, drawn {gain}");
        assert!((r.value - truth).abs() < 4.0 * r.uncertainty, "{r:?}, drawn {truth}");
        assert!(e.uncertainty < 0.03 * gain && r.uncertainty < 0.1 * read, "{e:?} {r:?}");
        squares.extend([((e.value - gain) / e.uncertainty).powi(2), ((r.value - truth) / r.uncertainty).powi(2)]);
    }
    // χ² of 24 values: 7 to 50 but for one case in a thousand.
    let sum: f64 = squares.iter().sum();
    assert!((7.0..50.0).contains(&sum), "{sum}: {squares:?}");
}

/// Independent: a detector that falls short by 4 % at full scale has the electrons per count that were drawn, since shot noise is
/// that of the charge.
#[test]
fn non_linear_counts_do_not_bias_the_electrons_per_count() {
    let mut detector = Drawn::new(17);
    detector.coefficient = -6e-7;
    let e = evaluate(&mut detector, 0.0).electrons_per_count.unwrap();
    assert!((e.value - 3.0).abs() < 4.0 * e.uncertainty && e.uncertainty < 0.05, "{e:?}");
}

/// Independent: a common change of the light within pairs is taken out and reported.
#[test]
fn light_that_changes_between_the_frames_of_a_pair_is_seen_and_taken_out() {
    let found = evaluate(&mut Drawn::new(5), 0.02);
    let e = found.electrons_per_count.unwrap();
    assert!((e.value - 3.0).abs() < 4.0 * e.uncertainty, "{e:?}");
    // The largest of sixteen changes, each with up to 0.1 % of noise.
    assert!((0.019..0.023).contains(&found.light_change), "{}", found.light_change);
}

/// Independent: a running mean of three pixels correlates neighbours by 2/3 and triples the apparent electrons per count.
#[test]
fn smoothing_shows_in_neighbouring_pixels() {
    let mut detector = Drawn::new(7);
    let clean = evaluate(&mut detector, 0.0).neighbour_correlation.unwrap();
    assert!(!clean.differs_from_zero(4.0) && clean.uncertainty < 0.03, "{clean:?}");
    detector.smoothing = 3;
    let found = evaluate(&mut detector, 0.0);
    let smoothed = found.neighbour_correlation.unwrap();
    assert!((smoothed.value - 2.0 / 3.0).abs() < 0.06, "{smoothed:?}");
    let e = found.electrons_per_count.unwrap();
    assert!((8.0..10.0).contains(&e.value), "{e:?}");
}

#[test]
fn hits_of_particles_do_not_count_as_noise() {
    let mut detector = Drawn::new(11);
    let mut pairs = pairs(&mut detector, 0.0);
    for (k, pair) in pairs.iter_mut().enumerate() {
        for i in [100, 333, 700] {
            pair.first[(i + k) % 1000] += 2500;
        }
    }
    let found = noise(&pairs, &[true; 1000], 65_535.0, 0.0).unwrap();
    let (e, r) = (found.electrons_per_count.unwrap(), found.read_noise_counts.unwrap());
    assert!((e.value - 3.0).abs() < 0.05 && (r.value - 7.0).abs() < 0.3, "{e:?} {r:?}");
}

#[test]
fn without_light_the_read_noise_is_known_and_the_electrons_are_not() {
    let mut detector = Drawn::new(13);
    let offset = detector.dark(0.0);
    let dark: Vec<Pair> = (0..4)
        .map(|_| Pair { first: detector.frame(0.0, 0.0), second: detector.frame(0.0, 0.0), offset: offset.clone() })
        .collect();
    let found = noise(&dark, &[true; 1000], 65_535.0, 0.0).unwrap();
    assert!(found.electrons_per_count.is_none());
    assert!((found.read_noise_counts.unwrap().value - 7.0).abs() < 0.4, "{found:?}");
    assert!(noise(&dark, &[false; 1000], 65_535.0, 0.0).is_none());
}
