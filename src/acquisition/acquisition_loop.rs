//! The loop of one instrument: sleep, expose, process, commit.
//!
//! Decides nothing: schedule, exposure, darks, reduction and verdicts are decided by pure modules, and this loop performs their
//! decisions in order. Invariants: one thread owns the whole loop; every tick ends as its [`TickOutcome`] says, and a gap is
//! recorded with its cause.

mod commit;
mod connection;
mod darks;
mod line;
mod reading;

use super::AcquisitionError;
use super::context::{LoopContext, Observer};
use super::reconnection::ends_the_connection;
use super::recorder::Recorder;
use super::saved_control::SavedControl;
use super::tick::{GapReason, TickOutcome};
use crate::archive::daily::Keeper;
use crate::clock::{Stop, UtcMicros, Wake};
use crate::exposure::{Gate, Schedule};
use crate::fault::Fault;
use crate::summary::Rules;
use connection::Connected;
use line::Line;

/// Where a loop ended in an error.
#[derive(Clone, Debug)]
pub struct Interrupted {
    /// Every tick before it has its reading or gap.
    last_tick: UtcMicros,
    /// The last tick, where it has neither.
    under_way: Option<UtcMicros>,
    /// The error.
    error: String,
}

/// The loop of one instrument.
pub struct AcquisitionLoop {
    context: LoopContext,
    stop: Stop,
    line: Line,
    schedule: Schedule,
    connected: Option<Connected>,
    control: SavedControl,
    recorder: Recorder,
    ticks: Ticks,
    roll_ups: Keeper,
}

/// How far the loop has come.
struct Ticks {
    /// Every tick before it has its reading or gap.
    last: UtcMicros,
    /// The last tick, until its reading or its gap is recorded.
    under_way: Option<UtcMicros>,
}

/// How a tick ended, and the fault that the instrument showed in it, if any.
struct TickEnd {
    outcome: TickOutcome,
    fault: Option<Fault>,
}

impl AcquisitionLoop {
    /// A loop whose instrument is not connected yet.
    pub fn new(context: &LoopContext, stop: Stop) -> Self {
        let name = &context.instrument.name;
        Self {
            line: Line::new(context.session(&stop)),
            schedule: Schedule::new(&context.instrument.schedule, &context.station),
            connected: None,
            control: SavedControl::default(),
            recorder: Recorder::new(name, context.storage.clone(), context.status.clone()),
            ticks: Ticks { last: context.assembled, under_way: None },
            roll_ups: Keeper::new(name, Rules::of(&context.station)),
            context: context.clone(),
            stop,
        }
    }

    /// Where this loop ended in an error, for the next one.
    pub fn interrupted(&self, error: &AcquisitionError) -> Interrupted {
        Interrupted { last_tick: self.ticks.last, under_way: self.ticks.under_way, error: error.to_string() }
    }

    /// Records the readings that did not happen since the loop before this one ended in an error.
    pub fn resume_after(&mut self, before: &Interrupted, observer: &mut dyn Observer) -> Result<(), AcquisitionError> {
        let now = self.context.clock.now();
        let open = before.under_way.filter(|tick| self.schedule.gate(*tick) == Gate::Open);
        let reason = GapReason::loop_ended(&before.error);
        for missed in open.into_iter().chain(self.schedule.missed(before.last_tick, now)) {
            self.recorder.gap(missed, &reason, observer)?;
        }
        self.ticks.last = self.ticks.last.max(now);
        Ok(())
    }

    /// Continues until the stop flag is raised, or until the first tick after `until`.
    pub fn run(&mut self, observer: &mut dyn Observer, until: Option<UtcMicros>) -> Result<(), AcquisitionError> {
        self.run_ticks(observer, until)?;
        if self.stop.requested() {
            self.recorder.write_queued(observer)?;
            let queued = self.recorder.queued_readings();
            if queued > 0 {
                tracing::error!(
                    instrument = self.name(),
                    "nothing could be written to the end: {queued} readings in memory end with this process"
                );
            }
        }
        Ok(())
    }

    fn run_ticks(&mut self, observer: &mut dyn Observer, until: Option<UtcMicros>) -> Result<(), AcquisitionError> {
        loop {
            let Some(tick) = self.schedule.next_tick(self.ticks.last) else {
                tracing::warn!(instrument = self.name(), "the schedule has no further tick");
                return Ok(());
            };
            if until.is_some_and(|until| tick > until) || self.wait_for(tick, observer)? == Wake::Stopped {
                return Ok(());
            }
            let outcome = self.perform(tick, observer)?;
            let shutdown = outcome == TickOutcome::Shutdown;
            self.conclude(tick, outcome, observer)?;
            if shutdown || self.stop.requested() {
                return Ok(());
            }
            self.look_after(tick, observer)?;
        }
    }

    fn name(&self) -> &str {
        &self.context.instrument.name
    }

