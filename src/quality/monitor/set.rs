//! The monitors of one instrument together: observations in, actions out.
//!
//! In the order of a reading: [`MonitorSet::observe_note`] for what the operator noted since, [`MonitorSet::tracked`] for what processing needs,
//! [`MonitorSet::observe_reading`], [`MonitorSet::reading_record`] for the transaction of the reading, and after it [`MonitorSet::actions`], each
//! followed by [`MonitorSet::applied`]. Darks and calibrations are observed as they come.
//!
//! Planning is pure: an action that was not applied is planned again at the next reading.

use super::action::{MonitorAction, NamedState, ReadingRecord};
use super::dark::{DarkDrift, Finding};
use super::dark_marking::DarkMonitor;
use super::intervals::FlaggedIntervals;
use super::obstruction::ObstructionDetector;
use super::pixel_scope::{Light, PixelMonitor};
use super::pixels::PixelDrift;
use super::reported::ReportedState;
use super::response::levels::{LevelCollector, LevelSource, SampleContext};
use super::response::{Level, ResponseDrift, TILT_CLEARED_DEG, TILT_LIMIT_DEG};
use super::sample::Sample;
use super::unaffected::{self, Error};
use super::wavelength::WavelengthDrift;
use super::wavelength::monitor::WavelengthMonitor;
use super::{DARK_STATE, OBSTRUCTION_STATE, PIXEL_STATE, REPORTED_STATE, RESPONSE_STATE, WAVELENGTH_STATE};
use crate::calibration::{Calibration, Noise};
use crate::clock::UtcMicros;
use crate::config::{InstrumentConfig, LimitsConfig, Station, StationKind};
use crate::quantities::{self, Matrix};
use crate::record::{
    Event, EventKind, Flag, FlaggedInterval, Frame, LimitState, NoteClass, Reading, Tracked, Transition,
    flagged_interval,
};
use crate::reduction::{DarkModel, Reduced};

/// States that change with every reading are saved this often [s]: what a restart loses of them is soon observed again.
pub const SAVE_EVERY_S: f64 = 600.0;

/// The saved states of the monitors; defaults where nothing is saved.
#[derive(Clone, Debug, Default)]
pub struct SavedMonitors {
    /// Saved as [`WAVELENGTH_STATE`].
    pub wavelength: WavelengthDrift,
    /// Saved as [`RESPONSE_STATE`].
    pub response: ResponseDrift,
    /// Saved as [`OBSTRUCTION_STATE`].
    pub obstruction: ObstructionDetector,
    /// Saved as [`DARK_STATE`].
    pub dark: DarkDrift,
    /// Saved as [`PIXEL_STATE`].
    pub pixels: PixelDrift,
    /// The dark model in the row that the pixels' state names as its baseline.
    pub pixel_baseline: Option<DarkModel>,
    /// Saved as [`REPORTED_STATE`].
    pub reported: ReportedState,
}

/// What a monitor set starts from.
#[derive(Debug)]
pub struct MonitorInputs<'a> {
    /// The station.
    pub station: &'a Station,
    /// The instrument.
    pub instrument: &'a InstrumentConfig,
    /// Saved states.
    pub saved: SavedMonitors,
    /// Flagged intervals: the open ones, and those that begin where the limit of the dark was exceeded.
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
    /// Noise of the detector; without a calibration it is unknown, and single pixels are not checked.
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
    intervals: FlaggedIntervals,
    reported: ReportedState,
    pending: Pending,
}

/// What is to be stored with the next reading.
#[derive(Clone, Debug, Default)]
struct Pending {
    events: Vec<Event>,
    /// A state has changed that is not saved with every reading.
    changed: bool,
    saved_at: Option<UtcMicros>,
    saved_dark: Option<DarkDrift>,
}

