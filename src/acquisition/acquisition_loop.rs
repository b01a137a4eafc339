//! The loop of one instrument: sleep, expose, process, commit.
//!
//! Pure modules decide about schedule, exposure, darks, reduction and verdicts; the loop performs their decisions in order.
//! Invariants: one thread owns the loop; every tick ends in a [`TickOutcome`], and a gap is recorded with its cause.

mod commit;
mod connection;
mod darks;
mod detector;
mod line;
mod reading;
mod update;
mod waiting;

use super::AcquisitionError;
use super::clock_watch::ClockWatch;
use super::context::{LoopContext, Observer};
use super::reconnection::ends_the_connection;
use super::recorder::Recorder;
use super::saved_control::SavedControl;
use super::tick::{GapReason, TickOutcome};
use crate::archive::daily::RollUpWriter;
use crate::clock::{Stop, UtcMicros};
use crate::exposure::{Gate, Schedule};
use crate::fault::Fault;
use crate::record::{Event, EventKind};
use crate::summary::Rules;
use connection::Connected;
use line::Line;
use waiting::Waited;

/// The position of a loop that ended in an error.
#[derive(Clone, Debug)]
pub struct Interrupted {
    /// Every earlier tick has its reading or gap.
    last_tick: UtcMicros,
    /// The last tick, if it has neither reading nor gap.
    unfinished: Option<UtcMicros>,
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
    clock_watch: ClockWatch,
    roll_ups: RollUpWriter,
}

/// The position of the loop in its schedule.
struct Ticks {
    /// Every earlier tick has its reading or gap.
    last: UtcMicros,
    /// The last tick, until its reading or gap is recorded.
    unfinished: Option<UtcMicros>,
}

/// The outcome of a tick, and the fault of the instrument during it, if any.
struct TickEnd {
    outcome: TickOutcome,
    fault: Option<Fault>,
}

impl AcquisitionLoop {
    /// A loop without a connection to its instrument.
    pub fn new(context: &LoopContext, stop: Stop) -> Self {
        let context = context.updated();
        let name = &context.instrument.name;
        Self {
            line: Line::new(context.session(&stop)),
            schedule: Schedule::new(&context.instrument.schedule, &context.station),
            connected: None,
            control: SavedControl::default(),
            recorder: Recorder::new(name, context.storage.clone(), context.status.clone()),
            ticks: Ticks { last: context.assembled, unfinished: None },
            clock_watch: ClockWatch::new(&*context.clock),
            roll_ups: RollUpWriter::new(name, Rules::of(&context.station)),
            context,
            stop,
        }
    }

    /// The position of this loop after an error, for its successor.
    pub fn interrupted(&self, error: &AcquisitionError) -> Interrupted {
        Interrupted { last_tick: self.ticks.last, unfinished: self.ticks.unfinished, error: error.to_string() }
    }

    /// Records a gap for each tick missed since the previous loop ended in an error.
    pub fn resume_after(&mut self, before: &Interrupted, observer: &mut dyn Observer) -> Result<(), AcquisitionError> {
        let now = self.context.clock.now();
        let open = before.unfinished.filter(|tick| self.schedule.gate(*tick) == Gate::Open);
        let reason = GapReason::loop_ended(&before.error);
        for missed in open.into_iter().chain(self.schedule.missed(before.last_tick, now)) {
            self.recorder.gap(missed, &reason, observer)?;
        }
        // Not the later of the two: the clock may have been set back since the daemon was assembled.
        self.ticks.last = now;
        Ok(())
    }

    /// Runs until the stop flag is raised, or until the first tick after `until`.
    pub fn run(&mut self, observer: &mut dyn Observer, until: Option<UtcMicros>) -> Result<(), AcquisitionError> {
        self.run_ticks(observer, until)?;
        if self.stop.requested() {
            self.recorder.write_queued(observer)?;
            let queued = self.recorder.queued_readings();
            if queued > 0 {
                tracing::error!(
                    instrument = self.name(),
                    "the database could not be written: {queued} queued readings are lost as the process ends"
                );
            }
        }
        Ok(())
    }

