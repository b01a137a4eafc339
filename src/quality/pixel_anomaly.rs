//! Pixels that turned hot or dead, from the smoothness that the slit gives every spectrum.
//!
//! No light that came through a slit several pixels wide can double or halve from one pixel to the next; a pixel that
//! does so beyond its noise is at fault.

/// How far beyond its noise a pixel must stand out.
const SIGNIFICANCE: f64 = 8.0;
/// How much more or less than both neighbours a pixel must show.
const FACTOR: f64 = 2.0;

/// What the faulty pixels add to the spectrum, pixel by pixel [W m⁻² nm⁻¹]; `None` where no pixel is at fault.
///
/// comparable: whether a pixel was served by the same bracket as both neighbours; only then can they be compared, since the
/// light may have changed between brackets. Not applied where the slit covers fewer than 3 pixels (`slit_pixels`): there a
/// line may stand alone.
pub fn faults(
    irradiance: &[f64],
    variance: &[f64],
    comparable: impl Fn(usize) -> bool,
    slit_pixels: f64,
) -> Option<Vec<f64>> {
    if !(slit_pixels >= 3.0) {
        return None;
    }
    let mut effect: Option<Vec<f64>> = None;
    for window in irradiance.len().checked_sub(2).into_iter().flat_map(|n| (0..n).step_by(STRETCH)) {
        // Hardly any pixel stands out beyond its noise, so a stretch is first looked at as one, without roots or branches.
        let end = irradiance.len().min(window + STRETCH + 2);
        let stretch = &irradiance[window..end];
        let pairs = stretch.windows(3).zip(variance[window..end].windows(3));
        if !pairs.fold(false, |any, (light, noise)| any | may_stand_out(light, noise)) {
            continue;
        }
        for i in window + 1..window + stretch.len() - 1 {
            let (left, here, right) = (irradiance[i - 1], irradiance[i], irradiance[i + 1]);
            let noise = SIGNIFICANCE * variance_of(&variance[i - 1..=i + 1]).sqrt();
            // What can be compared is asked last, being the longest way.
            if stands_out(left, here, right, noise) && comparable(i) {
                effect.get_or_insert_with(|| vec![0.0; irradiance.len()])[i] = here - 0.5 * (left + right);
            }
        }
    }
    effect
}

/// Pixels looked at together.
const STRETCH: usize = 32;

/// Whether a pixel is hot or dead beside its neighbours by more than `noise`.
#[inline(always)]
fn stands_out(left: f64, here: f64, right: f64, noise: f64) -> bool {
    let hot = here > FACTOR * left.max(right).max(0.0) + noise;
    let dead = here < left.min(right) / FACTOR - noise;
    hot | dead
}

/// The variance of how far the middle of three pixels lies from the mean of those beside it.
#[inline(always)]
fn variance_of(three: &[f64]) -> f64 {
    three[1] + 0.25 * (three[0] + three[2])
}

/// Whether a pixel may be found to stand out: never not where it does, and hardly ever where it does not. Compares squares, a hair
/// to the safe side for what rounding does to them.
#[inline(always)]
fn may_stand_out(light: &[f64], noise: &[f64]) -> bool {
    let (left, here, right) = (light[0], light[1], light[2]);
    let (hot, dead) = (here - FACTOR * left.max(right).max(0.0), left.min(right) / FACTOR - here);
    let enough = (1.0 - 1e-6) * SIGNIFICANCE * SIGNIFICANCE * variance_of(noise);
    ((hot > 0.0) & (hot * hot >= enough)) | ((dead > 0.0) & (dead * dead >= enough))
}

#[cfg(test)]
mod tests {
    use super::faults;

    /// Identity: one hot and one dead pixel are found by what they add; a smooth spectrum and a steep edge are not.
    #[test]
    fn a_hot_and_a_dead_pixel_stand_out_and_an_edge_does_not() {
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
