//! State of exposure control, warm-up and detector that persists over restarts, and the decision when to save it.

use crate::clock::UtcMicros;
use crate::exposure::{ExposureState, LearnedDetector, WarmUp};
use crate::quality::monitor::set::SAVE_EVERY_S;
use crate::store::{SavedState, Store, StoreError};

/// Name of the state of exposure control for measurements.
const EXPOSURE_STATE: &str = "exposure";
/// Name of the state of exposure control for the check source.
const SOURCE_EXPOSURE_STATE: &str = "source_exposure";
/// Name of the state of the warm-up.
const WARM_UP_STATE: &str = "warm_up";

/// Name of what was learned of the detector.
const DETECTOR_STATE: &str = "detector";

/// State of exposure control and warm-up of one instrument.
#[derive(Clone, Debug, Default)]
pub struct SavedControl {
    /// The warm-up.
    pub warm_up: WarmUp,
    /// What was learned of the detector.
    pub detector: LearnedDetector,
    saved_detector: LearnedDetector,
    light: SavedExposure,
    /// Separate, because the check source has another level of light.
    check_source: SavedExposure,
}

/// A state of exposure control, and the last saved state with its time.
#[derive(Clone, Debug, Default)]
struct SavedExposure {
    current: ExposureState,
    saved: Option<(UtcMicros, ExposureState)>,
}

impl SavedExposure {
    /// Whether to save: integration times or stuck pixels have changed, or the interval has passed.
    fn is_due(&self, now: UtcMicros) -> bool {
        let Some((at, saved)) = &self.saved else { return true };
        let essentials = |e: &ExposureState| (e.short_s, e.long_s, e.stuck.clone());
        essentials(&self.current) != essentials(saved) || now.seconds_since(*at).abs() >= SAVE_EVERY_S
    }
}

impl SavedControl {
    /// The state of exposure control.
    pub fn exposure(&self, check_source: bool) -> &ExposureState {
        if check_source { &self.check_source.current } else { &self.light.current }
    }

    /// Sets the state after a reading.
    pub fn set_exposure(&mut self, check_source: bool, state: ExposureState) {
        self.saved_exposure(check_source).current = state;
    }

    fn saved_exposure(&mut self, check_source: bool) -> &mut SavedExposure {
        if check_source { &mut self.check_source } else { &mut self.light }
    }

    /// Loads the state of an instrument (row of `instrument`); a state that is absent or cannot be parsed is left unchanged.
    pub fn load(&mut self, store: &Store, row: i64) -> Result<(), StoreError> {
        for (name, check_source) in [(EXPOSURE_STATE, false), (SOURCE_EXPOSURE_STATE, true)] {
            let exposure = self.saved_exposure(check_source);
            exposure.saved = None;
            if let Some(state) = load(store, row, name)? {
                exposure.current = state;
            }
        }
        if let Some(state) = load(store, row, WARM_UP_STATE)? {
            self.warm_up = state;
        }
        // Never that of another instrument.
        self.detector = load(store, row, DETECTOR_STATE)?.unwrap_or_default();
        self.saved_detector = self.detector.clone();
        Ok(())
    }

    /// The states to be saved with a reading of an instrument (row of `instrument`). The warm-up is always saved, because it
    /// contains the time of the last answer of the instrument.
    pub fn due(&mut self, row: i64, now: UtcMicros, check_source: bool) -> Vec<SavedState> {
        let state = |name: &str, json: String| SavedState { instrument: row, name: name.into(), json, time: now };
        let mut due = vec![state(WARM_UP_STATE, json(&self.warm_up))];
        if self.detector != self.saved_detector {
            due.push(state(DETECTOR_STATE, json(&self.detector)));
            self.saved_detector = self.detector.clone();
        }
        let exposure = self.saved_exposure(check_source);
        if exposure.is_due(now) {
            let name = if check_source { SOURCE_EXPOSURE_STATE } else { EXPOSURE_STATE };
            due.push(state(name, json(&exposure.current)));
            exposure.saved = Some((now, exposure.current.clone()));
        }
        due
    }
}

/// Loads a saved state; `None` if it is absent, or damaged and so set aside.
fn load<T: serde::de::DeserializeOwned>(store: &Store, row: i64, name: &str) -> Result<Option<T>, StoreError> {
    let stored = store.load_state(row, name)?;
    Ok(stored.and_then(|state| match serde_json::from_str(&state.json) {
        Ok(state) => Some(state),
        Err(why) => {
            store.set_aside_state(row, name, &why.to_string());
            None
        }
    }))
}

/// Serialising these structures cannot fail.
fn json<T: serde::Serialize>(state: &T) -> String {
    serde_json::to_string(state).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOON: UtcMicros = UtcMicros(1_782_043_200_000_000); // 2026-06-21T12:00:00Z

    fn names(states: &[SavedState]) -> Vec<&str> {
        states.iter().map(|s| s.name.as_str()).collect()
    }

    fn state(short_s: f64) -> ExposureState {
        ExposureState { short_s: Some(short_s), ..ExposureState::default() }
    }

    /// Exposure control is saved every ten minutes, after a change of an integration time at once; the warm-up is always saved.
    #[test]
    fn exposure_control_is_saved_on_change_and_at_intervals() {
        let mut control = SavedControl::default();
        let mut at = |minute: u32, short_s: f64| {
            control.set_exposure(false, ExposureState { peak_rate: Some(f64::from(minute)), ..state(short_s) });
            control.due(1, NOON.plus_seconds(60.0 * f64::from(minute)), false).len() == 2
        };
        let saved: Vec<bool> =
            [(0, 0.1), (1, 0.1), (5, 0.2), (6, 0.2), (14, 0.2), (15, 0.2)].map(|(m, t)| at(m, t)).to_vec();
        assert_eq!(saved, [true, false, true, false, false, true]);
    }

    /// A stuck pixel is saved at once, so that exposure control ignores it after a restart.
    #[test]
    fn a_new_stuck_pixel_is_saved_at_once() {
        let mut control = SavedControl::default();
        control.set_exposure(false, state(0.1));
        control.due(1, NOON, false);
        control.set_exposure(false, ExposureState { stuck: vec![7], ..state(0.1) });
        assert_eq!(names(&control.due(1, NOON.plus_seconds(60.0), false)), ["warm_up", "exposure"]);
    }

    /// What was learned of the detector is saved with the next reading, once.
    #[test]
    fn what_was_learned_of_the_detector_is_saved_once() {
        let mut control = SavedControl::default();
        control.due(1, NOON, false);
        control.detector.clips_at = Some(6000);
        assert_eq!(names(&control.due(1, NOON.plus_seconds(60.0), false)), ["warm_up", "detector"]);
        assert_eq!(names(&control.due(1, NOON.plus_seconds(120.0), false)), ["warm_up"]);
    }

    /// Exposure control of the check source is saved with its own readings only, under a separate name.
    #[test]
    fn measurement_and_check_source_have_separate_states() {
        let mut control = SavedControl::default();
        control.set_exposure(false, state(0.1));
        control.set_exposure(true, state(5.0));
        assert_eq!(names(&control.due(1, NOON, true)), ["warm_up", "source_exposure"]);
        assert_eq!(names(&control.due(1, NOON, false)), ["warm_up", "exposure"]);
        assert_eq!((control.exposure(false).short_s, control.exposure(true).short_s), (Some(0.1), Some(5.0)));
    }
}
