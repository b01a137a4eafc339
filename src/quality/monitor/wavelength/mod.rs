//! Detects drift of the wavelength scale in the spectra of readings.
//!
//! In daylight, the lines of sun and air are compared with those of ASTM G173 through the instrument's slit ([`mod@reference`],
//! [`mod@fit`]); under lamps, their lines or pump peak are compared with their initial positions ([`peaks`]). Errors of the table, of
//! the slit shape and of the certificate are the same every day: the first days are the *baseline*, and drift is the change since. A
//! scale whose initial error exceeds that of the table is flagged as well. Pure. Invariant: a single deviating spectrum changes no
//! limit state.

pub mod fit;
mod lamps;
pub mod monitor;
pub mod peaks;
pub mod reference;

use crate::clock::UtcMicros;
use crate::numeric::median;
use crate::record::{LimitState, Transition};
pub use fit::Shift;
use fit::{FARTHEST_NM, STRETCHES};
use reference::Reference;

/// Apparent shift by errors of the table [nm].
const TABLE_NM: f64 = 0.05;
/// Standard uncertainty of a feature, at least [nm]: the effect of errors of the table changes with the elevation of the sun.
const LEAST_UNCERTAINTY_NM: f64 = 0.01;
/// Share of the limit up to which the uncertainty of a spectrum allows a check [1].
const CHECK_SHARE: f64 = 0.35;
/// Number of spectra of the baseline, at least.
const BASELINE_SPECTRA: u32 = 24;
/// Time span of the baseline, at least [s].
const BASELINE_S: f64 = 20.0 * 3600.0;
/// Number of recent spectra that are evaluated together, at most.
const RECENT: usize = 9;
/// Largest age of recent spectra [s].
const RECENT_S: f64 = 2.0 * 3600.0;
/// Consecutive spectra beyond the limit that confirm a drift.
const CONFIRMED_BY: usize = 3;
/// Number of spectra from which a shift is applied, at least.
const APPLIED_FROM: usize = 6;
/// Smallest change of the applied shift [nm]: each requires another axis.
const APPLIED_STEP_NM: f64 = 0.02;
/// Significance of a slope of the shift [standard uncertainties].
const SIGNIFICANT: f64 = 4.0;

/// The features that a wavelength scale is compared with.
#[derive(Clone, Debug)]
pub enum ReferenceSpectrum {
    /// Lines of sun and air.
    Daylight(Box<Reference>),
    /// Lines or peaks of a lamp.
    Lamp,
    /// None: the slit is too wide.
    None,
}

impl ReferenceSpectrum {
    /// For a station with or without sunlight and a slit width [nm].
    pub fn new(sunlit: bool, fwhm_nm: f64) -> Self {
        match (sunlit, Reference::new(fwhm_nm)) {
            (false, _) => Self::Lamp,
            (true, Some(reference)) => Self::Daylight(Box::new(reference)),
            (true, None) => Self::None,
        }
    }
}

/// A spectrum to be checked.
#[derive(Clone, Copy, Debug)]
pub struct Spectrum<'a> {
    /// Mean time.
    pub time: UtcMicros,
    /// Wavelengths [nm].
    pub wavelength_nm: &'a [f64],
    /// [W m⁻² nm⁻¹].
    pub irradiance: &'a [f64],
    /// [(W m⁻² nm⁻¹)²].
    pub variance: &'a [f64],
    /// Samples that may be used.
    pub usable: &'a [bool],
}

/// The baseline of one feature.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Feature {
    /// Initial position of a peak [nm]; 0 for a range of daylight.
    pub place_nm: f64,
    /// Mean wavelength [nm].
    pub centre_nm: f64,
    /// Sum of the shifts [nm].
    pub shift_sum_nm: f64,
    /// Number of spectra in the sum.
    pub spectra: u32,
}

impl Feature {
    fn baseline(&self) -> Option<f64> {
        (self.spectra >= BASELINE_SPECTRA / 4).then(|| self.shift_sum_nm / f64::from(self.spectra))
    }
}

/// The shift of one spectrum.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ShiftEstimate {
    /// Its time.
    pub time: UtcMicros,
    /// True wavelength minus that of the axis, minus the baseline [nm].
    pub nm: f64,
    /// Standard uncertainty [nm].
    pub uncertainty_nm: f64,
}

