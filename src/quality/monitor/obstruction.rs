//! Whether something lies on the optic: snow, dew, a cloth, a bird that stays.
//!
//! A cover is told from a cloud by how little light is left and for how long. In a month of measured minutes with heavy
//! thunderstorms (BSRN Payerne, June 2016) the sky fell below 6 % of a clear one for 59 minutes at most; a cover is what
//! stays below for an hour and a half. What is shorter, or lets more through, looks like a cloud and is taken for one.
//!
//! Pure. What must stay true: the night says nothing, and one bright reading among dark ones ends no doubt.

use super::sample::Sample;
use crate::clock::UtcMicros;
use crate::record::{LimitState, Transition};

/// Share of a clear sky's light below which the optic may be covered [1].
const OBSTRUCTED_BELOW: f64 = 0.06;
/// Share above which it is not [1].
const CLEAR_ABOVE: f64 = 0.09;
/// How long it has to stay below, the sun up all the while [s].
const OBSTRUCTED_S: f64 = 5400.0;
/// The limit in words.
pub const LIMIT_TEXT: &str = "below 6 % for 90 minutes of sun";
/// Readings in a row above that end it.
const CLEAR_READINGS: u32 = 2;
/// The sun's height below which nothing is said [degrees]: twilight and houses leave little to compare.
pub const SUN_FROM_DEG: f64 = 8.0;
/// Readings farther apart say nothing of the time between them [s].
const TOGETHER_S: f64 = 3700.0;

/// The tracker, persisted over restarts.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct ObstructionDetector {
    /// Share of a clear sky's light in the newest reading [1].
    pub latest: Option<f64>,
    /// Time of the newest reading with the sun up.
    pub seen: Option<UtcMicros>,
    /// How long it has been below, the sun up [s].
    pub below_s: f64,
    /// Readings in a row above.
    pub clear_readings: u32,
    /// Against the limit.
    pub limit_state: LimitState,
}

impl ObstructionDetector {
    /// Restarts, with the head handled: what was obstructed is so no more.
    pub fn restart(&mut self, now: UtcMicros) {
        let mut limit_state = self.limit_state;
        limit_state.restart(now);
        *self = Self { limit_state, ..Self::default() };
    }

    /// Observes the light of a reading.
    pub fn observe(&mut self, sample: &Sample) -> Option<Transition> {
        let (time, light, clear) = (sample.time, sample.ppfd, sample.clear_sky_ppfd());
        if !(sample.elevation_deg >= SUN_FROM_DEG && clear > 0.0 && light.is_finite()) {
            return None;
        }
        if self.limit_state.last_within_limit.is_none() {
            self.limit_state.restart(UtcMicros(time.0 - 1));
        }
        let share = light / clear;
        let since = self.seen.map_or(0.0, |t| time.seconds_since(t));
        (self.latest, self.seen) = (Some(share), Some(time));
        if share < OBSTRUCTED_BELOW {
            self.clear_readings = 0;
            // From one day to the next the count goes on, but the night is not in it.
            if (0.0..=TOGETHER_S).contains(&since) {
                self.below_s += since;
            }
            return if self.below_s >= OBSTRUCTED_S { self.limit_state.check_failed(time) } else { None };
        }
        self.below_s = 0.0;
        if share <= CLEAR_ABOVE {
            return None;
        }
        self.clear_readings = self.clear_readings.saturating_add(1);
        let open = self.limit_state.exceeded_since.is_none() || self.clear_readings >= CLEAR_READINGS;
        if open { self.limit_state.check_passed(time) } else { None }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Light that is a share of the clear sky's.
    fn sample(minutes: f64, elevation_deg: f64, share: f64) -> Sample {
        let dark = Sample { time: at(minutes), ppfd: 0.0, elevation_deg, azimuth_deg: 180.0 };
        Sample { ppfd: share * dark.clear_sky_ppfd(), ..dark }
    }

    fn at(minutes: f64) -> UtcMicros {
        UtcMicros(0).plus_seconds(60.0 * minutes)
    }

    /// Identity: an hour of darkness at noon is a storm, two are a cover, marked back to the last bright reading.
    #[test]
    fn a_storm_is_no_cover_and_snow_is_marked_back_to_the_last_bright_reading() {
        let mut cover = ObstructionDetector::default();
        let mut turns = Vec::new();
        let mut see = |minute: u32, share: f64| {
            turns.extend(cover.observe(&sample(f64::from(minute), 40.0, share)).map(|t| (minute, t)));
        };
        (0..60).for_each(|m| see(m, 0.5));
        (60..120).for_each(|m| see(m, 0.02));
        (120..180).for_each(|m| see(m, 0.3));
        (180..400).for_each(|m| see(m, 0.04));
        see(400, 0.08);
        see(401, 0.5);
        see(402, 0.5);
        assert_eq!(
            turns,
            [(269, Transition::Exceeded(UtcMicros(at(179.0).0 + 1))), (402, Transition::Cleared(at(402.0)))]
        );
    }

    /// Identity: a low sun and nonsense say nothing; a cover goes on through the night.
    #[test]
    fn the_night_says_nothing_and_ends_nothing() {
        let mut cover = ObstructionDetector::default();
        assert_eq!(cover.observe(&sample(0.0, 40.0, 0.5)), None);
        assert_eq!(cover.observe(&sample(1.0, 5.0, 0.0)), None);
        assert_eq!(cover.observe(&sample(2.0, 40.0, f64::NAN)), None);
        (3..63).for_each(|m| assert_eq!(cover.observe(&sample(f64::from(m), 40.0, 0.001)), None));
        // The next day, half an hour more.
        let found: Vec<Transition> =
            (1443..1500).filter_map(|m| cover.observe(&sample(f64::from(m), 20.0, 0.0025))).collect();
        assert!(matches!(found[..], [Transition::Exceeded(from)] if from.0 == 1), "{found:?}");
    }
}
