//! The flagged interval of a drift of the dark: from the last dark within the limit until the drift was detected.
//!
//! Later readings are flagged individually, by the size of the effect in each. Each drift therefore has one interval, which has an end when
//! it is stored. Pure.

use super::action::MonitorAction;
use super::dark::DarkDrift;
use super::intervals::FlaggedIntervals;
use crate::clock::UtcMicros;
use crate::quality::verdict::PLAUSIBLE_DARK_ERROR;
use crate::record::Flag;

/// Photon flux density from which effects are assessed [µmol m⁻² s⁻¹]: at night, ratios and colours are null and would all count as
/// affected.
pub const ASSESSED_FROM_PPFD: f64 = 20.0;
/// Time after detection at which the effect is assessed in any light [s]: a day without sufficient light means that there is none.
pub const ASSESSED_WITHIN_S: f64 = 86_400.0;

/// The drift of the dark, and when it was detected.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DarkMonitor {
    /// The drift, saved over restarts.
    pub drift: DarkDrift,
    /// When it was detected that the limit is exceeded; `None` while it is not.
    pub found: Option<UtcMicros>,
}

impl DarkMonitor {
    /// With a saved state, at the time of a restart.
    pub fn new(drift: DarkDrift, now: UtcMicros) -> Self {
        let mut monitor = Self { drift, found: None };
        monitor.update_found(now);
        monitor
    }

    /// Updates the time of detection; called after every check.
    pub fn update_found(&mut self, now: UtcMicros) {
        self.found = self.drift.limit_state().exceeded_since.and(self.found.or(Some(now)));
    }

    /// Plausible relative error of the subtracted dark current [1].
    pub fn error_share(&self) -> f64 {
        let change = self.drift.rate.exceeded_since.and(self.drift.rate.latest).unwrap_or(0.0);
        change.abs().max(PLAUSIBLE_DARK_ERROR)
    }

    /// Start of a drift whose earlier readings are not flagged yet. marked: start of the last drift whose earlier readings are.
    pub fn unmarked(&self, marked: Option<UtcMicros>) -> Option<UtcMicros> {
        self.drift.limit_state().exceeded_since.filter(|from| marked != Some(*from))
    }

    /// Flags the readings before the detection, once the affected quantities are known from a reading.
    pub fn action(
        &self,
        marked: Option<UtcMicros>,
        intervals: &FlaggedIntervals,
        now: UtcMicros,
    ) -> Option<MonitorAction> {
        let from = self.unmarked(marked)?;
        let unaffected = intervals.unaffected_by(Flag::DarkDrift)?.to_vec();
        let until = self.found.unwrap_or(now).max(from);
        let text = format!("the dark exceeded its limit at {until}; the check before was within the limit");
        let interval = intervals.new_interval(Flag::DarkDrift, (from, Some(until)), unaffected, text);
        let text = format!("{}: flagged from {from} until its detection at {until}", Flag::DarkDrift.name());
        Some(MonitorAction::Open { interval, report: intervals.report(now, text) })
    }
}
