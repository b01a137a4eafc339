//! The lines of a lamp, or its pump peak, as features of the wavelength scale without daylight.
//!
//! The position of a peak is the centroid of its part above half of the height, which changes smoothly with the scale, unlike the
//! highest sample. A shift of the lamp's own peak cannot be distinguished from a shift of the scale; messages name both causes.
//! Pure.

use super::fit::Shift;

/// Number of peaks, at most.
pub const MOST_PEAKS: usize = 6;
/// Largest width of a peak at half height [nm]; wider ones are too flat.
const WIDEST_NM: f64 = 40.0;
/// Largest shift of a peak that is identified with an earlier one [nm].
const NEAR_NM: f64 = 6.0;
/// Least signal-to-noise ratio of a peak [1].
const LEAST_SIGNAL: f64 = 50.0;

/// A peak: its centroid and its height.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Peak {
    place: Shift,
    height: f64,
}

/// Positions of the strongest narrow peaks, ascending [nm].
pub fn find(nm: &[f64], irradiance: &[f64], variance: &[f64], usable: &[bool]) -> Vec<f64> {
    let mut peaks = all(nm, irradiance, variance, usable);
    peaks.sort_by(|a, b| b.height.total_cmp(&a.height));
    peaks.truncate(MOST_PEAKS);
    let mut places: Vec<f64> = peaks.iter().map(|p| p.place.nm).collect();
    places.sort_by(f64::total_cmp);
    places
}

/// Shifts of the scale from the peaks that were at `places`: the opposite of their displacement. `None` for a peak that is not found.
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
        // The samples above half of the height; this sample has to be the highest of them.
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

    /// Identity: the shift of the scale is recovered.
    #[test]
    fn the_pump_peak_of_a_phosphor_lamp_shows_a_shift_and_the_phosphor_is_ignored() {
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
    /// them in vacuum, from NIST) through a slit of 2 nm, on a weak continuum: each recovers the shift.
    #[test]
    fn each_line_of_a_discharge_lamp_shows_a_shift_of_the_scale() {
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
