//! The monitors of one instrument together: receives observations; plans and records actions.
//!
//! For each reading, in this order: [`MonitorSet::observe_note`] for the operator's notes since the last one, [`MonitorSet::drift_estimates`] for the
//! processing, [`MonitorSet::observe_reading`], [`MonitorSet::reading_record`] for the transaction of the reading, and after it
//! [`MonitorSet::actions`], each followed by [`MonitorSet::applied`]. Darks and calibrations are observed when they are available.
//!
//! This file receives the observations, [`planning`] plans the actions, [`saved`] loads and saves the states.

mod planning;
mod saved;

pub use saved::{SAVE_EVERY_S, SavedMonitors};

use super::below_zero::BelowZero;
use super::dark::Finding;
use super::dark_marking::DarkMonitor;
use super::intervals::FlaggedIntervals;
use super::obstruction::ObstructionDetector;
use super::pixel_scope::{Light, PixelMonitor};
use super::reported::ReportedState;
use super::response::levels::{LevelCollector, LevelSource, SampleContext};
use super::response::{Level, ResponseDrift, TILT_CLEARED_DEG, TILT_LIMIT_DEG};
use super::sample::Sample;
use super::unaffected::{self, Error};
use super::wavelength::monitor::WavelengthMonitor;
use crate::calibration::{Calibration, Noise};
use crate::clock::UtcMicros;
use crate::config::{InstrumentConfig, LimitsConfig, Station, StationKind};
use crate::quantities::{self, Matrix};
use crate::record::{DriftEstimates, Event, EventKind, Flag, FlaggedInterval, Frame, NoteClass, Reading, Transition};
use crate::reduction::{DarkModel, Reduced};
use saved::Pending;

/// What a monitor set starts from.
#[derive(Debug)]
pub struct MonitorInputs<'a> {
    /// The station.
    pub station: &'a Station,
    /// The instrument.
    pub instrument: &'a InstrumentConfig,
    /// Saved states.
    pub saved: SavedMonitors,
    /// Flagged intervals: the open ones, and those that start where the limit of the dark was exceeded.
    pub intervals: Vec<FlaggedInterval>,
    /// Samples of the instrument's readings of the last 24 hours, where [`LevelSource::collects_samples`].
    pub recent: Vec<Sample>,
    /// The time.
    pub now: UtcMicros,
}

/// An accepted dark.
#[derive(Clone, Copy, Debug)]
pub struct DarkObservation<'a> {
    /// The dark, taken after warm-up.
    pub frame: &'a Frame,
    /// Pixels that are shielded from light.
    pub shielded: &'a [bool],
    /// Noise of the detector. It is unknown without a calibration; single pixels are then not tested.
    pub noise: Option<&'a Noise>,
}

/// The monitors of one instrument.
#[derive(Clone, Debug)]
pub struct MonitorSet {
    instrument: String,
    kind: StationKind,
    limits: LimitsConfig,
    wavelength: WavelengthMonitor,
    response: ResponseDrift,
    levels: LevelCollector,
    obstruction: ObstructionDetector,
    dark: DarkMonitor,
    pixels: PixelMonitor,
    below_zero: BelowZero,
    intervals: FlaggedIntervals,
    reported: ReportedState,
    pending: Pending,
}

impl MonitorSet {
    /// Continues from saved states.
    pub fn new(inputs: MonitorInputs<'_>) -> Self {
        let MonitorInputs { station, instrument, saved, intervals, recent, now } = inputs;
        let dark = DarkMonitor::new(saved.dark, now);
        let reported = saved::with_stored_mark(saved.reported, &dark, &intervals, &instrument.name);
        let mut levels = LevelCollector::new(LevelSource::of(station, instrument), station.place.longitude_deg);
        levels.resume(&recent, now);
        Self {
            instrument: instrument.name.clone(),
            kind: station.kind,
            limits: instrument.limits.clone(),
            wavelength: WavelengthMonitor::new(saved.wavelength, station.kind.sunlit()),
            response: saved.response,
            levels,
            obstruction: saved.obstruction,
            dark,
            pixels: PixelMonitor::new(saved.pixels, saved.pixel_baseline),
            below_zero: saved.below_zero,
            intervals: FlaggedIntervals::new(&instrument.name, intervals),
            reported,
            pending: Pending::default(),
        }
    }

