//! Drift of the wavelength scale, seen in the light that is measured anyway.
//!
//! By daylight the lines of sun and air are compared with ASTM G173's through the instrument's own slit ([`mod@reference`],
//! [`mod@fit`]); at lamps their own lines or pump peak with where those stood at first ([`peaks`]). What a table, a slit that is
//! no Gaussian or a certificate has wrong shows alike every day: the first days are the *baseline*, and drift is what has
//! changed since. A scale that is off from the beginning by more than the table can be is flagged too.
//!
//! Pure: a reading's spectrum in, a state and a turn out. What must stay true: one odd spectrum turns nothing.

pub mod fit;
pub mod monitor;
pub mod peaks;
pub mod reference;

use crate::clock::UtcMicros;
use crate::numeric::median;
use crate::record::{LimitState, Transition};
pub use fit::Shift;
use fit::{FARTHEST_NM, STRETCHES};
use reference::Reference;

/// What one table and another, or the table and the sun, may make the same spectrum differ by [nm].
const TABLE_NM: f64 = 0.05;
/// A feature has an uncertainty of at least this, whatever its noise says [nm]: what the table has wrong moves a little with the
/// height of the sun.
const LEAST_UNCERTAINTY_NM: f64 = 0.01;
/// A spectrum with a larger uncertainty than this share of the limit is no check.
const CHECK_SHARE: f64 = 0.35;
/// Spectra the baseline rests on, at least …
const BASELINE_SPECTRA: u32 = 24;
/// … and the time they span, at least [s].
const BASELINE_S: f64 = 20.0 * 3600.0;
/// Spectra that are looked at together, at most, and no older than [`RECENT_S`].
const RECENT: usize = 9;
/// [s].
const RECENT_S: f64 = 2.0 * 3600.0;
/// Spectra past the limit that make a finding.
const CONFIRMED_BY: usize = 3;
/// Spectra a shift that is applied rests on.
const APPLIED_FROM: usize = 6;
/// A shift smaller than this is not worth another axis [nm].
const APPLIED_STEP_NM: f64 = 0.02;
/// A slope of the shift is told from this many of its uncertainties on.
const SIGNIFICANT: f64 = 4.0;

/// What features a scale is held against.
#[derive(Clone, Debug)]
pub enum ReferenceSpectrum {
    /// Lines of sun and air.
    Daylight(Box<Reference>),
    /// Lines or peaks of a lamp.
    Lamp,
    /// A slit too wide for any.
    None,
}

impl ReferenceSpectrum {
    /// For light with or without a sun, through a slit [nm].
    pub fn new(sunlit: bool, fwhm_nm: f64) -> Self {
        match (sunlit, Reference::new(fwhm_nm)) {
            (false, _) => Self::Lamp,
            (true, Some(reference)) => Self::Daylight(Box::new(reference)),
            (true, None) => Self::None,
        }
    }
}

/// A spectrum to be looked at.
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

/// One feature's baseline.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Feature {
    /// Where a peak stood at first [nm]; 0 for a stretch of daylight.
    pub place_nm: f64,
    /// Mean wavelength of what it tells of [nm].
    pub centre_nm: f64,
    /// Sum of its shifts [nm].
    pub shift_sum_nm: f64,
    /// Spectra in the sum.
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
    /// When.
    pub time: UtcMicros,
    /// True wavelength less the axis's, less the baseline [nm].
    pub nm: f64,
    /// Standard uncertainty [nm].
    pub uncertainty_nm: f64,
}

/// The tracker, persisted over restarts.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct WavelengthDrift {
    /// The calibration it watches.
    pub calibration: String,
    /// The features with their baselines.
    pub features: Vec<Feature>,
    /// When the baseline began.
    pub baseline_from: Option<UtcMicros>,
    /// Whether it is complete.
    pub baseline_done: bool,
    /// The newest spectra, oldest first.
    pub recent: Vec<ShiftEstimate>,
    /// Against the limit.
    pub limit_state: LimitState,
    /// The largest shift seen since it is past its limit, and its standard uncertainty [nm]; zero while it is within.
    pub largest_nm: (f64, f64),
    /// Shift that is applied to the axis [nm]; 0 where it is only flagged.
    pub applied_nm: f64,
    /// Change of the shift over 100 nm, and its standard uncertainty [nm]; where the signal allows.
    pub stretch: Option<(f64, f64)>,
}

/// What the tracker is held to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Shift past which it is drift [nm].
    pub shift_nm: f64,
    /// Whether a shift is applied rather than only flagged.
    pub apply: bool,
}

impl WavelengthDrift {
    /// Begins anew with another calibration; true when it did.
    pub fn set_calibration(&mut self, calibration: &str, now: UtcMicros) -> (bool, Option<Transition>) {
        if self.calibration == calibration {
            return (false, None);
        }
        let mut limit_state = self.limit_state;
        let turn = limit_state.restart(now);
        *self = Self { calibration: calibration.to_owned(), limit_state, ..Self::default() };
        (true, turn)
    }

    /// Begins anew with other light: a lamp's own lines are its features.
    pub fn reset_features(&mut self) {
        self.features.clear();
        self.recent.clear();
        (self.baseline_from, self.baseline_done, self.stretch) = (None, false, None);
    }

    /// The shift now, over the newest spectra [nm], and its standard uncertainty; `None` before there are enough.
    pub fn shift(&self) -> Option<(f64, f64)> {
        if self.recent.len() < CONFIRMED_BY {
            return None;
        }
        let n = self.recent.len() as f64;
        let middle = median(self.recent.iter().map(|s| s.nm).collect())?;
        let mean_square = self.recent.iter().map(|s| s.uncertainty_nm.powi(2)).sum::<f64>() / n;
        // A median of n is 1.25 times as uncertain as their mean.
        Some((middle, 1.25 * (mean_square / n).sqrt().max(LEAST_UNCERTAINTY_NM)))
    }

    /// Looks at a spectrum. `None` where it tells nothing.
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
        let turn = self.check(seen, limits);
        if limits.apply {
            self.apply_shift();
        }
        turn
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

    /// All features together, against their baselines; before those are known, as the table has them.
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

    /// How far the scale was off when the baseline was taken, where that is more than the table can be [nm].
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
                // The axis may have been moved meanwhile; the baseline is the uncorrected scale's.
                feature.shift_sum_nm += shift.nm + self.applied_nm;
                feature.spectra += 1;
            }
        }
        let most = self.features.iter().map(|m| m.spectra).max().unwrap_or(0);
        self.baseline_done = most >= BASELINE_SPECTRA && time.seconds_since(from) >= BASELINE_S;
        if self.baseline_done {
            // What was seen before had other zeros.
            self.recent.clear();
        }
    }

    fn check(&mut self, seen: ShiftEstimate, limits: &Limits) -> Option<Transition> {
        // Until the baseline is known, the table may be off as well.
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
        // One that passes is enough to go on passing; to come back, as many as it takes to fail.
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

    /// The slope of the shift over 100 nm, where it stands out [nm].
    pub fn significant_stretch(&self) -> Option<(f64, f64)> {
        self.stretch.filter(|(slope, u)| slope.abs() > SIGNIFICANT * u)
    }
}

#[cfg(test)]
mod tests;
