//! Selects the readings in which the wavelength scale is checked, and the samples of their spectra that are used. Pure.

use super::fit::STRETCHES;
use super::lamps::without_lamps;
use super::{Limits, ReferenceSpectrum, Spectrum, WavelengthDrift};
use crate::calibration::Calibration;
use crate::clock::UtcMicros;
use crate::config::LimitsConfig;
use crate::record::{Reading, Transition};
use crate::reduction::Reduced;

/// Elevation of the sun from which daylight has usable lines [degrees].
const LINES_FROM_DEG: f64 = 8.0;
/// Interval between checks while the scale is within its limit [s]: a scale drifts in jumps or over weeks, and a check requires a fit.
const CHECK_EVERY_S: f64 = 240.0;
/// Difference between brackets above which their light differs [1]: the step where they join looks like a line.
const BRACKET_STEP: f64 = 0.003;
/// The same for the peaks of a lamp, which are higher than lines are deep [1]: such a step shifts the centroid of a peak by 1/40 of its width.
const BRACKET_STEP_PEAKS: f64 = 0.01;

/// The wavelength drift with the reference spectrum of the calibration.
#[derive(Clone, Debug)]
pub struct WavelengthMonitor {
    /// The drift, saved over restarts.
    pub drift: WavelengthDrift,
    reference: ReferenceSpectrum,
    sunlit: bool,
}

/// A check of the scale.
#[derive(Clone, Debug, PartialEq)]
pub struct WavelengthCheck {
    /// Whether the state has to be saved: the baseline was completed, or the limit exceeded.
    pub save: bool,
    /// Samples that the check could use.
    pub usable: Vec<bool>,
    /// Shift by which the scale may be off [nm].
    pub shift_nm: f64,
}

impl WavelengthMonitor {
    /// With a saved state. sunlit: the station has sunlight.
    pub fn new(drift: WavelengthDrift, sunlit: bool) -> Self {
        Self { drift, reference: ReferenceSpectrum::None, sunlit }
    }

    /// Restarts with another calibration; returns whether it is another.
    pub fn observe_calibration(&mut self, calibration: &Calibration, now: UtcMicros) -> bool {
        let (restarted, _) = self.drift.set_calibration(&calibration.id, now);
        if restarted || matches!(self.reference, ReferenceSpectrum::None) {
            self.reference = ReferenceSpectrum::new(self.sunlit, calibration.wavelength.fwhm_nm);
        }
        restarted
    }

    /// Detects the lines again after a lamp was replaced.
    pub fn observe_lamp_replaced(&mut self) {
        if matches!(self.reference, ReferenceSpectrum::Lamp) {
            self.drift.reset_features();
        }
    }

    /// Checks the scale in a reading, where a check is due.
    pub fn observe_reading(
        &mut self,
        reading: &Reading,
        reduced: &Reduced,
        limits: &LimitsConfig,
    ) -> Option<WavelengthCheck> {
        if !self.is_due(reading, limits) {
            return None;
        }
        let scale = &reduced.scale;
        let mut usable = self.usable(reduced);
        let lamps = reduced.lamps.as_ref().filter(|_| self.sunlit);
        let sunlight = match lamps {
            None => None,
            Some(lamps) => {
                let rate = without_lamps(lamps, &reduced.rate, &scale.wavelength_nm, &mut usable)?;
                Some(rate.iter().enumerate().map(|(i, r)| r * reduced.per_rate(i)).collect::<Vec<f64>>())
            }
        };
        let spectrum = Spectrum {
            time: reading.time_mid,
            wavelength_nm: &scale.wavelength_nm,
            irradiance: sunlight.as_ref().unwrap_or(&reduced.irradiance),
            variance: &reduced.variance,
            usable: &usable,
        };
        let limits = Limits { shift_nm: limits.wavelength_drift_nm, apply: limits.wavelength_apply };
        let had_baseline = self.drift.baseline_done;
        let transition = self.drift.observe(&self.reference, &spectrum, &limits);
        let save = had_baseline != self.drift.baseline_done || matches!(transition, Some(Transition::Exceeded(_)));
        let shift_nm = self.drift.largest_nm.0.abs().max(limits.shift_nm);
        Some(WavelengthCheck { save, usable, shift_nm })
    }

    /// Whether a check is due. After a shift beyond the limit, every reading is checked.
    fn is_due(&self, reading: &Reading, limits: &LimitsConfig) -> bool {
        let low_sun = reading.sun_elevation.is_some_and(|e| e < LINES_FROM_DEG);
        let early = self.drift.recent.last().is_some_and(|s| {
            let quiet = s.nm.abs() <= limits.wavelength_drift_nm && self.drift.limit_state.exceeded_since.is_none();
            quiet && reading.time_mid.seconds_since(s.time).abs() < CHECK_EVERY_S
        });
        let without_lines = self.sunlit && low_sun;
        !early && !without_lines
    }

    fn usable(&self, reduced: &Reduced) -> Vec<bool> {
        let mut usable: Vec<bool> =
            reduced.scale.valid.iter().zip(&reduced.saturated).map(|(v, s)| *v && !*s).collect();
        let step = if matches!(self.reference, ReferenceSpectrum::Lamp) { BRACKET_STEP_PEAKS } else { BRACKET_STEP };
        if reduced.disagreement.is_some_and(|(d, u)| d.abs() > step.max(3.0 * u)) {
            exclude_bracket_joins(reduced, &mut usable);
        }
        usable
    }
}

/// Excludes the ranges in which the main bracket changes.
fn exclude_bracket_joins(reduced: &Reduced, usable: &mut [bool]) {
    let nm = &reduced.scale.wavelength_nm;
    let main = |i: usize| reduced.merge_weights.iter().position(|s| s[i] > 0.5);
    for stretch in STRETCHES {
        let inside: Vec<usize> = (0..nm.len()).filter(|i| nm[*i] >= stretch.from && nm[*i] <= stretch.to).collect();
        if inside.windows(2).any(|w| main(w[0]) != main(w[1])) {
            inside.iter().for_each(|i| usable[*i] = false);
        }
    }
}
