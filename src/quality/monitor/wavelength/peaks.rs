//! The lines of a lamp, or the peak of the light that pumps it, where there is no daylight to look at.
//!
//! A peak's place is the centroid of what stands above half of its height, which moves smoothly where the highest sample jumps.
//! What must stay true: a lamp whose own peak moves looks like a scale that moves; whoever shows this says so.

use super::fit::Shift;

/// Peaks that are followed at most.
pub const MOST_PEAKS: usize = 6;
/// Peaks wider than this at half height are too flat to tell a shift [nm].
const WIDEST_NM: f64 = 40.0;
/// How far a peak may move and still be the same [nm].
const NEAR_NM: f64 = 6.0;
/// A peak's height over its noise, at least.
const LEAST_SIGNAL: f64 = 50.0;

/// A peak: its centroid and its width at half height [nm].
#[derive(Clone, Copy, Debug, PartialEq)]
struct Peak {
    place: Shift,
    height: f64,
}

/// Places of the strongest narrow peaks, rising [nm].
pub fn find(nm: &[f64], irradiance: &[f64], variance: &[f64], usable: &[bool]) -> Vec<f64> {
    let mut peaks = all(nm, irradiance, variance, usable);
    peaks.sort_by(|a, b| b.height.total_cmp(&a.height));
    peaks.truncate(MOST_PEAKS);
    let mut places: Vec<f64> = peaks.iter().map(|p| p.place.nm).collect();
    places.sort_by(f64::total_cmp);
    places
}

/// By how much the peaks that stood at `places` have moved: on the scale they now stand elsewhere, so the scale is off by
/// the opposite. `None` for one that is not to be seen.
pub fn moved(nm: &[f64], irradiance: &[f64], variance: &[f64], usable: &[bool], places: &[f64]) -> Vec<Option<Shift>> {
    let peaks = all(nm, irradiance, variance, usable);
    let off = |place: f64| {
        let nearest = peaks.iter().min_by(|a, b| (a.place.nm - place).abs().total_cmp(&(b.place.nm - place).abs()))?;
        let moved = nearest.place.nm - place;
        (moved.abs() <= NEAR_NM).then_some(Shift { nm: -moved, uncertainty_nm: nearest.place.uncertainty_nm })
    };
    places.iter().map(|p| off(*p)).collect()
}

fn all(nm: &[f64], irradiance: &[f64], variance: &[f64], usable: &[bool]) -> Vec<Peak> {
    let n = nm.len().min(irradiance.len()).min(variance.len()).min(usable.len());
    let top = (0..n).filter(|i| usable[*i]).map(|i| irradiance[i]).fold(0.0, f64::max);
    let mut peaks = Vec::new();
    let mut i = 1;
    while i + 1 < n {
        let height = irradiance[i];
        let strong = height > 0.05 * top && height > LEAST_SIGNAL * variance[i].sqrt();
        if !(usable[i] && strong) {
            i += 1;
            continue;
        }
        // The run above half of the height; its highest sample has to be this one, or the peak is another's.
        let above = |j: usize| usable[j] && irradiance[j] > 0.5 * height;
        let left = (0..i).rev().take_while(|j| above(*j)).last().unwrap_or(i);
        let right = (i + 1..n).take_while(|j| above(*j)).last().unwrap_or(i);
        let whole = left > 0 && right + 1 < n && usable[left - 1] && usable[right + 1];
        let highest = (left..=right).all(|j| irradiance[j] <= height);
        if whole && highest && nm[right] - nm[left] <= WIDEST_NM && right > left + 1 {
            let over = |j: usize| irradiance[j] - 0.5 * height;
            let area: f64 = (left..=right).map(over).sum();
            let place = (left..=right).map(|j| nm[j] * over(j)).sum::<f64>() / area;
            let spread: f64 = (left..=right).map(|j| (nm[j] - place).powi(2) * variance[j]).sum();
            let place = Shift { nm: place, uncertainty_nm: spread.sqrt() / area };
            peaks.push(Peak { place, height });
            i = right + 1;
        } else {
            i += 1;
        }
    }
    peaks
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: a pump peak beside a broad phosphor is found, the phosphor is not, and a moved scale comes back.
    #[test]
    fn the_pump_peak_tells_a_moved_scale_and_the_phosphor_is_left_alone() {
        let light = |nm: f64| (-((nm - 450.0) / 13.0).powi(2)).exp() + 0.4 * (-((nm - 565.0) / 60.0).powi(2)).exp();
        let scale: Vec<f64> = (0..2000).map(|i| 300.0 + 0.38 * f64::from(i)).collect();
        let seen: Vec<f64> = scale.iter().map(|nm| light(*nm)).collect();
        let (variance, usable) = (vec![1e-6; 2000], vec![true; 2000]);
        let places = find(&scale, &seen, &variance, &usable);
        assert_eq!(places.len(), 1, "{places:?}");
        assert!((places[0] - 450.0).abs() < 0.3, "{places:?}");
        // True wavelengths are 0.2 nm above what the scale says.
        let seen: Vec<f64> = scale.iter().map(|nm| light(nm + 0.2)).collect();
        let got = moved(&scale, &seen, &variance, &usable, &places)[0].unwrap();
        assert!((got.nm - 0.2).abs() < 5e-3 && got.uncertainty_nm < 0.01, "{got:?}");
        assert_eq!(moved(&scale, &vec![0.0; 2000], &variance, &usable, &places), [None]);
    }

    /// Identity: lines of a discharge lamp (mercury's at 404.66, 435.83 and 546.07 nm in air; rascal 0.3.11, arc_lines/hg.csv, has
    /// them in vacuum, from NIST) through a slit of 2 nm, on a weak continuum: each is found, and each tells by how much the scale
    /// has moved.
    #[test]
    fn the_lines_of_a_discharge_lamp_each_tell_a_moved_scale() {
        let sharp = 4.0 * std::f64::consts::LN_2 / 4.0;
        let light = |nm: f64| {
            let line = |at: f64, height: f64| height * (-sharp * (nm - at) * (nm - at)).exp();
            line(404.66, 0.4) + line(435.83, 1.0) + line(546.07, 0.8) + 0.02 * (-((nm - 600.0) / 80.0).powi(2)).exp()
        };
        let scale: Vec<f64> = (0..2000).map(|i| 300.0 + 0.38 * f64::from(i)).collect();
        let seen = |shift: f64| scale.iter().map(|nm| light(nm + shift)).collect::<Vec<f64>>();
        let (variance, usable) = (vec![1e-7; 2000], vec![true; 2000]);
        let places = find(&scale, &seen(0.0), &variance, &usable);
        assert_eq!(places.iter().map(|nm| nm.round()).collect::<Vec<f64>>(), [405.0, 436.0, 546.0]);
        for shift in [0.1, -0.3] {
            for got in moved(&scale, &seen(shift), &variance, &usable, &places) {
                assert!(got.is_some_and(|s| (s.nm - shift).abs() < 0.03), "want {shift}, got {got:?}");
            }
        }
    }
}