    fn run_ticks(&mut self, observer: &mut dyn Observer, until: Option<UtcMicros>) -> Result<(), AcquisitionError> {
        loop {
            self.observe_clock(observer)?;
            let Some(tick) = self.schedule.next_tick(self.ticks.last) else {
                tracing::warn!(instrument = self.name(), "the schedule has no further tick");
                return Ok(());
            };
            if until.is_some_and(|until| tick > until) {
                return Ok(());
            }
            match self.wait_for(tick, observer)? {
                Waited::Due => {}
                Waited::AnotherTick => continue,
                Waited::Stopped => return Ok(()),
            }
            let outcome = self.perform(tick, observer)?;
            let shutdown = outcome == TickOutcome::Shutdown;
            self.conclude(tick, outcome, observer)?;
            if shutdown || self.stop.requested() {
                return Ok(());
            }
            self.after_tick(observer)?;
        }
    }

    fn name(&self) -> &str {
        &self.context.instrument.name
    }

    /// Performs a tick. If the disk is full or the database locked, the reading is missed and the loop continues.
    fn perform(&mut self, tick: UtcMicros, observer: &mut dyn Observer) -> Result<TickOutcome, AcquisitionError> {
        self.ticks = Ticks { last: tick, unfinished: Some(tick) };
        let began = self.context.clock.now();
        self.context.status.update(|s| {
            s.activity = "reading";
            s.heartbeat = Some(began);
        });
        let gate = self.schedule.gate(tick);
        let outcome = match self.tick(tick, gate, observer) {
            Err(AcquisitionError::Store(error)) if error.is_transient() => TickOutcome::of_full_store(&error, gate),
            other => other?,
        };
        self.observe_clock(observer)?;
        Ok(match outcome {
            // The answer that was waited for has long been there.
            TickOutcome::Gap(reason) if self.context.progress.suspended() && reason.is_of_the_line() => {
                TickOutcome::Gap(GapReason::suspended())
            }
            other => other,
        })
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

    /// Records the outcome of a tick.
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
        self.ticks.unfinished = None;
        Ok(())
    }

    /// Performs the tasks between two ticks, and records ticks missed meanwhile.
    fn after_tick(&mut self, observer: &mut dyn Observer) -> Result<(), AcquisitionError> {
        self.report_retries();
        self.report_damage(observer)?;
        self.recorder.write_queued(observer)?;
        self.check_disk_space()?;
        self.store_roll_up();
        let now = self.context.clock.now();
        let reason = if self.context.progress.take_suspended() { GapReason::suspended() } else { GapReason::busy() };
        for missed in self.schedule.missed(self.ticks.last, now) {
            self.recorder.gap(missed, &reason, observer)?;
        }
        self.ticks.last = self.schedule.last_tick(self.ticks.last, now).unwrap_or(self.ticks.last);
        self.recorder.summarise_faults(now);
        Ok(())
    }

    fn report_retries(&mut self) {
        let more = self.line.new_retries();
        if more > 0 {
            let now = self.context.clock.now();
            self.recorder.fault("repeated_exchanges", &format!("{more} exchanges were repeated"), false, now);
            self.context.status.update(|s| s.counts.retries += more);
        }
    }

    /// Records the damaged rows that were set aside since the last call.
    fn report_damage(&mut self, observer: &mut dyn Observer) -> Result<(), AcquisitionError> {
        for row in self.context.storage.store.take_damage() {
            let text = format!("damaged and set aside; measuring continues without it: {row}");
            tracing::error!(instrument = self.name(), "{text}");
            let time = self.context.clock.now();
            let event = Event { time, until: None, instrument: None, kind: EventKind::Storage, text };
            self.recorder.event(event, observer)?;
        }
        Ok(())
    }

    /// Checks the free space at intervals, and deletes raw frames after their retention time.
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
            // A full disk is reported when readings are queued.
            Err(error) if error.is_transient() => Ok(()),
            // What cannot be deleted is no reason to stop measuring.
            Err(error) if error.is_damage() => {
                tracing::error!(instrument = self.name(), "{error}");
                Ok(())
            }
            Err(error) => Err(error.into()),
        }
    }

    /// Stores a missing roll-up of a past hour or day.
    fn store_roll_up(&mut self) {
        if self.recorder.has_queued() {
            return;
        }
        match self.roll_ups.store_next(&self.context.storage.store, self.context.clock.now()) {
            // A missing roll-up is computed on request, so an error does not end the loop, and a full disk is not reported here.
            Err(error) if !error.is_transient() => {
                tracing::warn!(instrument = self.name(), "a roll-up of an hour or day could not be stored: {error}")
            }
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests;
