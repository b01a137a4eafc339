//! One reading: its light, the darks after it, and whether it can be committed.
//!
//! Invariants: a reading that a fault ends early is stored with the frames that were taken; light that was collected while the
//! clock was set, or before another instrument answered, is never stored.

use super::connection::Connected;
use super::{AcquisitionLoop, TickEnd};
use crate::acquisition::AcquisitionError;
use crate::acquisition::context::Observer;
use crate::acquisition::reconnection::ends_the_connection;
use crate::acquisition::tick::{GapReason, TickOutcome};
use crate::clock::UtcMicros;
use crate::exposure::{AcquiredFrames, Action, Gate, ReadingPlan, clock_step_s};
use crate::fault::Fault;
use crate::processing::mean_time;
use crate::sun::Sun;
use std::time::Duration;

/// What is known of a reading beside its frames.
pub(super) struct ReadingFacts {
    pub(super) check_source: bool,
    pub(super) sun: Option<Sun>,
    /// One of its exposures is the exposure before once more.
    pub(super) repeated: bool,
    /// A fault ended its light early.
    pub(super) interrupted: bool,
    /// Exchanges were repeated, or a fault came.
    pub(super) link_fault: bool,
}

/// The light of a reading.
struct Exposed {
    acquired: AcquiredFrames,
    repeated: bool,
    fault: Option<Fault>,
}

/// When a reading began.
struct Beginning {
    time: UtcMicros,
    monotonic: Duration,
    retries: u64,
}

impl AcquisitionLoop {
    /// One reading, with the darks it needs.
    pub(super) fn read(
        &mut self,
        connected: &mut Connected,
        tick: UtcMicros,
        observer: &mut dyn Observer,
    ) -> Result<TickEnd, AcquisitionError> {
        let clock = &self.context.clock;
        let began = Beginning { time: clock.now(), monotonic: clock.monotonic(), retries: self.line.retries() };
        // Before a number is trusted, but without an exchange of its own.
        self.line.session.check_identity_with_next();
        self.calibrate(connected, began.time)?;
        let check_source = self.schedule.is_check_source(tick);
        let Exposed { acquired, repeated, fault } = self.expose(connected, began.time, check_source);
        if acquired.frames.is_empty() {
            let fault = fault.unwrap_or_else(|| self.nothing_usable(began.time));
            return Ok(TickEnd { outcome: TickOutcome::of_fault(&fault, Gate::Open), fault: Some(fault) });
        }
        let interrupted = fault.is_some();
        // Computed once a reading: its darks, its record and its checks all use this one.
        let sun = self.context.station.sun_at(mean_time(acquired.frames.iter()));
        let fault = match fault {
            None => self.take_darks_after(connected, tick, (&acquired.frames, sun), observer)?,
            interrupted_by => interrupted_by,
        };
        let outcome = match self.clock_step_s(&began) {
            Some(seconds) => {
                self.control.warm_up.clock_set(seconds);
                TickOutcome::Gap(GapReason::clock_stepped())
            }
            None => {
                self.control.warm_up.heard(self.context.clock.now());
                let link_fault = fault.is_some() || self.line.retries() > began.retries;
                let facts = ReadingFacts { check_source, sun, repeated, interrupted, link_fault };
                self.commit(connected, &acquired, &facts, observer)?
            }
        };
        if let Some(fault) = fault.as_ref().filter(|f| !ends_the_connection(f)) {
            tracing::warn!(instrument = self.name(), "{fault}; the reading is stored without what was to follow");
        }
        Ok(TickEnd { outcome, fault })
    }

    /// The light of one reading: all of it, or what there was when a fault came.
    fn expose(&mut self, connected: &Connected, began: UtcMicros, check_source: bool) -> Exposed {
        let state = self.control.exposure(check_source).clone();
        let mut plan = ReadingPlan::new(&connected.setup, state.clone(), began);
        let mut repeated_crcs = Vec::new();
        let mut fault = None;
        while let Action::Expose { integration_s, shutter, delay_s } = plan.next(self.context.clock.now()) {
            self.line.session.wait(delay_s);
            let exposure = match self.line.session.expose(integration_s, shutter) {
                Ok(exposure) => exposure,
                // Which instrument's light it was until then cannot be known.
                Err(fault @ Fault::Identity { .. }) => {
                    return Exposed { acquired: AcquiredFrames::none(state), repeated: false, fault: Some(fault) };
                }
                Err(other) => {
                    fault = Some(other);
                    break;
                }
            };
            if self.line.is_repeated(exposure.crc32) {
                repeated_crcs.push(exposure.crc32);
            }
            plan.take(exposure);
        }
        let acquired = plan.finish();
        self.control.set_exposure(check_source, acquired.state.clone());
        let repeated = acquired.frames.iter().flat_map(|f| &f.stamps).any(|s| repeated_crcs.contains(&s.crc32));
        Exposed { acquired, repeated, fault }
    }

    fn nothing_usable(&self, began: UtcMicros) -> Fault {
        let waited = self.context.clock.now().seconds_since(began).max(0.0);
        Fault::NoAnswer {
            command: "a whole reading".into(),
            waited: Duration::from_secs_f64(waited),
            found: "no exposure was usable".into(),
        }
    }

    /// By how much the clock was set since a reading began [s].
    fn clock_step_s(&self, began: &Beginning) -> Option<f64> {
        let clock = &self.context.clock;
        clock_step_s(
            clock.now().seconds_since(began.time),
            |span| clock.real_for(span),
            clock.monotonic().saturating_sub(began.monotonic),
        )
    }
}