/// State of the wavelength monitor, saved over restarts.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct WavelengthDrift {
    /// The calibration that the state belongs to.
    pub calibration: String,
    /// The features with their baselines.
    pub features: Vec<Feature>,
    /// Start of the baseline.
    pub baseline_from: Option<UtcMicros>,
    /// Whether the baseline is complete.
    pub baseline_done: bool,
    /// Shifts of the recent spectra, oldest first.
    pub recent: Vec<ShiftEstimate>,
    /// The limit state.
    pub limit_state: LimitState,
    /// Largest shift since the limit was exceeded, and its standard uncertainty [nm]; 0 while within the limit.
    pub largest_nm: (f64, f64),
    /// Shift that is applied to the axis [nm]; 0 where it is only flagged.
    pub applied_nm: f64,
    /// Change of the shift over 100 nm, and its standard uncertainty [nm]; where the signal allows.
    pub stretch: Option<(f64, f64)>,
}

/// The limits of the wavelength monitor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Shift beyond which it is drift [nm].
    pub shift_nm: f64,
    /// Whether a shift is applied to the axis, not only flagged.
    pub apply: bool,
}

impl WavelengthDrift {
    /// Restarts with another calibration; returns whether it did, and the transition.
    pub fn set_calibration(&mut self, calibration: &str, now: UtcMicros) -> (bool, Option<Transition>) {
        if self.calibration == calibration {
            return (false, None);
        }
        let mut limit_state = self.limit_state;
        let transition = limit_state.restart(now);
        *self = Self { calibration: calibration.to_owned(), limit_state, ..Self::default() };
        (true, transition)
    }

    /// Restarts the features with another lamp, which has other lines.
    pub fn reset_features(&mut self) {
        self.features.clear();
        self.recent.clear();
        (self.baseline_from, self.baseline_done, self.stretch) = (None, false, None);
    }

    /// Median shift of the recent spectra and its standard uncertainty [nm]; `None` for too few spectra.
    pub fn shift(&self) -> Option<(f64, f64)> {
        if self.recent.len() < CONFIRMED_BY {
            return None;
        }
        let n = self.recent.len() as f64;
        let middle = median(self.recent.iter().map(|s| s.nm).collect())?;
        let mean_square = self.recent.iter().map(|s| s.uncertainty_nm.powi(2)).sum::<f64>() / n;
        // The uncertainty of a median is 1.25 times that of the mean.
        Some((middle, 1.25 * (mean_square / n).sqrt().max(LEAST_UNCERTAINTY_NM)))
    }

    /// Checks a spectrum; returns the transition of the limit state, if any.
    pub fn observe(
        &mut self,
        reference_spectrum: &ReferenceSpectrum,
        spectrum: &Spectrum<'_>,
        limits: &Limits,
    ) -> Option<Transition> {
        let shifts = self.measure(reference_spectrum, spectrum);
        let seen = self.estimate(&shifts, spectrum.time)?;
        if !(seen.uncertainty_nm <= CHECK_SHARE * limits.shift_nm) {
            return None;
        }
        self.recent.retain(|s| spectrum.time.seconds_since(s.time) <= RECENT_S && s.time < spectrum.time);
        if self.recent.len() >= RECENT {
            self.recent.remove(0);
        }
        self.recent.push(seen);
        self.extend_baseline(&shifts, spectrum.time);
        let transition = self.check(seen, limits);
        if limits.apply {
            self.apply_shift();
        }
        transition
    }

    fn measure(&mut self, reference_spectrum: &ReferenceSpectrum, s: &Spectrum<'_>) -> Vec<Option<Shift>> {
        match reference_spectrum {
            ReferenceSpectrum::None => Vec::new(),
            ReferenceSpectrum::Daylight(reference) => {
                if self.features.len() != STRETCHES.len() {
                    let feature = |from: f64, to: f64| Feature { centre_nm: 0.5 * (from + to), ..Feature::default() };
                    self.features = STRETCHES.iter().map(|x| feature(x.from, x.to)).collect();
                }
                let of = |stretch| fit::fit(reference, stretch, s.wavelength_nm, s.irradiance, s.variance, s.usable);
                STRETCHES.iter().map(|x| of(*x)).collect()
            }
            ReferenceSpectrum::Lamp => {
                if self.features.is_empty() {
                    let places = peaks::find(s.wavelength_nm, s.irradiance, s.variance, s.usable);
                    let feature = |nm: f64| Feature { place_nm: nm, centre_nm: nm, ..Feature::default() };
                    self.features = places.into_iter().map(feature).collect();
                }
                let places: Vec<f64> = self.features.iter().map(|m| m.place_nm).collect();
                peaks::moved(s.wavelength_nm, s.irradiance, s.variance, s.usable, &places)
            }
        }
    }

