//! The flagged intervals of pixels with a confirmed anomaly: one for each that affects any quantity.
//!
//! Anomalies are detected in darks ([`super::pixels`]). The affected quantities are assessed in the light of a reading, and assessed again in
//! stronger light: a low sun has little light at the wavelengths where a single pixel has an effect. Pure.

use super::action::MonitorAction;
use super::dark_marking::{ASSESSED_FROM_PPFD, ASSESSED_WITHIN_S};
use super::intervals::FlaggedIntervals;
use super::pixels::{PixelAnomaly, PixelDrift};
use super::reported::ReportedState;
use super::unaffected::{Error, unaffected};
use crate::clock::UtcMicros;
use crate::config::LimitsConfig;
use crate::quantities::{self, Matrix};
use crate::record::{Event, Flag, FlaggedInterval, Reading};
use crate::reduction::{DarkModel, Reduced};
use std::collections::BTreeMap;

/// Factor to the light of the last assessment from which a pixel is assessed again [1].
const REASSESSMENT_FACTOR: f64 = 1.2;

/// The anomalies of pixels, and the assessments whose intervals are not stored yet.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PixelMonitor {
    /// The anomalies, saved over restarts.
    pub drift: PixelDrift,
    /// The dark model that pixels are compared with.
    pub baseline: Option<DarkModel>,
    assessed: BTreeMap<usize, Assessment>,
}

/// The assessment of a pixel.
#[derive(Clone, Debug, PartialEq)]
struct Assessment {
    /// Photon flux density of the reading [µmol m⁻² s⁻¹].
    ppfd: f64,
    /// The flagged interval of the pixel, not stored yet.
    interval: FlaggedInterval,
}

/// A reading in whose light effects are assessed.
#[derive(Clone, Copy, Debug)]
pub struct Light<'a> {
    /// The reading.
    pub reading: &'a Reading,
    /// Its spectrum.
    pub reduced: &'a Reduced,
    /// The weights of the quantities.
    pub matrix: &'a Matrix,
    /// The limits of the quantities.
    pub limits: &'a LimitsConfig,
    /// Photon flux density [µmol m⁻² s⁻¹].
    pub ppfd: f64,
}

impl Light<'_> {
    /// Whether the light is sufficient for an assessment.
    pub fn is_sufficient(&self) -> bool {
        self.ppfd >= ASSESSED_FROM_PPFD
    }

    /// Whether an interval affects a quantity that this instrument can measure.
    fn affects_any(&self, interval: &FlaggedInterval) -> bool {
        let measurable = |q: &usize| self.matrix.missing(*q).is_none();
        let mut quantities = (0..quantities::registry().len()).filter(measurable).map(|q| quantities::registry()[q].id);
        quantities.any(|id| interval.affects(id))
    }

    /// Whether a detection at this instant is assessed even without sufficient light.
    pub fn is_overdue(&self, detected: Option<UtcMicros>) -> bool {
        detected.is_some_and(|t| self.reading.time_mid.seconds_since(t) >= ASSESSED_WITHIN_S)
    }
}

impl PixelMonitor {
    /// With a saved state and its baseline. Without the baseline of the state, another one will be taken.
    pub fn new(mut drift: PixelDrift, baseline: Option<DarkModel>) -> Self {
        if baseline.is_none() {
            drift.baseline = None;
        }
        Self { drift, baseline, assessed: BTreeMap::new() }
    }

    /// Restarts with another calibration.
    pub fn observe_calibration(&mut self, id: &str) {
        self.drift.set_calibration(id);
        if self.drift.baseline.is_none() {
            self.baseline = None;
        }
    }

    /// Takes a fitted dark model as the baseline, where there is none and the model is sufficient; returns whether it did.
    pub fn observe_dark_model(&mut self, row: i64, model: &DarkModel, now: UtcMicros) -> bool {
        let taken = self.drift.take_baseline(row, model, now);
        if taken {
            self.baseline = Some(model.clone());
        }
        taken
    }

    /// Assesses which quantities anomalous pixels affect in this light. Returns the events of pixels without a flagged interval: those that affect
    /// no quantity, and those that are no longer anomalous.
    pub fn observe_light(
        &mut self,
        light: Light<'_>,
        intervals: &FlaggedIntervals,
        reported: &mut ReportedState,
    ) -> Vec<Event> {
        let mut events = self.remove_cleared(light.reading.time_end, intervals, reported);
        let is_due = |(pixel, anomaly): &(usize, &PixelAnomaly)| match reported.pixels.get(pixel) {
            Some(before) => light.is_sufficient() && light.ppfd >= REASSESSMENT_FACTOR * before,
            None => light.is_sufficient() || light.is_overdue(anomaly.exceeded_since),
        };
        let due: Vec<(usize, PixelAnomaly)> =
            self.drift.confirmed().filter(is_due).map(|(pixel, anomaly)| (pixel, *anomaly)).collect();
        for (pixel, anomaly) in due {
            let mut interval = self.interval_of(pixel, &anomaly, light, intervals);
            let known = reported.pixels.contains_key(&pixel);
            let affects = light.affects_any(&interval);
            let to_write = match intervals.of_pixel(pixel) {
                Some(open) => {
                    interval.unaffected.retain(|id| open.unaffected.contains(id));
                    interval.unaffected.len() < open.unaffected.len()
                }
                None => affects,
            };
            if to_write {
                self.assessed.insert(pixel, Assessment { ppfd: light.ppfd, interval });
                continue;
            }
            if !affects && !known {
                let text = format!("{}: {}, no quantity is affected", Flag::PixelFault.name(), interval.text);
                events.push(intervals.report(light.reading.time_end, text));
            }
            self.assessed.remove(&pixel);
            reported.pixels.insert(pixel, light.ppfd);
        }
        events
    }