    /// Observes the active calibration; another one restarts every monitor.
    pub fn observe_calibration(&mut self, calibration: &Calibration, now: UtcMicros) {
        let restarted = self.wavelength.observe_calibration(calibration, now);
        self.response.set_calibration(&calibration.id, now);
        self.dark.drift.set_calibration(&calibration.id);
        self.dark.update_found(now);
        self.pixels.observe_calibration(&calibration.id);
        if restarted {
            // A new calibration implies that the head was handled.
            self.obstruction.restart(now);
        }
        self.pending.changed |= restarted;
    }

    /// Row of the newest event up to which notes were observed.
    pub fn notes_observed_to(&self) -> i64 {
        self.reported.notes_to
    }

    /// All notes up to the event in this row are observed.
    pub fn set_notes_observed_to(&mut self, row: i64) {
        self.reported.notes_to = row;
    }

    /// Observes a note of the operator.
    pub fn observe_note(&mut self, note: &Event) {
        self.pending.changed = true;
        let EventKind::Note(class) = note.kind else { return };
        if note.instrument.as_ref().is_some_and(|name| *name != self.instrument) {
            return;
        }
        match class {
            NoteClass::Cleaned => self.response.cleaned(note.time),
            NoteClass::Moved => {
                self.response.restart(note.time);
                self.obstruction = ObstructionDetector::default();
                self.levels.clear();
            }
            NoteClass::LampReplaced => {
                if self.levels.source() == Some(LevelSource::NightLamps) {
                    self.response.restart(note.time);
                    self.levels.clear();
                }
                self.wavelength.observe_lamp_replaced();
            }
            NoteClass::Servicing | NoteClass::ServicingOver | NoteClass::Other => {}
        }
    }

    /// Observes an accepted dark; returns an event where the dark exceeds its limit, or is within it again.
    pub fn observe_dark(&mut self, dark: DarkObservation<'_>) -> Option<Event> {
        let end = dark.frame.end();
        if let (Some(baseline), Some(noise)) = (&self.pixels.baseline, dark.noise) {
            let is_open = |i: usize| !dark.shielded.get(i).copied().unwrap_or(true);
            let before = self.pixels.drift.anomalies.clone();
            self.pixels.drift.check(baseline, dark.frame, is_open, noise, &self.limits);
            self.pending.changed |= before != self.pixels.drift.anomalies;
        }
        let level = super::dark::median_level(dark.frame, dark.shielded);
        let finding = self.dark.drift.check(dark.frame, level, &self.limits);
        self.dark.update_found(end);
        let text = match finding? {
            Finding::Exceeded(text) => text,
            Finding::Cleared => "the dark is within its limits again".to_owned(),
        };
        Some(self.intervals.report(end, text))
    }

    /// Observes a dark model that was fitted and stored in a row.
    pub fn observe_dark_model(&mut self, row: i64, model: &DarkModel, now: UtcMicros) {
        self.dark.drift.take_baseline(model, now);
        self.pending.changed |= self.pixels.observe_dark_model(row, model, now);
    }

    /// What processing needs of the monitors: the applied shift, and the time since the last checks within the limits.
    pub fn drift_estimates(&self, now: UtcMicros) -> DriftEstimates {
        let drift = &self.wavelength.drift;
        DriftEstimates {
            shift_nm: if self.limits.wavelength_apply { drift.applied_nm } else { 0.0 },
            wavelength_age_s: drift.limit_state.age_s(now),
            response_age_s: self.response.level_limit.age_s(now),
        }
    }

    /// Whether the dark exceeds its limit.
    pub fn dark_exceeded(&self) -> bool {
        self.dark.drift.is_exceeded()
    }

    /// Observes a reading with its spectrum and the weights of its quantities.
    pub fn observe_reading(&mut self, reading: &Reading, reduced: &Reduced, matrix: &Matrix) {
        self.observe_below_zero(reading);
        let unsuitable = [Flag::Warming, Flag::RepeatedFrame, Flag::ShutterFault].iter().any(|f| reading.flags.has(*f));
        let Some(ppfd) = quantities::index_of("ppfd").filter(|_| !unsuitable) else { return };
        if reading.flags.has(Flag::CheckSource) {
            if let Some(level) = self.levels.observe_check_source(reading, ppfd) {
                self.observe_level(level);
            }
            return;
        }
        self.observe_spectrum(reading, reduced, matrix);
        if let Some(sample) = Sample::of(reading, ppfd) {
            self.observe_sample(sample, reading.flags.has(Flag::Flicker));
        }
        let ppfd = reading.values.get(ppfd).and_then(|v| v.value()).unwrap_or(0.0);
        self.observe_unaffected(Light { reading, reduced, matrix, limits: &self.limits.clone(), ppfd });
    }