    /// The shift over all features, relative to their baselines, or to the table before the baseline is complete.
    fn estimate(&mut self, shifts: &[Option<Shift>], time: UtcMicros) -> Option<ShiftEstimate> {
        let beginning = self.initial_offset_nm();
        let mut against: Vec<(f64, f64, f64)> = Vec::new();
        for (feature, shift) in self.features.iter().zip(shifts) {
            let Some(shift) = shift.filter(|s| s.nm.abs() <= FARTHEST_NM) else { continue };
            let zero = if self.baseline_done { feature.baseline() } else { Some(0.0) };
            let Some(zero) = zero else { continue };
            let variance = shift.uncertainty_nm.powi(2) + LEAST_UNCERTAINTY_NM.powi(2);
            against.push((feature.centre_nm, shift.nm - zero + beginning, 1.0 / variance));
        }
        let weight: f64 = against.iter().map(|a| a.2).sum();
        if !(weight > 0.0) {
            return None;
        }
        let mean = |f: &dyn Fn(&(f64, f64, f64)) -> f64| against.iter().map(|a| a.2 * f(a)).sum::<f64>() / weight;
        let nm = mean(&|a| a.1);
        let centre = mean(&|a| a.0);
        let wide = against.iter().map(|a| a.2 * (a.0 - centre).powi(2)).sum::<f64>();
        self.stretch = (self.baseline_done && against.len() >= 3 && wide > 0.0).then(|| {
            let slope = against.iter().map(|a| a.2 * (a.0 - centre) * (a.1 - nm)).sum::<f64>() / wide;
            (100.0 * slope, 100.0 / wide.sqrt())
        });
        Some(ShiftEstimate { time, nm, uncertainty_nm: weight.sqrt().recip() })
    }

    /// Initial error of the scale, where it exceeds what errors of the table can cause, otherwise 0 [nm].
    pub fn initial_offset_nm(&self) -> f64 {
        let known: Vec<f64> =
            self.features.iter().filter(|m| m.place_nm == 0.0).filter_map(Feature::baseline).collect();
        if !self.baseline_done || known.is_empty() {
            return 0.0;
        }
        let mean = known.iter().sum::<f64>() / known.len() as f64;
        if mean.abs() > 2.0 * TABLE_NM { mean } else { 0.0 }
    }

    fn extend_baseline(&mut self, shifts: &[Option<Shift>], time: UtcMicros) {
        if self.baseline_done {
            return;
        }
        let from = *self.baseline_from.get_or_insert(time);
        for (feature, shift) in self.features.iter_mut().zip(shifts) {
            if let Some(shift) = shift.filter(|s| s.uncertainty_nm < 0.1 && s.nm.abs() <= FARTHEST_NM) {
                // The baseline refers to the scale without the applied shift.
                feature.shift_sum_nm += shift.nm + self.applied_nm;
                feature.spectra += 1;
            }
        }
        let most = self.features.iter().map(|m| m.spectra).max().unwrap_or(0);
        self.baseline_done = most >= BASELINE_SPECTRA && time.seconds_since(from) >= BASELINE_S;
        if self.baseline_done {
            // Earlier shifts do not refer to the baseline.
            self.recent.clear();
        }
    }

    fn check(&mut self, seen: ShiftEstimate, limits: &Limits) -> Option<Transition> {
        // Before the baseline is complete, the shift contains errors of the table.
        let limit = if self.baseline_done { limits.shift_nm } else { limits.shift_nm + TABLE_NM };
        let beyond = self.recent.iter().rev().take_while(|s| s.nm.abs() > limit).count();
        let middle = self.shift();
        if beyond >= CONFIRMED_BY
            && let Some((m, u)) = middle.filter(|(m, u)| m.abs() > limit + u)
        {
            if m.abs() > self.largest_nm.0.abs() {
                self.largest_nm = (m, u);
            }
            return self.limit_state.check_failed(seen.time);
        }
        let clearly = seen.nm.abs() + 2.0 * seen.uncertainty_nm <= limit;
        // While within the limit one passing spectrum suffices; after it was exceeded, as many as confirm a drift.
        let back = self.recent.iter().rev().take_while(|s| s.nm.abs() <= limit).count() >= CONFIRMED_BY;
        if !(clearly && (self.limit_state.exceeded_since.is_none() || back)) {
            return None;
        }
        self.largest_nm = (0.0, 0.0);
        self.limit_state.check_passed(seen.time)
    }

    fn apply_shift(&mut self) {
        let Some((middle, _)) = self.shift().filter(|_| self.recent.len() >= APPLIED_FROM && self.baseline_done) else {
            return;
        };
        if middle.abs() >= APPLIED_STEP_NM && (self.applied_nm + middle).abs() <= FARTHEST_NM {
            self.applied_nm += middle;
            self.recent.clear();
        }
    }

    /// Change of the shift over 100 nm and its standard uncertainty [nm], where significant.
    pub fn significant_stretch(&self) -> Option<(f64, f64)> {
        self.stretch.filter(|(slope, u)| slope.abs() > SIGNIFICANT * u)
    }
}

#[cfg(test)]
mod tests;