    /// Removes reported pixels that are no longer anomalous. Returns the events of those without a flagged interval; the end of an interval has
    /// its own event.
    fn remove_cleared(
        &mut self,
        now: UtcMicros,
        intervals: &FlaggedIntervals,
        reported: &mut ReportedState,
    ) -> Vec<Event> {
        let anomalous = |pixel: usize| self.drift.confirmed().any(|(i, _)| i == pixel);
        let cleared: Vec<usize> = reported.pixels.keys().copied().filter(|i| !anomalous(*i)).collect();
        self.assessed.retain(|i, _| self.drift.confirmed().any(|(j, _)| j == *i));
        reported.pixels.retain(|i, _| !cleared.contains(i));
        let without_interval = cleared.iter().filter(|i| intervals.of_pixel(**i).is_none());
        without_interval.map(|i| intervals.report(now, cleared_text(*i))).collect()
    }

    /// The flagged interval of a pixel. It affects quantities by the deviation of its dark rate, which the darks in use may not contain, and by its
    /// deviation from its neighbours in this light.
    fn interval_of(
        &self,
        pixel: usize,
        anomaly: &PixelAnomaly,
        light: Light<'_>,
        intervals: &FlaggedIntervals,
    ) -> FlaggedInterval {
        let (scale, irradiance) = (&light.reduced.scale, &light.reduced.irradiance);
        let error_of_pixel = |value: f64| {
            let mut error = vec![0.0; irradiance.len()];
            if let Some(error) = error.get_mut(pixel).filter(|_| scale.valid[pixel]) {
                *error = value;
            }
            error
        };
        let rate = self.drift.rate_at(anomaly, light.reading.detector_temperature);
        let dark_error = error_of_pixel(rate * scale.inverse_response.get(pixel).copied().unwrap_or(0.0));
        let at = |i: usize| irradiance.get(i).copied().unwrap_or(0.0);
        let light_error = error_of_pixel(at(pixel) - 0.5 * (at(pixel.saturating_sub(1)) + at(pixel + 1)));
        let unaffected_by = |error: &[f64], kind| unaffected(light.matrix, irradiance, (error, kind), light.limits);
        let by_light = unaffected_by(&light_error, Error::Proportional);
        let mut unaffected = unaffected_by(&dark_error, Error::Additive);
        unaffected.retain(|id| by_light.contains(id));
        let nm = scale.wavelength_nm.get(pixel).copied().unwrap_or(f64::NAN);
        let (counts, integration_s) = (anomaly.counts, anomaly.integration_s);
        let text =
            format!("pixel {pixel} ({nm:.1} nm): {counts:+.0} counts from its dark baseline in {integration_s:.3} s");
        let from = anomaly.exceeded_since.unwrap_or(light.reading.time_mid);
        let interval = intervals.new_interval(Flag::PixelFault, (from, None), unaffected, text);
        FlaggedInterval { pixel: Some(pixel), ..interval }
    }

    /// Ends the intervals of pixels that are no longer anomalous; opens and widens those of assessed pixels.
    pub fn actions(&self, intervals: &FlaggedIntervals, now: UtcMicros) -> Vec<MonitorAction> {
        let anomalous = |pixel: Option<usize>| self.drift.confirmed().any(|(i, _)| Some(i) == pixel);
        let over = intervals.open().iter().filter(|s| s.flag == Flag::PixelFault && !anomalous(s.pixel));
        let end = |s: &FlaggedInterval| {
            let text = s.pixel.map_or_else(|| format!("{}: over", Flag::PixelFault.name()), cleared_text);
            MonitorAction::End { id: s.id, until: now, report: intervals.report(now, text) }
        };
        let write = |(pixel, assessment): (&usize, &Assessment)| match intervals.of_pixel(*pixel) {
            Some(open) => MonitorAction::Widen {
                id: open.id,
                from: open.from,
                unaffected: assessment.interval.unaffected.clone(),
            },
            None => intervals.open_action(assessment.interval.clone(), now),
        };
        over.map(end).chain(self.assessed.iter().map(write)).collect()
    }

    /// The caller has written the interval of an assessed pixel.
    pub fn written(&mut self, pixel: usize, reported: &mut ReportedState) {
        if let Some(assessment) = self.assessed.remove(&pixel) {
            reported.pixels.insert(pixel, assessment.ppfd);
        }
    }
}

fn cleared_text(pixel: usize) -> String {
    format!("{}: pixel {pixel} is at its dark baseline again", Flag::PixelFault.name())
}