    /// Sleeps until the tick; meanwhile tries to connect an instrument that is away.
    fn wait_for(&mut self, tick: UtcMicros, observer: &mut dyn Observer) -> Result<Wake, AcquisitionError> {
        self.context.status.update(|s| {
            s.activity = "waiting";
            s.next = Some(tick);
        });
        loop {
            let attempt = self.line.reconnection.next_attempt(self.context.clock.now());
            if self.connected.is_some() || attempt >= tick {
                return Ok(self.context.clock.sleep_until(tick, &self.stop));
            }
            if self.context.clock.sleep_until(attempt, &self.stop) == Wake::Stopped {
                return Ok(Wake::Stopped);
            }
            if let Some(fault) = self.connect(observer)? {
                if fault == Fault::Stopped {
                    return Ok(Wake::Stopped);
                }
                self.disconnect(&fault);
            }
        }
    }

    /// Performs a tick. A store that is full or held by another process costs the reading and not the loop.
    fn perform(&mut self, tick: UtcMicros, observer: &mut dyn Observer) -> Result<TickOutcome, AcquisitionError> {
        self.ticks = Ticks { last: tick, under_way: Some(tick) };
        let began = self.context.clock.now();
        self.context.status.update(|s| {
            s.activity = "reading";
            s.heartbeat = Some(began);
        });
        let gate = self.schedule.gate(tick);
        match self.tick(tick, gate, observer) {
            Err(AcquisitionError::Store(error)) if error.can_wait() => Ok(TickOutcome::of_full_store(&error, gate)),
            other => other,
        }
    }

    fn tick(
        &mut self,
        tick: UtcMicros,
        gate: Gate,
        observer: &mut dyn Observer,
    ) -> Result<TickOutcome, AcquisitionError> {
        if let Some(fault) = self.ensure_connected(observer)? {
            self.disconnect(&fault);
            return Ok(TickOutcome::of_fault(&fault, gate));
        }
        let Some(mut connected) = self.connected.take() else {
            return Ok(TickOutcome::of_fault(&self.absent(), gate));
        };
        let end = match gate {
            Gate::Open => self.read(&mut connected, tick, observer),
            Gate::Closed => self.take_only_darks(&mut connected, tick, observer),
        };
        self.connected = Some(connected);
        let end = end?;
        if let Some(fault) = end.fault.filter(ends_the_connection) {
            self.disconnect(&fault);
        }
        Ok(end.outcome)
    }

    /// Records how a tick ended.
    fn conclude(
        &mut self,
        tick: UtcMicros,
        outcome: TickOutcome,
        observer: &mut dyn Observer,
    ) -> Result<(), AcquisitionError> {
        match outcome {
            TickOutcome::Gap(reason) => self.recorder.gap(tick, &reason, observer)?,
            TickOutcome::Shutdown => self.recorder.gap(tick, &GapReason::from(&Fault::Stopped), observer)?,
            TickOutcome::Stored | TickOutcome::Queued | TickOutcome::NotDue => {}
        }
        self.ticks.under_way = None;
        Ok(())
    }

    /// What is done between two ticks, and the ticks that came while this one ran.
    fn look_after(&mut self, tick: UtcMicros, observer: &mut dyn Observer) -> Result<(), AcquisitionError> {
        self.report_retries();
        self.recorder.write_queued(observer)?;
        self.check_disk_space()?;
        self.sum_up();
        let now = self.context.clock.now();
        for missed in self.schedule.missed(tick, now) {
            self.recorder.gap(missed, &GapReason::busy(), observer)?;
        }
        self.ticks.last = self.schedule.last_tick(tick, now).unwrap_or(tick);
        Ok(())
    }

    fn report_retries(&mut self) {
        let more = self.line.new_retries();
        if more > 0 {
            tracing::warn!(instrument = self.name(), "{more} exchanges had to be repeated");
            self.context.status.update(|s| s.counts.retries += more);
        }
    }

    /// Checks the free space now and then, and deletes raw frames past their retention.
    fn check_disk_space(&mut self) -> Result<(), AcquisitionError> {
        let storage = &self.context.storage;
        let synchronised = (self.context.clock_synchronised)() == Some(true);
        match storage.disk_space.check(&storage.store, self.context.clock.now(), synchronised) {
            Ok(Some(report)) => {
                if report.raw_purged > 0 {
                    tracing::info!("raw frames of {} readings deleted, as configured", report.raw_purged);
                }
                self.context.status.update(|s| s.storage.free = report.free.map(|free| (free, report.below_floor)));
                Ok(())
            }
            Ok(None) => Ok(()),
            // A full disk is reported where readings begin to be queued.
            Err(error) if error.can_wait() => Ok(()),
            Err(error) => Err(error.into()),
        }
    }

    /// Stores the sums of an hour or a day that has passed, where they are not stored yet.
    fn sum_up(&mut self) {
        if self.recorder.has_queued() {
            return;
        }
        match self.roll_ups.keep_one(&self.context.storage.store, self.context.clock.now()) {
            // What is not stored is computed when it is read: no reason to end the loop, and none to report a full disk.
            Err(error) if !error.can_wait() => {
                tracing::warn!(instrument = self.name(), "an hour or a day is not summed up: {error}")
            }
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests;
