//! The reference spectrum: lines of the sun and of the air, convolved with the slit of the instrument.
//!
//! The source is ASTM G173-03: its extraterrestrial column for the lines of the sun, and the ratio of its direct to its
//! extraterrestrial column for those of the air (mainly oxygen). Both are convolved before any comparison: the minimum of the oxygen
//! band shifts by 2 nm with the bandwidth, so that minima cannot be compared with catalogued lines. Pure.

use crate::spectrum::g173::g173;

/// Step of the table [nm].
const STEP_NM: f64 = 0.1;
/// Range of the table [nm].
const SPAN_NM: (f64, f64) = (335.0, 790.0);
/// Distance from the centre at which the slit function is truncated, in widths.
const REACH: f64 = 2.0;

/// Logarithms of both on an equidistant grid.
#[derive(Clone, Debug, PartialEq)]
pub struct Reference {
    sun: Vec<f64>,
    air: Vec<f64>,
}

/// The logarithms at a wavelength, and their slopes [1/nm].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lines {
    /// Of the sun.
    pub sun: (f64, f64),
    /// Of the air at the air mass of the reference, 1.5.
    pub air: (f64, f64),
}

impl Reference {
    /// For a Gaussian slit with a width (FWHM) [nm]; `None` for a width that is not positive, or above 12 nm, where no line remains.
    pub fn new(fwhm_nm: f64) -> Option<Self> {
        if !(fwhm_nm > 0.0 && fwhm_nm <= 12.0) {
            return None;
        }
        let table = g173();
        let reach = (REACH * fwhm_nm / STEP_NM).ceil() as usize;
        let nodes = ((SPAN_NM.1 - SPAN_NM.0) / STEP_NM).round() as usize + 1;
        let at = |i: usize| SPAN_NM.0 + (i as f64 - reach as f64) * STEP_NM;
        let fine = |y: &[f64]| -> Vec<f64> {
            (0..nodes + 2 * reach)
                .map(|i| crate::numeric::interpolate_clamped(&table.wavelength_nm, y, at(i)))
                .collect()
        };
        let (top, direct) = (fine(&table.extraterrestrial), fine(&table.direct_normal));
        let sharpness = 4.0 * std::f64::consts::LN_2 / (fwhm_nm * fwhm_nm);
        let slit: Vec<f64> =
            (0..=2 * reach).map(|k| (-sharpness * ((k as f64 - reach as f64) * STEP_NM).powi(2)).exp()).collect();
        let seen = |y: &[f64], i: usize| slit.iter().zip(&y[i..]).map(|(w, y)| w * y).sum::<f64>();
        let sun: Vec<f64> = (0..nodes).map(|i| seen(&top, i).ln()).collect();
        let air = (0..nodes).map(|i| seen(&direct, i).ln() - sun[i]).collect();
        Some(Self { sun, air })
    }

    /// At a wavelength [nm]; `None` outside the table.
    pub fn at(&self, nm: f64) -> Option<Lines> {
        let place = (nm - SPAN_NM.0) / STEP_NM;
        if !(place >= 1.0 && place < (self.sun.len() - 2) as f64) {
            return None;
        }
        let (i, f) = (place as usize, place - place.floor());
        let of = |y: &[f64]| {
            let value = y[i] + f * (y[i + 1] - y[i]);
            let slope = |j: usize| (y[j + 1] - y[j - 1]) / (2.0 * STEP_NM);
            (value, slope(i) + f * (slope(i + 1) - slope(i)))
        };
        Some(Lines { sun: of(&self.sun), air: of(&self.air) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: apparent wavelength of the minimum of the oxygen A band in ASTM G173's global column under a Gaussian slit (computed
    /// with NumPy from pvlib 0.16.1's table): 760.92 nm at 2 nm, 762.28 nm at 5 nm, within a step of the table and a half.
    #[test]
    fn the_minimum_of_the_oxygen_band_depends_on_the_slit() {
        for (fwhm, want) in [(2.0, 760.92), (5.0, 762.28)] {
            let reference = Reference::new(fwhm).unwrap();
            let depth = |nm: f64| reference.at(nm).map_or(0.0, |l| l.sun.0 + l.air.0);
            let grid = (0..200).map(|i| 755.0 + 0.1 * f64::from(i));
            let lowest = grid.min_by(|a, b| depth(*a).total_cmp(&depth(*b))).unwrap();
            assert!((lowest - want).abs() < 0.15, "{fwhm} nm: want {want}, got {lowest}");
        }
        assert!(Reference::new(f64::NAN).is_none() && Reference::new(30.0).is_none());
        assert!(Reference::new(2.0).unwrap().at(f64::NAN).is_none());
    }
}
