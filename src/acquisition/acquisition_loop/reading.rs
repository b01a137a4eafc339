//! Performs one reading: its exposures, the darks after it, and the decision whether it can be committed.
//!
//! Invariants: a reading that a fault interrupts is stored with the frames taken so far; exposures during which the clock was
//! set, or after which another instrument answered, are never stored.

use super::connection::Connected;
use super::{AcquisitionLoop, TickEnd};
use crate::acquisition::AcquisitionError;
use crate::acquisition::context::Observer;
use crate::acquisition::reconnection::ends_the_connection;
use crate::acquisition::tick::{GapReason, TickOutcome};
use crate::clock::UtcMicros;
use crate::exposure::{AcquiredFrames, Action, Clipping, Gate, ReadingPlan, clock_step_s};
use crate::fault::Fault;
use crate::processing::mean_time;
use crate::sun::Sun;
use std::time::Duration;

/// How often a reading begins anew because an exposure shows at which level the converter clips.
const NEW_PLANS: u32 = 3;

/// Conditions of a reading.
pub(super) struct ReadingConditions {
    pub(super) check_source: bool,
    pub(super) sun: Option<Sun>,
    /// One of its exposures repeats an earlier exposure.
    pub(super) repeated: bool,
    /// A fault ended its exposures early.
    pub(super) interrupted: bool,
    /// Exchanges were repeated, or a fault occurred.
    pub(super) link_fault: bool,
}

/// The exposures of a reading.
struct Exposed {
    acquired: AcquiredFrames,
    repeated: bool,
    fault: Option<Fault>,
}

/// The state at the start of a reading.
struct ReadingStart {
    time: UtcMicros,
    monotonic: Duration,
    retries: u64,
}

impl AcquisitionLoop {
    /// Performs a reading with the darks it needs.
    pub(super) fn read(
        &mut self,
        connected: &mut Connected,
        tick: UtcMicros,
        observer: &mut dyn Observer,
    ) -> Result<TickEnd, AcquisitionError> {
        let clock = &self.context.clock;
        let began = ReadingStart { time: clock.now(), monotonic: clock.monotonic(), retries: self.line.retries() };
        self.calibrate(connected, began.time)?;
        self.line.session.check_identity_with_next();
        if let Some(fault) = self.learn_lag_of(connected, observer)? {
            return Ok(TickEnd { outcome: TickOutcome::of_fault(&fault, Gate::Open), fault: Some(fault) });
        }
        // The identity is confirmed before a value is used, in the message of the first exposure.
        self.line.session.check_identity_with_next();
        let check_source = self.schedule.is_check_source(tick);
        let Exposed { acquired, repeated, fault } = self.expose(connected, began.time, check_source, observer)?;
        if acquired.frames.is_empty() {
            let fault = fault.unwrap_or_else(|| self.no_usable_exposure(began.time));
            return Ok(TickEnd { outcome: TickOutcome::of_fault(&fault, Gate::Open), fault: Some(fault) });
        }
        let interrupted = fault.is_some();
        // Computed once per reading, for its darks, values and checks.
        let sun = self.context.station.sun_at(mean_time(acquired.frames.iter()));
        let fault = match fault {
            None => self.take_darks_after(connected, tick, (&acquired.frames, sun), observer)?,
            interrupted_by => interrupted_by,
        };
        let outcome = match self.clock_step_s(&began) {
            Some(_) => TickOutcome::Gap(GapReason::clock_stepped()),
            None => {
                self.control.warm_up.heard(self.context.clock.now());
                let link_fault = fault.is_some() || self.line.retries() > began.retries;
                let conditions = ReadingConditions { check_source, sun, repeated, interrupted, link_fault };
                self.commit(connected, &acquired, &conditions, observer)?
            }
        };
        if let Some(fault) = fault.as_ref().filter(|f| !ends_the_connection(f)) {
            let text = format!("{fault}; the reading is stored without its remaining exposures and darks");
            self.recorder.fault("interrupted_reading", &text, false, self.context.clock.now());
        }
        Ok(TickEnd { outcome, fault })
    }

    /// Takes the exposures of a reading. Where they show at which level the converter clips, the reading begins anew with a plan for that
    /// level, within the same budget.
    fn expose(
        &mut self,
        connected: &mut Connected,
        began: UtcMicros,
        check_source: bool,
        observer: &mut dyn Observer,
    ) -> Result<Exposed, AcquisitionError> {
        let mut plans = 0;
        loop {
            match self.follow_plan(connected, began, check_source) {
                (_, Some(found)) if plans < NEW_PLANS => self.learn_clipping(connected, found, observer)?,
                (exposed, _) => return Ok(exposed),
            }
            plans += 1;
        }
    }

    /// Takes the exposures of a plan: all of them, those before a fault, or those up to one that shows another clipping level.
    fn follow_plan(
        &mut self,
        connected: &Connected,
        began: UtcMicros,
        check_source: bool,
    ) -> (Exposed, Option<Clipping>) {
        let (setup, declared) = (&connected.setup, connected.detector.full_scale);
        let state = self.control.exposure(check_source).clone();
        let mut plan = ReadingPlan::new(setup, state.clone(), began);
        let (mut repeated_crcs, mut fault, mut clipping) = (Vec::new(), None, None);
        self.line.clipping.begin();
        while let Action::Expose { integration_s, shutter, delay_s } = plan.next(self.context.clock.now()) {
            self.line.session.wait(delay_s);
            let exposure = match self.line.session.expose(integration_s, shutter) {
                Ok(exposure) => exposure,
                // It is unknown which instrument took the exposures so far.
                Err(fault @ Fault::Identity { .. }) => {
                    let acquired = AcquiredFrames::none(state);
                    return (Exposed { acquired, repeated: false, fault: Some(fault) }, None);
                }
                Err(other) => {
                    fault = Some(other);
                    break;
                }
            };
            if self.line.recent.is_repeated(&exposure.counts, setup.clipped_from()) {
                repeated_crcs.push(exposure.crc32);
            } else {
                clipping = self.line.clipping.observe(setup, declared, &exposure, &state.stuck);
            }
            plan.take(exposure);
            if clipping.is_some() {
                break;
            }
        }
        let acquired = plan.finish();
        self.control.set_exposure(check_source, acquired.state.clone());
        let repeated = acquired.frames.iter().flat_map(|f| &f.stamps).any(|s| repeated_crcs.contains(&s.crc32));
        (Exposed { acquired, repeated, fault }, clipping)
    }

    fn no_usable_exposure(&self, began: UtcMicros) -> Fault {
        let waited = self.context.clock.now().seconds_since(began).max(0.0);
        Fault::NoAnswer {
            command: "the exposures of a reading".into(),
            waited: Duration::from_secs_f64(waited),
            found: "no exposure was usable".into(),
        }
    }

    /// The step by which the clock was set since the start of a reading [s]; `None` without a step.
    fn clock_step_s(&self, began: &ReadingStart) -> Option<f64> {
        let clock = &self.context.clock;
        clock_step_s(
            clock.now().seconds_since(began.time),
            |span| clock.real_for(span),
            clock.monotonic().saturating_sub(began.monotonic),
        )
    }
}
