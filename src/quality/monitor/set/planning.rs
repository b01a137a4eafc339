//! Plans the actions that make the flagged intervals follow the monitors, and records those that were written.
//!
//! Planning changes nothing: an action that was not written is planned again at the next reading.

use super::super::action::MonitorAction;
use super::super::response::TILT_LIMIT_DEG;
use super::MonitorSet;
use crate::clock::UtcMicros;
use crate::quantities;
use crate::record::{Flag, FlaggedInterval, LimitState, Reading, flagged_interval};

impl MonitorSet {
    /// The actions that make the flagged intervals follow the monitors, to be written in this order.
    pub fn actions(&self, now: UtcMicros) -> Vec<MonitorAction> {
        let mut actions: Vec<MonitorAction> =
            self.dark.action(self.reported.dark_marked, &self.intervals, now).into_iter().collect();
        actions.extend(self.pixels.actions(&self.intervals, now));
        for (flag, state) in [
            (Flag::WavelengthDrift, self.wavelength.drift.limit_state),
            (Flag::ResponseDrift, self.response.limit_state()),
            (Flag::Obstructed, self.obstruction.limit_state),
            (Flag::DarkSuspect, self.below_zero.limit_state),
        ] {
            actions.extend(self.intervals.follow(flag, state, || self.describe(flag), now));
        }
        actions
    }

    /// Records that an action is written. id: row of the interval, also of one that was opened.
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

    /// Text that describes what a monitor found.
    fn describe(&self, flag: Flag) -> String {
        match flag {
            Flag::WavelengthDrift => {
                let (shift, u) = self.wavelength.drift.largest_nm;
                let cause = if self.kind.sunlit() { "" } else { ", or the lamp's own lines have moved" };
                let limit = self.limits.wavelength_drift_nm;
                format!("wavelength scale off by {shift:+.2} ± {:.2} nm (limit {limit}){cause}", 2.0 * u)
            }
            Flag::ResponseDrift if self.response.level_limit.exceeded_since.is_none() => {
                let tilt = self.response.tilt_change_deg().unwrap_or(f64::NAN);
                format!("{} (limit {TILT_LIMIT_DEG})", tilt_text(tilt))
            }
            Flag::ResponseDrift => {
                let change = 100.0 * self.response.change().unwrap_or(f64::NAN);
                format!("response {change:+.1} % (limit {:.0} %)", 100.0 * self.limits.response_drift_relative)
            }
            Flag::DarkSuspect => self.below_zero.describe(),
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
            Flag::DarkSuspect => Some(self.below_zero.limit_state),
            Flag::PixelFault => Some(self.pixels.drift.limit_state()),
            _ => None,
        }
    }

    /// Applies the open flagged intervals to a reading, as any query does.
    pub fn apply_intervals(&self, reading: &mut Reading) {
        let open = self.intervals.open();
        if !open.is_empty() {
            flagged_interval::apply(open, reading, quantities::registry().iter().map(|q| q.id));
        }
    }
}

pub(super) fn tilt_text(east_deg: f64) -> String {
    let side = if east_deg > 0.0 { "east" } else { "west" };
    format!("the head is tilted by {:.1} degrees more to the {side} than initially", east_deg.abs())
}
