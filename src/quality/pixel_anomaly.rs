//! Detects faulty pixels and hits of particles in a spectrum: what is narrower than the slit is no light.
//!
//! Light reaches the pixels through a slit several pixels wide, which limits how quickly a spectrum rises and falls. Let a feature of
//! w pixels rise by u from the pixel before it and fall by d to the pixel after it. For light of any spectrum through a triangular slit
//! with a full width at half maximum of s pixels, (u + d) / 2 ≤ E / (s − w/2), where E is the irradiance of the feature (the difference
//! of the slit's slopes, integrated over a spectrum that is nowhere negative); a Gaussian slit stays below it. Pure.

use std::ops::Range;

/// Significance of a deviation [standard deviations of its noise].
const SIGNIFICANCE: f64 = 8.0;
/// Widest feature that is tested, as a share of the slit's width [1].
const OF_SLIT: f64 = 0.6;
/// Margin on the limit of the slit, whose width and shape are not known exactly [1].
const MARGIN: f64 = 1.25;
/// A dead pixel has at most this share of the irradiance of both neighbours [1].
const DEAD: f64 = 0.5;
/// Features that are tested together.
const BLOCK: usize = 32;

/// The errors of faulty pixels, pixel by pixel [W m⁻² nm⁻¹]: their deviations from the mean of the pixels beside them, and 0 elsewhere;
/// `None` where no pixel is faulty.
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
    // Wide features first: the error of a pixel is that of the narrowest feature that it is part of.
    for width in (1..=(OF_SLIT * slit_pixels) as usize).rev() {
        let limit = MARGIN / (slit_pixels - 0.5 * width as f64);
        for feature in features(irradiance, variance, width, limit) {
            if !feature.clone().all(&comparable) {
                continue;
            }
            let beside = 0.5 * (irradiance[feature.start - 1] + irradiance[feature.end]);
            let errors = errors.get_or_insert_with(|| vec![0.0; irradiance.len()]);
            feature.for_each(|i| errors[i] = irradiance[i] - beside);
        }
    }
    errors
}

/// Features of a width that no light has: higher than the limit of the slit allows, or a dead pixel.
fn features(irradiance: &[f64], variance: &[f64], width: usize, limit: f64) -> Vec<Range<usize>> {
    let span = width + 2;
    let mut found = Vec::new();
    for start in (0..irradiance.len().saturating_sub(span - 1)).step_by(BLOCK) {
        // Hardly any pixel is faulty: a whole block is tested first, without branches.
        let end = irradiance.len().min(start + BLOCK + span - 1);
        let block = irradiance[start..end].windows(span).zip(variance[start..end].windows(span));
        if block.clone().fold(false, |any, (light, variance)| any | is_no_light(light, variance, limit)) {
            let places = block.enumerate().filter(|(_, (light, variance))| is_no_light(light, variance, limit));
            found.extend(places.map(|(k, _)| start + k + 1..start + k + 1 + width));
        }
    }
    found
}

/// Whether the pixels between the first and the last one cannot be light. Compares squares, which saves square roots.
#[inline(always)]
fn is_no_light(light: &[f64], variance: &[f64], limit: f64) -> bool {
    let (left, right, inner) = (light[0], light[light.len() - 1], &light[1..light.len() - 1]);
    let (first, last) = (inner[0], inner[inner.len() - 1]);
    let highest = inner.iter().fold(0.0_f64, |highest, e| highest.max(*e));
    let lowest = inner.iter().fold(f64::INFINITY, |lowest, e| lowest.min(*e));
    let mean_rise = 0.5 * (first + last - left - right);
    // Not a narrower feature with pixels beside it, nor an edge.
    let is_whole = lowest - left.max(right) >= 0.5 * mean_rise;
    let rise = if is_whole { mean_rise - limit * highest } else { -1.0 };
    let dead = if inner.len() == 1 { DEAD * left.min(right) - first } else { -1.0 };
    let inner = &variance[1..variance.len() - 1];
    // Of the mean rise: a single pixel counts twice.
    let own = if inner.len() == 1 { inner[0] } else { 0.25 * (inner[0] + inner[inner.len() - 1]) };
    let least_square = SIGNIFICANCE * SIGNIFICANCE * (own + 0.25 * (variance[0] + variance[variance.len() - 1]));
    ((rise > 0.0) & (rise * rise >= least_square)) | ((dead > 0.0) & (dead * dead >= least_square))
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

    /// Identity: a particle that hits two or three pixels.
    #[test]
    fn a_hit_of_several_pixels_is_detected() {
        let variance = vec![1e-6; 200];
        for (first, width) in [(60, 2), (61, 2), (62, 3), (31, 2), (196, 3)] {
            let mut hit = vec![1.0; 200];
            hit[first..first + width].iter_mut().for_each(|e| *e += 0.6);
            let effect = faults(&hit, &variance, |_| true, 5.3).unwrap();
            let found: Vec<usize> = (0..200).filter(|i| effect[*i] != 0.0).collect();
            assert_eq!(found, (first..first + width).collect::<Vec<_>>());
            assert!(found.iter().all(|i| (effect[*i] - 0.6).abs() < 1e-9));
        }
    }

    /// Independent: a bright line without background through Gaussian and triangular slits, at any place between the pixels.
    #[test]
    fn the_narrowest_light_is_no_fault() {
        let gauss = |x: f64| (-4.0 * std::f64::consts::LN_2 * x * x).exp();
        let triangle = |x: f64| (1.0 - x.abs()).max(0.0);
        let slits: [&dyn Fn(f64) -> f64; 2] = [&gauss, &triangle];
        for slit_pixels in [3.0, 4.2, 5.3, 9.0] {
            for slit in slits {
                for tenth in 0..10 {
                    let centre = 50.0 + 0.1 * f64::from(tenth);
                    let line: Vec<f64> = (0..100).map(|i| slit((f64::from(i) - centre) / slit_pixels)).collect();
                    assert_eq!(faults(&line, &vec![1e-12; 100], |_| true, slit_pixels), None, "{slit_pixels} {tenth}");
                }
            }
        }
    }
}