    fn observe_below_zero(&mut self, reading: &Reading) {
        self.pending.changed |= self.below_zero.observe(reading);
        let monitor = &self.below_zero;
        self.intervals.observe_unaffected(Flag::DarkSuspect, monitor.limit_state, || monitor.unaffected());
    }

    fn observe_spectrum(&mut self, reading: &Reading, reduced: &Reduced, matrix: &Matrix) {
        let Some(check) = self.wavelength.observe_reading(reading, reduced, &self.limits) else { return };
        self.pending.changed |= check.save;
        let (state, limits) = (self.wavelength.drift.limit_state, &self.limits);
        self.intervals.observe_unaffected(Flag::WavelengthDrift, state, || {
            let nm = &reduced.scale.wavelength_nm;
            let error = unaffected::error_of_shift(nm, &reduced.irradiance, &check.usable, check.shift_nm);
            unaffected::unaffected(matrix, &reduced.irradiance, (&error, Error::Proportional), limits)
        });
    }

    fn observe_sample(&mut self, sample: Sample, flicker: bool) {
        if self.kind == StationKind::Roof {
            let transition = self.obstruction.observe(&sample);
            self.pending.changed |= matches!(transition, Some(Transition::Exceeded(_)));
        }
        let context = SampleContext {
            obstructed: self.obstruction.limit_state.exceeded_since.is_some(),
            flicker,
            expected_scale: self.response.expected_scale(),
        };
        if let Some(level) = self.levels.observe_sample(sample, context) {
            self.observe_level(level);
        }
    }

    fn observe_level(&mut self, level: Level) {
        self.response.observe_level(level, self.limits.response_drift_relative);
        self.pending.changed = true;
        let reported = self.reported.cleaning_step;
        if let Some((when, step)) = self.response.last_cleaning_step.filter(|(t, _)| reported != Some(*t)) {
            self.reported.cleaning_step = Some(when);
            self.report(level.time, format!("the response rose by {:.1} % at {when}, as after cleaning", 100.0 * step));
        }
        let Some(tilt) = self.response.tilt_change_deg() else { return };
        if tilt.abs() >= TILT_LIMIT_DEG && !self.reported.tilt {
            self.reported.tilt = true;
            self.report(level.time, planning::tilt_text(tilt));
        } else if tilt.abs() < TILT_CLEARED_DEG && self.reported.tilt {
            self.reported.tilt = false;
            self.report(level.time, "the head is tilted as initially again".to_owned());
        }
    }

    /// Observes which quantities the monitors that exceed their limit leave unaffected in this reading.
    fn observe_unaffected(&mut self, light: Light<'_>) {
        let irradiance = &light.reduced.irradiance;
        let of = |error: &[f64], kind| unaffected::unaffected(light.matrix, irradiance, (error, kind), light.limits);
        self.intervals.observe_unaffected(Flag::ResponseDrift, self.response.limit_state(), || {
            let error: Vec<f64> = irradiance.iter().map(|e| e * light.limits.response_drift_relative).collect();
            of(&error, Error::Proportional)
        });
        // An obstruction affects every quantity.
        self.intervals.observe_unaffected(Flag::Obstructed, self.obstruction.limit_state, Vec::new);
        let is_pending = self.dark.unmarked(self.reported.dark_marked).is_some();
        if is_pending && (light.is_sufficient() || light.is_overdue(self.dark.found)) {
            let share = self.dark.error_share();
            self.intervals.observe_unaffected(Flag::DarkDrift, self.dark.drift.limit_state(), || {
                let error: Vec<f64> = light.reduced.dark_irradiance.iter().map(|d| d * share).collect();
                of(&error, Error::Additive)
            });
        }
        let before = self.reported.clone();
        let events = self.pixels.observe_light(light, &self.intervals, &mut self.reported);
        self.pending.events.extend(events);
        self.pending.changed |= before != self.reported;
    }

    /// Reports an event with the next reading.
    fn report(&mut self, time: UtcMicros, text: String) {
        self.pending.events.push(self.intervals.report(time, text));
    }
}

#[cfg(test)]
mod tests;