impl MonitorSet {
    /// Continues from saved states.
    pub fn new(inputs: MonitorInputs<'_>) -> Self {
        let MonitorInputs { station, instrument, saved, intervals, recent, now } = inputs;
        let mut reported = saved.reported;
        let dark = DarkMonitor::new(saved.dark, now);
        // An interruption may have come after the interval was stored and before the reported state was.
        let stored = |from: &UtcMicros| {
            let own =
                |s: &&FlaggedInterval| s.flag == Flag::DarkDrift && s.instrument.as_ref() == Some(&instrument.name);
            intervals.iter().filter(own).any(|s| s.from == *from)
        };
        if let Some(from) = dark.unmarked(reported.dark_marked).filter(stored) {
            reported.dark_marked = Some(from);
        }
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
            intervals: FlaggedIntervals::new(&instrument.name, intervals),
            reported,
            pending: Pending::default(),
        }
    }

    /// Observes the calibration that is active; another one restarts every monitor.
    pub fn observe_calibration(&mut self, calibration: &Calibration, now: UtcMicros) {
        let restarted = self.wavelength.observe_calibration(calibration, now);
        self.response.set_calibration(&calibration.id, now);
        self.dark.drift.set_calibration(&calibration.id);
        self.dark.update_found(now);
        self.pixels.observe_calibration(&calibration.id);
        if restarted {
            // Another calibration means that the head was handled.
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

    /// Observes an accepted dark; an event where the dark exceeds its limit, or is within it again.
    pub fn observe_dark(&mut self, dark: DarkObservation<'_>) -> Option<Event> {
        let end = dark.frame.end();
        if let (Some(baseline), Some(noise)) = (&self.pixels.baseline, dark.noise) {
            let open = |i: usize| !dark.shielded.get(i).copied().unwrap_or(true);
            let before = self.pixels.drift.anomalies.clone();
            self.pixels.drift.check(baseline, dark.frame, open, noise, &self.limits);
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

    /// What the monitors know before a reading.
    pub fn tracked(&self, now: UtcMicros) -> Tracked {
        let drift = &self.wavelength.drift;
        Tracked {
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
        let unfit = [Flag::Warming, Flag::RepeatedFrame, Flag::ShutterFault].iter().any(|f| reading.flags.has(*f));
        let Some(ppfd) = quantities::index_of("ppfd").filter(|_| !unfit) else { return };
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
        let light = reading.values.get(ppfd).and_then(|v| v.value()).unwrap_or(0.0);
        self.observe_unaffected(Light { reading, reduced, matrix, limits: &self.limits.clone(), ppfd: light });
    }

    fn observe_spectrum(&mut self, reading: &Reading, reduced: &Reduced, matrix: &Matrix) {
        let Some(check) = self.wavelength.observe_reading(reading, reduced, &self.limits) else { return };
        self.pending.changed |= check.save;
        let (state, limits) = (self.wavelength.drift.limit_state, &self.limits);
        self.intervals.observe_unaffected(Flag::WavelengthDrift, state, || {
            let nm = &reduced.scale.wavelength_nm;
            let error = unaffected::of_shift(nm, &reduced.irradiance, &check.usable, check.shift_nm);
            unaffected::unaffected(matrix, &reduced.irradiance, (&error, Error::Share), limits)
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
            self.report(level.time, tilt_text(tilt));
        } else if tilt.abs() < TILT_CLEARED_DEG && self.reported.tilt {
            self.reported.tilt = false;
            self.report(level.time, "the head is tilted as at first again".to_owned());
        }
    }

    fn report(&mut self, time: UtcMicros, text: String) {
        self.pending.events.push(self.intervals.report(time, text));
    }

    /// What the monitors that exceed their limit affect, by this reading.
    fn observe_unaffected(&mut self, light: Light<'_>) {
        let irradiance = &light.reduced.irradiance;
        let of = |error: &[f64], kind| unaffected::unaffected(light.matrix, irradiance, (error, kind), light.limits);
        self.intervals.observe_unaffected(Flag::ResponseDrift, self.response.limit_state(), || {
            let error: Vec<f64> = irradiance.iter().map(|e| e * light.limits.response_drift_relative).collect();
            of(&error, Error::Share)
        });
        // An obstruction affects everything.
        self.intervals.observe_unaffected(Flag::Obstructed, self.obstruction.limit_state, Vec::new);
        let waits = self.dark.unmarked(self.reported.dark_marked).is_some();
        if waits && (light.is_sufficient() || light.is_overdue(self.dark.found)) {
            let share = self.dark.error_share();
            self.intervals.observe_unaffected(Flag::DarkDrift, self.dark.drift.limit_state(), || {
                let error: Vec<f64> = light.reduced.dark_irradiance.iter().map(|d| d * share).collect();
                of(&error, Error::Added)
            });
        }
        let before = self.reported.clone();
        let events = self.pixels.observe_light(light, &self.intervals, &mut self.reported);
        self.pending.events.extend(events);
        self.pending.changed |= before != self.reported;
    }

    /// What has to be stored in the transaction of the reading that was just observed. The caller stores it, or ends.
    pub fn reading_record(&mut self, now: UtcMicros) -> ReadingRecord {
        let due = self.pending.saved_at.is_none_or(|t| now.seconds_since(t).abs() >= SAVE_EVERY_S);
        let mut states = Vec::new();
        if due || self.pending.changed {
            states.push(named(WAVELENGTH_STATE, &self.wavelength.drift));
            states.push(named(OBSTRUCTION_STATE, &self.obstruction));
            states.push(named(PIXEL_STATE, &self.pixels.drift));
            self.pending.saved_at = Some(now);
        }
        if self.pending.changed {
            states.push(named(RESPONSE_STATE, &self.response));
            states.push(named(REPORTED_STATE, &self.reported));
            self.pending.changed = false;
        }
        if self.pending.saved_dark.as_ref() != Some(&self.dark.drift) {
            states.push(named(DARK_STATE, &self.dark.drift));
            self.pending.saved_dark = Some(self.dark.drift.clone());
        }
        ReadingRecord { states, events: std::mem::take(&mut self.pending.events) }
    }

    /// What makes the flagged intervals follow the monitors. To be written in this order; whatever is not is planned again.
    pub fn actions(&self, now: UtcMicros) -> Vec<MonitorAction> {
        let mut actions: Vec<MonitorAction> =
            self.dark.action(self.reported.dark_marked, &self.intervals, now).into_iter().collect();
        actions.extend(self.pixels.actions(&self.intervals, now));
        for (flag, state) in [
            (Flag::WavelengthDrift, self.wavelength.drift.limit_state),
            (Flag::ResponseDrift, self.response.limit_state()),
            (Flag::Obstructed, self.obstruction.limit_state),
        ] {
            actions.extend(self.intervals.follow(flag, state, || self.describe(flag), now));
        }
        actions
    }

    /// An action is written; an interval that was opened is in the row `id`.
    pub fn applied(&mut self, action: MonitorAction, id: i64) {
        match action {
            MonitorAction::Open { interval, .. } if interval.until.is_some() => {
                self.intervals.forget(interval.flag);
                self.reported.dark_marked = Some(interval.from);
                self.pending.changed = true;
            }
            MonitorAction::Open { interval, .. } => {
                if let Some(pixel) = interval.pixel {
                    self.pixels.written(pixel, &mut self.reported);
                    self.pending.changed = true;
                }
                self.intervals.opened(FlaggedInterval { id, ..interval });
            }
            MonitorAction::Widen { id, from, unaffected } => {
                if let Some(pixel) = self.intervals.widened(id, from, &unaffected).and_then(|s| s.pixel) {
                    self.pixels.written(pixel, &mut self.reported);
                    self.pending.changed = true;
                }
            }
            MonitorAction::End { id, .. } => self.intervals.ended(id),
        }
    }

    /// Stores an event with the next reading, where it could not be stored with its action.
    pub fn report_with_next_reading(&mut self, event: Event) {
        self.pending.events.push(event);
    }

    /// What a monitor found, for a person to read.
    fn describe(&self, flag: Flag) -> String {
        match flag {
            Flag::WavelengthDrift => {
                let (shift, u) = self.wavelength.drift.largest_nm;
                let whose = if self.kind.sunlit() { "" } else { ", or the lamp's own lines have moved" };
                let limit = self.limits.wavelength_drift_nm;
                format!("wavelength scale off by {shift:+.2} ± {:.2} nm (limit {limit}){whose}", 2.0 * u)
            }
            Flag::ResponseDrift if self.response.level_limit.exceeded_since.is_none() => {
                let tilt = self.response.tilt_change_deg().unwrap_or(f64::NAN);
                format!("{} (limit {TILT_LIMIT_DEG})", tilt_text(tilt))
            }
            Flag::ResponseDrift => {
                let change = 100.0 * self.response.change().unwrap_or(f64::NAN);
                format!("response {change:+.1} % (limit {:.0} %)", 100.0 * self.limits.response_drift_relative)
            }
            _ => {
                let share = 100.0 * self.obstruction.latest.unwrap_or(f64::NAN);
                format!("the optic is obstructed: {share:.1} % of a clear sky's light")
            }
        }
    }

    /// The limit state of the monitor that raises a flag; `None` for a flag that no monitor raises.
    pub fn limit_state(&self, flag: Flag) -> Option<LimitState> {
        match flag {
            Flag::WavelengthDrift => Some(self.wavelength.drift.limit_state),
            Flag::ResponseDrift => Some(self.response.limit_state()),
            Flag::Obstructed => Some(self.obstruction.limit_state),
            Flag::DarkDrift => Some(self.dark.drift.limit_state()),
            Flag::PixelFault => Some(self.pixels.drift.limit_state()),
            _ => None,
        }
    }

    /// Turns a reading into what it is when read: with the open flagged intervals applied.
    pub fn apply_intervals(&self, reading: &mut Reading) {
        let open = self.intervals.open();
        if !open.is_empty() {
            flagged_interval::apply(open, reading, quantities::registry().iter().map(|q| q.id));
        }
    }
}

fn tilt_text(east_deg: f64) -> String {
    let side = if east_deg > 0.0 { "east" } else { "west" };
    format!("the head is tilted by {:.1} degrees more to the {side} than at first", east_deg.abs())
}

/// Plain structures always become JSON.
fn named<T: serde::Serialize>(name: &'static str, state: &T) -> NamedState {
    NamedState { name, json: serde_json::to_string(state).unwrap_or_default() }
}

#[cfg(test)]
mod tests;
