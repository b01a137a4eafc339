//! State of exposure control and warm-up that outlives a restart, and when it is saved.

use crate::clock::UtcMicros;
use crate::exposure::{ExposureState, WarmUp};
use crate::quality::monitor::set::SAVE_EVERY_S;
use crate::store::{SavedState, Store, StoreError};

/// Name of the state of exposure control before the light that is measured.
const EXPOSURE_STATE: &str = "exposure";
/// Name of the same before the check source.
const SOURCE_EXPOSURE_STATE: &str = "source_exposure";
/// Name of the state of the warm-up.
const WARM_UP_STATE: &str = "warm_up";

/// State of exposure control and warm-up of one instrument.
#[derive(Clone, Debug, Default)]
pub struct SavedControl {
    /// The warm-up.
    pub warm_up: WarmUp,
    light: Tracked,
    /// The check source is another light: its exposure control has a state of its own.
    check_source: Tracked,
}

/// A state of exposure control, and what of it was saved when.
#[derive(Clone, Debug, Default)]
struct Tracked {
    current: ExposureState,
    saved: Option<(UtcMicros, ExposureState)>,
}

impl Tracked {
    /// Saved again where its times or its stuck pixels changed, and otherwise now and then.
    fn is_due(&self, now: UtcMicros) -> bool {
        let Some((at, saved)) = &self.saved else { return true };
        let essentials = |e: &ExposureState| (e.short_s, e.long_s, e.stuck.clone());
        essentials(&self.current) != essentials(saved) || now.seconds_since(*at).abs() >= SAVE_EVERY_S
    }
}

impl SavedControl {
    /// State of exposure control for a kind of light.
    pub fn exposure(&self, check_source: bool) -> &ExposureState {
        if check_source { &self.check_source.current } else { &self.light.current }
    }

    /// Takes the state that a reading of a kind of light ended in.
    pub fn set_exposure(&mut self, check_source: bool, state: ExposureState) {
        self.tracked(check_source).current = state;
    }

    fn tracked(&mut self, check_source: bool) -> &mut Tracked {
        if check_source { &mut self.check_source } else { &mut self.light }
    }

    /// Loads the state of an instrument, by row; what was never saved, or cannot be read any more, stays as it is.
    pub fn load(&mut self, store: &Store, row: i64) -> Result<(), StoreError> {
        for (name, check_source) in [(EXPOSURE_STATE, false), (SOURCE_EXPOSURE_STATE, true)] {
            let tracked = self.tracked(check_source);
            tracked.saved = None;
            if let Some(state) = load(store, row, name)? {
                tracked.current = state;
            }
        }
        if let Some(state) = load(store, row, WARM_UP_STATE)? {
            self.warm_up = state;
        }
        Ok(())
    }

    /// What is saved with a reading of an instrument (by row) of a kind of light: the warm-up always, since it holds when
    /// the instrument was last heard.
    pub fn due(&mut self, row: i64, now: UtcMicros, check_source: bool) -> Vec<SavedState> {
        let state = |name: &str, json: String| SavedState { instrument: row, name: name.into(), json, time: now };
        let mut due = vec![state(WARM_UP_STATE, json(&self.warm_up))];
        let tracked = self.tracked(check_source);
        if tracked.is_due(now) {
            let name = if check_source { SOURCE_EXPOSURE_STATE } else { EXPOSURE_STATE };
            due.push(state(name, json(&tracked.current)));
            tracked.saved = Some((now, tracked.current.clone()));
        }
        due
    }
}

/// A saved state; one that cannot be read any more counts as absent.
fn load<T: serde::de::DeserializeOwned>(store: &Store, row: i64, name: &str) -> Result<Option<T>, StoreError> {
    let stored = store.load_state(row, name)?;
    Ok(stored.and_then(|state| match serde_json::from_str(&state.json) {
        Ok(state) => Some(state),
        Err(why) => {
            tracing::warn!("saved state `{name}` cannot be read ({why}); starting it anew");
            None
        }
    }))
}

/// Plain structures always become JSON.
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

    /// Unchanged exposure control is saved every ten minutes, a changed integration time at once, the warm-up always.
    #[test]
    fn exposure_control_is_saved_when_it_changes_and_now_and_then() {
        let mut control = SavedControl::default();
        let mut at = |minute: u32, short_s: f64| {
            control.set_exposure(false, ExposureState { peak_rate: Some(f64::from(minute)), ..state(short_s) });
            control.due(1, NOON.plus_seconds(60.0 * f64::from(minute)), false).len() == 2
        };
        let saved: Vec<bool> =
            [(0, 0.1), (1, 0.1), (5, 0.2), (6, 0.2), (14, 0.2), (15, 0.2)].map(|(m, t)| at(m, t)).to_vec();
        assert_eq!(saved, [true, false, true, false, false, true]);
    }

    /// A stuck pixel is saved at once: it must not steer after a restart either.
    #[test]
    fn a_new_stuck_pixel_is_saved_at_once() {
        let mut control = SavedControl::default();
        control.set_exposure(false, state(0.1));
        control.due(1, NOON, false);
        control.set_exposure(false, ExposureState { stuck: vec![7], ..state(0.1) });
        assert_eq!(names(&control.due(1, NOON.plus_seconds(60.0), false)), ["warm_up", "exposure"]);
    }

    /// The check source's exposure control is saved with its own readings only, and under its own name.
    #[test]
    fn each_kind_of_light_has_a_state_of_its_own() {
        let mut control = SavedControl::default();
        control.set_exposure(false, state(0.1));
        control.set_exposure(true, state(5.0));
        assert_eq!(names(&control.due(1, NOON, true)), ["warm_up", "source_exposure"]);
        assert_eq!(names(&control.due(1, NOON, false)), ["warm_up", "exposure"]);
        assert_eq!((control.exposure(false).short_s, control.exposure(true).short_s), (Some(0.1), Some(5.0)));
    }
}
