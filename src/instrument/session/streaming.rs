//! Frames of an instrument that sends without being asked.
//!
//! Invariant: a frame is returned only if its exposure began after the call, with the settings of the call. Where the frames state
//! their integration time, those with another one are skipped; where they do not, as many as the dialect says lag behind.

use super::Session;
use super::exposing::Received;
use super::setting::Active;
use crate::dialect::malformed::Malformed;
use crate::dialect::step::Action;
use crate::fault::Fault;
use crate::instrument::exchange::{Request, corrupt};
use crate::record::{Frame, Shutter};

/// Frames that are skipped at most, beside those that lag behind.
const MOST_SKIPPED: u32 = 8;

impl Session {
    /// The first frame whose exposure began after the call.
    pub(super) fn next_frame(&mut self, integration_s: f64, shutter: Shutter) -> Result<(Active, Received), Fault> {
        let before_s = self.active.map(|active| active.integration_s);
        let unchanged = self.active.filter(|active| active.requested_s == integration_s && active.shutter == shutter);
        let active = self.apply(integration_s, shutter)?;
        let rules = self.dialect.detector.clone();
        let mut lagging = if unchanged.is_some() { 0 } else { rules.frame_lag };
        let called = self.exchange.now();
        self.exchange.discard()?;
        let request = self.request(integration_s, shutter)?;
        let longest_s = self.facts()?.detector.integration_max_s;
        // A frame of the earlier integration time may be under way.
        let others_s =
            before_s.unwrap_or(longest_s.min(60.0)) + rules.frame_period_s + self.facts()?.detector.transfer_s;
        let light_s = (request.light_s.0.max(rules.frame_period_s), others_s);
        let request = Request { light_s, ..request };
        for _ in 0..=MOST_SKIPPED + rules.frame_lag {
            let performed = self.exchange.perform(Action::Expose, &request)?;
            let stated = self.integration_of(&performed.values);
            let stated = stated.transpose().map_err(|e| corrupt(self.command(Action::Expose), e))?;
            let frame_s = stated.unwrap_or(active.integration_s);
            let back_s = frame_s.max(rules.frame_period_s);
            let start = performed.arrived.unwrap_or_default().plus_seconds(-back_s);
            if start < called || !Frame::same_integration(frame_s, active.integration_s) {
                continue;
            }
            if lagging > 0 {
                lagging -= 1;
                continue;
            }
            return Ok((active, Received { values: performed.values, start }));
        }
        let expected = format!("a frame of {} s that begins after its setting", active.integration_s);
        let found = format!("none among {} frames", MOST_SKIPPED + 1 + rules.frame_lag);
        Err(corrupt(self.command(Action::Expose), Malformed { expected, found }))
    }
}
