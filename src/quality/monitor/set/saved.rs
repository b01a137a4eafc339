//! The states of the monitors as saved over restarts, and what is stored with the next reading.

use super::super::action::{NamedState, ReadingRecord};
use super::super::below_zero::BelowZero;
use super::super::dark::DarkDrift;
use super::super::dark_marking::DarkMonitor;
use super::super::obstruction::ObstructionDetector;
use super::super::pixels::PixelDrift;
use super::super::reported::ReportedState;
use super::super::response::ResponseDrift;
use super::super::wavelength::WavelengthDrift;
use super::super::{
    BELOW_ZERO_STATE, DARK_STATE, OBSTRUCTION_STATE, PIXEL_STATE, REPORTED_STATE, RESPONSE_STATE, WAVELENGTH_STATE,
};
use super::MonitorSet;
use crate::clock::UtcMicros;
use crate::record::{Event, Flag, FlaggedInterval};
use crate::reduction::DarkModel;

/// Interval at which states that change with every reading are saved [s]. What a restart loses of them is soon observed again.
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
    /// Saved as [`BELOW_ZERO_STATE`].
    pub below_zero: BelowZero,
    /// Saved as [`REPORTED_STATE`].
    pub reported: ReportedState,
}

/// What is stored with the next reading.
#[derive(Clone, Debug, Default)]
pub(super) struct Pending {
    pub events: Vec<Event>,
    /// A state has changed that is not saved at every interval.
    pub changed: bool,
    saved_at: Option<UtcMicros>,
    saved_dark: Option<DarkDrift>,
}

/// The reported state of an instrument. Where an interruption came after the interval of a drift of the dark was stored and before
/// the reported state was, the interval counts as reported.
pub(super) fn with_stored_mark(
    mut reported: ReportedState,
    dark: &DarkMonitor,
    intervals: &[FlaggedInterval],
    instrument: &str,
) -> ReportedState {
    let is_stored = |from: &UtcMicros| {
        let mut own =
            intervals.iter().filter(|s| s.flag == Flag::DarkDrift && s.instrument.as_deref() == Some(instrument));
        own.any(|s| s.from == *from)
    };
    if let Some(from) = dark.unmarked(reported.dark_marked).filter(is_stored) {
        reported.dark_marked = Some(from);
    }
    reported
}

impl MonitorSet {
    /// What has to be stored in the transaction of the reading that was just observed. The caller stores it, or ends.
    pub fn reading_record(&mut self, now: UtcMicros) -> ReadingRecord {
        let due = self.pending.saved_at.is_none_or(|t| now.seconds_since(t).abs() >= SAVE_EVERY_S);
        let mut states = Vec::new();
        if due || self.pending.changed {
            states.push(named(WAVELENGTH_STATE, &self.wavelength.drift));
            states.push(named(OBSTRUCTION_STATE, &self.obstruction));
            states.push(named(PIXEL_STATE, &self.pixels.drift));
            states.push(named(BELOW_ZERO_STATE, &self.below_zero));
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

    /// Stores an event with the next reading, where it could not be stored with its action.
    pub fn report_with_next_reading(&mut self, event: Event) {
        self.pending.events.push(event);
    }
}

/// A state as JSON; serialisation of these plain structures cannot fail.
fn named<T: serde::Serialize>(name: &'static str, state: &T) -> NamedState {
    NamedState { name, json: serde_json::to_string(state).unwrap_or_default() }
}
