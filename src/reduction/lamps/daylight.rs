//! The reference sun through the slit of an instrument, with the lines that daylight has in every atmosphere.

use crate::numeric::interpolate_clamped;
use crate::spectrum::g173::g173;

/// Step of the table [nm].
const STEP_NM: f64 = 0.25;
/// Wavelengths of the table [nm].
const FROM_NM: f64 = 390.0;
const TO_NM: f64 = 720.0;

/// Global irradiance of ASTM G173-03, seen through a slit.
#[derive(Clone, Debug, PartialEq)]
pub struct Daylight {
    values: Vec<f64>,
}

impl Daylight {
    /// Through a triangular slit of a full width at half maximum [nm]; without a positive width as in the table.
    pub fn new(fwhm_nm: f64) -> Self {
        let table = g173();
        let at = |nm: f64| interpolate_clamped(&table.wavelength_nm, &table.global_tilt, nm);
        let reach = if fwhm_nm > 0.0 { (fwhm_nm / STEP_NM).ceil() as i32 } else { 0 };
        let slit: Vec<(f64, f64)> = (-reach..=reach)
            .map(|k| f64::from(k) * STEP_NM)
            .map(|d| (d, if reach > 0 { (1.0 - d.abs() / fwhm_nm).max(0.0) } else { 1.0 }))
            .collect();
        let sum: f64 = slit.iter().map(|(_, w)| w).sum();
        let nodes = ((TO_NM - FROM_NM) / STEP_NM) as usize + 1;
        let seen = |i: usize| {
            let nm = FROM_NM + STEP_NM * i as f64;
            slit.iter().map(|(d, w)| w * at(nm + d)).sum::<f64>() / sum
        };
        Self { values: (0..nodes).map(seen).collect() }
    }

    /// At a wavelength [nm], [W m⁻² nm⁻¹]; constant beyond the table.
    pub fn at(&self, nm: f64) -> f64 {
        let place = ((nm - FROM_NM) / STEP_NM).clamp(0.0, (self.values.len() - 2) as f64);
        let (i, share) = (place as usize, place.fract());
        self.values[i] + share * (self.values[i + 1] - self.values[i])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: without a slit it is the table; through one, lines are less deep and no light is lost.
    #[test]
    fn a_wide_slit_fills_the_lines() {
        let (narrow, wide) = (Daylight::new(0.0), Daylight::new(4.0));
        let table = g173();
        let exact = |nm: f64| interpolate_clamped(&table.wavelength_nm, &table.global_tilt, nm);
        for nm in [400.0, 430.5, 589.0, 687.0] {
            assert!((narrow.at(nm) - exact(nm)).abs() < 1e-9, "{nm}");
        }
        // The G band of CH at 430.5 nm and the oxygen B band at 687 nm are less deep through the slit.
        for (line, beside) in [(430.5, 434.5), (687.0, 683.0)] {
            let depth = |d: &Daylight| 1.0 - d.at(line) / d.at(beside);
            assert!(
                depth(&wide) < 0.8 * depth(&narrow) && depth(&wide) > 0.0,
                "{line} nm: {} {}",
                depth(&wide),
                depth(&narrow)
            );
        }
        let total = |d: &Daylight| (0..1000).map(|i| d.at(420.0 + 0.25 * f64::from(i))).sum::<f64>();
        assert!((total(&wide) / total(&narrow) - 1.0).abs() < 2e-3, "a slit keeps the light");
    }
}
