//! The flagged intervals of pixels that left their dark baseline: one for each, where it affects any quantity.
//!
//! Darks find such a pixel; what it affects is judged in the light of a reading, and judged again when there is more light: a low sun has little of
//! the wavelengths where one pixel matters.

use super::action::MonitorAction;
use super::dark_marking::{JUDGED_FROM_PPFD, JUDGED_WITHIN_S};
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

/// A pixel is judged again when the light is this many times what it was judged in [1].
const JUDGED_AGAIN: f64 = 1.2;

/// The anomalies of pixels, and those that are judged but whose intervals are not stored yet.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PixelMonitor {
    /// The anomalies, saved over restarts.
    pub drift: PixelDrift,
    /// The dark model that pixels are compared with.
    pub baseline: Option<DarkModel>,
    judged: BTreeMap<usize, Judged>,
}

/// What a pixel affects.
#[derive(Clone, Debug, PartialEq)]
struct Judged {
    /// The light it was judged in [µmol m⁻² s⁻¹].
    light: f64,
    /// Its flagged interval, not stored yet.
    interval: FlaggedInterval,
}

/// A reading in whose light pixels are judged.
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
    /// Whether there is enough light to judge in.
    pub fn is_sufficient(&self) -> bool {
        self.ppfd >= JUDGED_FROM_PPFD
    }

    /// Whether an interval affects a quantity that this instrument can measure.
    fn affects_any(&self, interval: &FlaggedInterval) -> bool {
        let measurable = |q: &usize| self.matrix.missing(*q).is_none();
        let mut quantities = (0..quantities::registry().len()).filter(measurable).map(|q| quantities::registry()[q].id);
        quantities.any(|id| interval.touches(id))
    }

    /// Whether what was found at an instant is not to wait for light any longer.
    pub fn is_overdue(&self, found: Option<UtcMicros>) -> bool {
        found.is_some_and(|t| self.reading.time_mid.seconds_since(t) >= JUDGED_WITHIN_S)
    }
}

impl PixelMonitor {
    /// With a saved state and its baseline. A state whose baseline cannot be had learns another one.
    pub fn new(mut drift: PixelDrift, baseline: Option<DarkModel>) -> Self {
        if baseline.is_none() {
            drift.baseline = None;
        }
        Self { drift, baseline, judged: BTreeMap::new() }
    }

    /// Restarts with another calibration.
    pub fn observe_calibration(&mut self, id: &str) {
        self.drift.set_calibration(id);
        if self.drift.baseline.is_none() {
            self.baseline = None;
        }
    }

    /// Takes a fitted dark model as the baseline, where there is none and it is good enough; answers whether it did.
    pub fn observe_dark_model(&mut self, row: i64, model: &DarkModel, now: UtcMicros) -> bool {
        let taken = self.drift.take_baseline(row, model, now);
        if taken {
            self.baseline = Some(model.clone());
        }
        taken
    }

