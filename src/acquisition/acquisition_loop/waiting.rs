//! Waits for the next tick: connects an instrument that is away, and notices a clock that was set or a process that was suspended.
//!
//! Invariant: whatever the clock does, the tick that is waited for is the next one by the clock as it is now, and every tick that was
//! passed over is in a gap.

use super::AcquisitionLoop;
use crate::acquisition::AcquisitionError;
use crate::acquisition::absence::COUNTED_AT_MOST;
use crate::acquisition::clock_watch::{ClockStep, next_look};
use crate::acquisition::context::Observer;
use crate::acquisition::gaps::GapSpan;
use crate::acquisition::tick::GapReason;
use crate::clock::{UtcMicros, Wake};
use crate::fault::Fault;
use crate::record::{Event, EventKind};
use std::time::Duration;

/// Shortest sleep: a span of simulated time may round to nothing.
const SHORTEST_SLEEP: Duration = Duration::from_micros(50);

/// How a wait for a tick ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Waited {
    /// The tick is due.
    Due,
    /// The stop flag was raised.
    Stopped,
    /// Ticks were passed over, or the clock was set: another tick is the next one.
    AnotherTick,
}

impl AcquisitionLoop {
    /// Sleeps until the tick; meanwhile tries to connect an instrument that is away.
    pub(super) fn wait_for(
        &mut self,
        tick: UtcMicros,
        observer: &mut dyn Observer,
    ) -> Result<Waited, AcquisitionError> {
        self.context.status.update(|s| {
            s.activity = "waiting";
            s.next = Some(tick);
        });
        loop {
            if self.observe_clock(observer)? || self.adopt_update(observer)? {
                return Ok(Waited::AnotherTick);
            }
            let now = self.context.clock.now();
            if now >= tick {
                return Ok(Waited::Due);
            }
            if self.connected.is_none() && self.line.reconnection.is_due(now) {
                match self.connect(observer)? {
                    Some(Fault::Stopped) => return Ok(Waited::Stopped),
                    Some(fault) => self.disconnect(&fault),
                    None => {}
                }
                continue;
            }
            let until = match self.connected {
                Some(_) => tick,
                None => tick.min(self.line.reconnection.next_attempt(now)),
            };
            if self.sleep_until(until) == Wake::Stopped {
                return Ok(Waited::Stopped);
            }
            if self.context.progress.take_suspended() {
                self.suspended(observer)?;
                return Ok(Waited::AnotherTick);
            }
        }
    }

    /// Sleeps until `t` or until the next look at the clock, on the monotonic scale: a wall clock that is set back meanwhile does not
    /// lengthen the sleep.
    fn sleep_until(&self, t: UtcMicros) -> Wake {
        let clock = &*self.context.clock;
        let until = next_look(clock, t);
        let span = clock.real_for(Duration::from_secs_f64(until.seconds_since(clock.now()).max(0.0)));
        clock.pause(span.max(SHORTEST_SLEEP), &self.stop)
    }

    /// The ticks up to now passed while the process was suspended.
    fn suspended(&mut self, observer: &mut dyn Observer) -> Result<(), AcquisitionError> {
        // A clock that was set meanwhile explains its own ticks.
        if self.observe_clock(observer)? {
            return Ok(());
        }
        let now = self.context.clock.now();
        self.pass_over(now, &GapReason::suspended(), observer)
    }

    /// Looks whether the clock was set; records that, and the ticks that were passed over.
    pub(super) fn observe_clock(&mut self, observer: &mut dyn Observer) -> Result<bool, AcquisitionError> {
        let Some(step) = self.clock_watch.observe(&*self.context.clock) else { return Ok(false) };
        tracing::warn!(instrument = self.name(), "{}", step.text());
        self.control.warm_up.clock_set(step.seconds());
        self.line.reconnection.clock_set();
        self.recorder.event(clock_event(self.name(), &step), observer)?;
        if step.shows > self.ticks.last {
            self.pass_over(step.shows, &GapReason::clock_passed_over(), observer)?;
        }
        self.ticks.last = step.shows;
        Ok(true)
    }

    /// Records the ticks after the last one up to `to` as a gap, and continues from there.
    fn pass_over(
        &mut self,
        to: UtcMicros,
        reason: &GapReason,
        observer: &mut dyn Observer,
    ) -> Result<(), AcquisitionError> {
        let ticks = self.schedule.open_ticks(self.ticks.last, to).take(COUNTED_AT_MOST);
        if let Some(span) = GapSpan::over(ticks, reason) {
            self.recorder.gap_span(&span, observer)?;
        }
        self.ticks.last = self.ticks.last.max(to);
        Ok(())
    }
}

fn clock_event(instrument: &str, step: &ClockStep) -> Event {
    Event {
        time: step.shows,
        until: (step.seconds() < 0.0).then_some(step.expected),
        instrument: Some(instrument.to_owned()),
        kind: EventKind::Clock,
        text: step.text(),
    }
}
