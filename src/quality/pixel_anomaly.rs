//! Detects hot and dead pixels in a spectrum.
//!
//! Light through a slit several pixels wide cannot double or halve from one pixel to the next. A pixel that does so, significantly
//! beyond its noise, is faulty. Pure.

/// Significance of a deviation [standard deviations of its noise].
const SIGNIFICANCE: f64 = 8.0;
/// A faulty pixel has at least this many times the irradiance of both neighbours, or at most the reciprocal [1].
const FACTOR: f64 = 2.0;
/// Pixels that are tested together.
const BLOCK: usize = 32;

/// The errors of faulty pixels, pixel by pixel [W m⁻² nm⁻¹]: their deviations from the mean of both neighbours, and 0 elsewhere; `None`
/// where no pixel is faulty.
///
/// comparable: whether a pixel comes from the same bracket as both neighbours, since the light may change between brackets. slit_pixels:
/// width of the slit [pixels]; below 3 a spectral line may be one pixel wide, and no pixel is tested.
pub fn faults(
    irradiance: &[f64],
    variance: &[f64],
    comparable: impl Fn(usize) -> bool,
    slit_pixels: f64,
) -> Option<Vec<f64>> {
    if !(slit_pixels >= 3.0) {
        return None;
    }
    let mut errors: Option<Vec<f64>> = None;
    for start in (0..irradiance.len().saturating_sub(2)).step_by(BLOCK) {
        // Hardly any pixel is faulty: a whole block is tested first, without square roots and branches.
        let end = irradiance.len().min(start + BLOCK + 2);
        let block = irradiance[start..end].windows(3).zip(variance[start..end].windows(3));
        if !block.fold(false, |any, (light, variance)| any | may_stand_out(light, variance)) {
            continue;
        }
        for i in start + 1..end - 1 {
            let (left, here, right) = (irradiance[i - 1], irradiance[i], irradiance[i + 1]);
            let noise = SIGNIFICANCE * variance_of(&variance[i - 1..=i + 1]).sqrt();
            if stands_out(left, here, right, noise) && comparable(i) {
                errors.get_or_insert_with(|| vec![0.0; irradiance.len()])[i] = here - 0.5 * (left + right);
            }
        }
    }
    errors
}

/// Whether a pixel differs from both neighbours by more than the factor and `noise`.
#[inline(always)]
fn stands_out(left: f64, here: f64, right: f64, noise: f64) -> bool {
    let hot = here > FACTOR * left.max(right).max(0.0) + noise;
    let dead = here < left.min(right) / FACTOR - noise;
    hot | dead
}

/// Variance of the deviation of the middle one of three pixels from the mean of the others.
#[inline(always)]
fn variance_of(three: &[f64]) -> f64 {
    three[1] + 0.25 * (three[0] + three[2])
}

/// Whether [`stands_out`] may be true. Compares squares, with a margin for rounding: true for every pixel that stands out, and for hardly
/// any other.
#[inline(always)]
fn may_stand_out(light: &[f64], variance: &[f64]) -> bool {
    let (left, here, right) = (light[0], light[1], light[2]);
    let (hot, dead) = (here - FACTOR * left.max(right).max(0.0), left.min(right) / FACTOR - here);
    let least_square = (1.0 - 1e-6) * SIGNIFICANCE * SIGNIFICANCE * variance_of(variance);
    ((hot > 0.0) & (hot * hot >= least_square)) | ((dead > 0.0) & (dead * dead >= least_square))
}

#[cfg(test)]
mod tests {
    use super::faults;

    /// Identity: the errors are those that were added.
    #[test]
    fn hot_and_dead_pixels_are_detected_and_a_steep_edge_is_not() {
        let smooth: Vec<f64> = (0..200).map(|i| 1.0 / (1.0 + (-(f64::from(i) - 100.0) / 3.0).exp())).collect();
        let (variance, all) = (vec![1e-6; 200], |_: usize| true);
        assert_eq!(faults(&smooth, &variance, all, 5.0), None);
        let mut bad = smooth.clone();
        bad[150] += 3.0;
        bad[170] = 0.0;
        let effect = faults(&bad, &variance, all, 5.0).unwrap();
        assert!((effect[150] - 3.0).abs() < 0.01 && (effect[170] + 1.0).abs() < 0.01);
        assert_eq!(effect.iter().filter(|e| **e != 0.0).count(), 2);
        assert_eq!(faults(&bad, &variance, all, 2.0), None);
        assert_eq!(faults(&bad, &variance, |i| i != 150 && i != 170, 5.0), None);
        for place in [1, 31, 32, 33, 198] {
            let mut bad = smooth.clone();
            bad[place] += 3.0;
            assert_eq!(faults(&bad, &variance, all, 5.0).unwrap().iter().position(|e| *e != 0.0), Some(place));
        }
        for short in 0..3 {
            assert_eq!(faults(&bad[..short], &variance, all, 5.0), None);
        }
    }
}