    /// Judges what anomalous pixels affect in this light. Answers with the events of those without a flagged interval: that affect nothing, or are
    /// no longer anomalous.
    pub fn observe_light(
        &mut self,
        light: Light<'_>,
        intervals: &FlaggedIntervals,
        reported: &mut ReportedState,
    ) -> Vec<Event> {
        let mut events = self.forget_cleared(light.reading.time_end, intervals, reported);
        let is_due = |(pixel, anomaly): &(usize, &PixelAnomaly)| match reported.pixels.get(pixel) {
            Some(before) => light.is_sufficient() && light.ppfd >= JUDGED_AGAIN * before,
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
                self.judged.insert(pixel, Judged { light: light.ppfd, interval });
                continue;
            }
            if !affects && !known {
                let text = format!("{}: {}, no quantity is affected", Flag::PixelFault.name(), interval.text);
                events.push(intervals.report(light.reading.time_end, text));
            }
            self.judged.remove(&pixel);
            reported.pixels.insert(pixel, light.ppfd);
        }
        events
    }

    /// Forgets reported pixels that are not anomalous any more; the ends of flagged intervals report themselves.
    fn forget_cleared(
        &mut self,
        now: UtcMicros,
        intervals: &FlaggedIntervals,
        reported: &mut ReportedState,
    ) -> Vec<Event> {
        let anomalous = |pixel: usize| self.drift.confirmed().any(|(i, _)| i == pixel);
        let cleared: Vec<usize> = reported.pixels.keys().copied().filter(|i| !anomalous(*i)).collect();
        self.judged.retain(|i, _| self.drift.confirmed().any(|(j, _)| j == *i));
        reported.pixels.retain(|i, _| !cleared.contains(i));
        let without = cleared.iter().filter(|i| intervals.of_pixel(**i).is_none());
        without.map(|i| intervals.report(now, cleared_text(*i))).collect()
    }

    /// What a pixel affects: by the dark rate that it has too much or too little, which the darks in use may lack, and by its deviation from its
    /// neighbours in this light.
    fn interval_of(
        &self,
        pixel: usize,
        anomaly: &PixelAnomaly,
        light: Light<'_>,
        intervals: &FlaggedIntervals,
    ) -> FlaggedInterval {
        let (scale, irradiance) = (&light.reduced.scale, &light.reduced.irradiance);
        let error_of = |value: f64| {
            let mut error = vec![0.0; irradiance.len()];
            if let Some(here) = error.get_mut(pixel).filter(|_| scale.valid[pixel]) {
                *here = value;
            }
            error
        };
        let rate = self.drift.rate_at(anomaly, light.reading.detector_temperature);
        let added = error_of(rate * scale.inverse_response.get(pixel).copied().unwrap_or(0.0));
        let at = |i: usize| irradiance.get(i).copied().unwrap_or(0.0);
        let deviation = error_of(at(pixel) - 0.5 * (at(pixel.saturating_sub(1)) + at(pixel + 1)));
        let of = |error: &[f64], kind| unaffected(light.matrix, irradiance, (error, kind), light.limits);
        let by_light = of(&deviation, Error::Share);
        let mut unaffected = of(&added, Error::Added);
        unaffected.retain(|id| by_light.contains(id));
        let nm = scale.wavelength_nm.get(pixel).copied().unwrap_or(f64::NAN);
        let (counts, long) = (anomaly.counts, anomaly.integration_s);
        let text = format!("pixel {pixel} ({nm:.1} nm): {counts:+.0} counts from its dark baseline in {long:.3} s");
        let from = anomaly.exceeded_since.unwrap_or(light.reading.time_mid);
        let interval = intervals.new_interval(Flag::PixelFault, (from, None), unaffected, text);
        FlaggedInterval { pixel: Some(pixel), ..interval }
    }

    /// Ends the intervals of pixels that are not anomalous any more, and opens and widens those of pixels that were judged.
    pub fn actions(&self, intervals: &FlaggedIntervals, now: UtcMicros) -> Vec<MonitorAction> {
        let anomalous = |pixel: Option<usize>| self.drift.confirmed().any(|(i, _)| Some(i) == pixel);
        let over = intervals.open().iter().filter(|s| s.flag == Flag::PixelFault && !anomalous(s.pixel));
        let end = |s: &FlaggedInterval| {
            let text = s.pixel.map_or_else(|| format!("{}: over", Flag::PixelFault.name()), cleared_text);
            MonitorAction::End { id: s.id, until: now, report: intervals.report(now, text) }
        };
        let write = |(pixel, judged): (&usize, &Judged)| match intervals.of_pixel(*pixel) {
            Some(open) => {
                MonitorAction::Widen { id: open.id, from: open.from, unaffected: judged.interval.unaffected.clone() }
            }
            None => intervals.open_action(judged.interval.clone(), now),
        };
        over.map(end).chain(self.judged.iter().map(write)).collect()
    }

    /// The caller has written what was judged of a pixel.
    pub fn written(&mut self, pixel: usize, reported: &mut ReportedState) {
        if let Some(judged) = self.judged.remove(&pixel) {
            reported.pixels.insert(pixel, judged.light);
        }
    }
}

fn cleared_text(pixel: usize) -> String {
    format!("{}: pixel {pixel} is at its dark baseline again", Flag::PixelFault.name())
}
