//! The flagged interval of a drift of the dark: readings from the last dark within its limit until the drift was found.
//!
//! Later readings carry the flag themselves, by the size of the effect in each. So this interval has an end when it is stored, and it is stored
//! once a drift.

use super::action::MonitorAction;
use super::dark::DarkDrift;
use super::intervals::FlaggedIntervals;
use crate::clock::UtcMicros;
use crate::quality::verdict::DOUBTFUL_DARK;
use crate::record::Flag;

/// Light in which the effect of a dark error is judged [µmol m⁻² s⁻¹]: by night, ratios and colours are null and would all count as affected.
pub const JUDGED_FROM_PPFD: f64 = 20.0;
/// Without such light, the effect is judged this long after it was found [s]: one day always has some, if there is any.
pub const JUDGED_WITHIN_S: f64 = 86_400.0;

/// The drift of the dark, and when it was found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DarkMonitor {
    /// The drift, saved over restarts.
    pub drift: DarkDrift,
    /// When the limit was found exceeded; `None` while it is not.
    pub found: Option<UtcMicros>,
}

impl DarkMonitor {
    /// With a saved state, at the time of a restart.
    pub fn new(drift: DarkDrift, now: UtcMicros) -> Self {
        let mut monitor = Self { drift, found: None };
        monitor.update_found(now);
        monitor
    }

    /// To be called after every check.
    pub fn update_found(&mut self, now: UtcMicros) {
        self.found = self.drift.limit_state().exceeded_since.and(self.found.or(Some(now)));
    }

    /// By how much the dark current that was subtracted may have been off [1].
    pub fn error_share(&self) -> f64 {
        let grown = self.drift.rate.exceeded_since.and(self.drift.rate.latest).unwrap_or(0.0);
        grown.abs().max(DOUBTFUL_DARK)
    }

    /// Beginning of a drift whose earlier readings are not flagged yet. marked: that of the last one whose are.
    pub fn unmarked(&self, marked: Option<UtcMicros>) -> Option<UtcMicros> {
        self.drift.limit_state().exceeded_since.filter(|from| marked != Some(*from))
    }

    /// Flags the readings before the drift was found, once a reading has shown what it affects.
    pub fn action(
        &self,
        marked: Option<UtcMicros>,
        intervals: &FlaggedIntervals,
        now: UtcMicros,
    ) -> Option<MonitorAction> {
        let from = self.unmarked(marked)?;
        let unaffected = intervals.unaffected_by(Flag::DarkDrift)?.to_vec();
        let until = self.found.unwrap_or(now).max(from);
        let text = format!("the dark was found beyond its limit at {until}; the check before it was within");
        let interval = intervals.new_interval(Flag::DarkDrift, (from, Some(until)), unaffected, text);
        let text = format!("{}: flagged from {from} until it was found at {until}", Flag::DarkDrift.name());
        Some(MonitorAction::Open { interval, report: intervals.report(now, text) })
    }
}
