//! Detects an obstruction of the optic: snow, dew, a cloth, a bird.
//!
//! An obstruction is distinguished from clouds by duration. In a month of measured minutes with heavy thunderstorms (BSRN Payerne, June
//! 2016) the sky stayed below 6 % of clear-sky light for 59 minutes at most; an obstruction is what stays below for 90 minutes. A shorter
//! or more transparent obstruction is not detected. Pure. Invariants:
//!
//! - readings at night change nothing;
//! - a single bright reading does not clear an obstruction.

use super::sample::Sample;
use crate::clock::UtcMicros;
use crate::record::{LimitState, Transition};

/// Share of clear-sky light below which the optic may be obstructed [1].
const OBSTRUCTED_BELOW: f64 = 0.06;
/// Share of clear-sky light above which it is not [1].
const CLEAR_ABOVE: f64 = 0.09;
/// Time below, with the sun up, that makes an obstruction [s].
const OBSTRUCTED_S: f64 = 5400.0;
/// Description of the limit.
pub const LIMIT_TEXT: &str = "below 6 % of a clear sky's light for 90 minutes with the sun up";
/// Consecutive readings above that clear an obstruction.
const CLEAR_READINGS: u32 = 2;
/// Elevation of the sun below which readings are ignored [degrees]: twilight and buildings make the light incomparable.
pub const SUN_FROM_DEG: f64 = 8.0;
/// Longest time between two readings that counts as time below [s].
const MAX_INTERVAL_S: f64 = 3700.0;

/// State of the obstruction detector, saved over restarts.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct ObstructionDetector {
    /// Share of clear-sky light in the newest reading [1].
    pub latest: Option<f64>,
    /// Time of the newest reading with the sun up.
    pub seen: Option<UtcMicros>,
    /// Time below, with the sun up [s].
    pub below_s: f64,
    /// Consecutive readings above.
    pub clear_readings: u32,
    /// The limit state.
    pub limit_state: LimitState,
}

impl ObstructionDetector {
    /// Restarts after the head was handled, which clears any obstruction.
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
            // The time continues on the next day; the night does not count.
            if (0.0..=MAX_INTERVAL_S).contains(&since) {
                self.below_s += since;
            }
            return if self.below_s >= OBSTRUCTED_S { self.limit_state.check_failed(time) } else { None };
        }
        self.below_s = 0.0;
        if share <= CLEAR_ABOVE {
            return None;
        }
        self.clear_readings = self.clear_readings.saturating_add(1);
        let is_clear = self.limit_state.exceeded_since.is_none() || self.clear_readings >= CLEAR_READINGS;
        if is_clear { self.limit_state.check_passed(time) } else { None }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sample with a share of clear-sky light.
    fn sample(minutes: f64, elevation_deg: f64, share: f64) -> Sample {
        let dark = Sample { time: at(minutes), ppfd: 0.0, elevation_deg, azimuth_deg: 180.0 };
        Sample { ppfd: share * dark.clear_sky_ppfd(), ..dark }
    }

    fn at(minutes: f64) -> UtcMicros {
        UtcMicros(0).plus_seconds(60.0 * minutes)
    }

    /// Readings are flagged from the last bright one on.
    #[test]
    fn an_hour_of_darkness_is_no_obstruction_and_ninety_minutes_are() {
        let mut detector = ObstructionDetector::default();
        let mut transitions = Vec::new();
        let mut observe = |minute: u32, share: f64| {
            transitions.extend(detector.observe(&sample(f64::from(minute), 40.0, share)).map(|t| (minute, t)));
        };
        (0..60).for_each(|m| observe(m, 0.5));
        (60..120).for_each(|m| observe(m, 0.02));
        (120..180).for_each(|m| observe(m, 0.3));
        (180..400).for_each(|m| observe(m, 0.04));
        observe(400, 0.08);
        observe(401, 0.5);
        observe(402, 0.5);
        assert_eq!(
            transitions,
            [(269, Transition::Exceeded(UtcMicros(at(179.0).0 + 1))), (402, Transition::Cleared(at(402.0)))]
        );
    }

    /// The time below continues on the next day.
    #[test]
    fn readings_at_night_and_without_a_value_are_ignored() {
        let mut detector = ObstructionDetector::default();
        assert_eq!(detector.observe(&sample(0.0, 40.0, 0.5)), None);
        assert_eq!(detector.observe(&sample(1.0, 5.0, 0.0)), None);
        assert_eq!(detector.observe(&sample(2.0, 40.0, f64::NAN)), None);
        (3..63).for_each(|m| assert_eq!(detector.observe(&sample(f64::from(m), 40.0, 0.001)), None));
        // The next day, half an hour more.
        let found: Vec<Transition> =
            (1443..1500).filter_map(|m| detector.observe(&sample(f64::from(m), 20.0, 0.0025))).collect();
        assert!(matches!(found[..], [Transition::Exceeded(from)] if from.0 == 1), "{found:?}");
    }
}
