//! The thin loop of one instrument: sleep, exchange, reduce, commit.
//!
//! It decides nothing: schedule, exposure, darks, reduction and verdicts are other rooms' work, and this loop carries
//! their decisions out in order. What must stay true: one thread owns the whole road; every tick ends in a stored reading or
//! in a gap with its cause; what is printed as stored is on the disk.

mod commit;
mod connection;
mod darks;

use super::StationError;
use super::context::{LoopContext, Observer};
use super::gaps::GapKeeper;
use crate::archive::daily::Keeper;
use crate::clock::{Stop, UtcMicros, Wake};
use crate::exposure::{AcquiredFrames, Action, ExposureState, Gate, ReadingPlan, Schedule, WarmUp};
use crate::fault::{Fault, GapCause};
use crate::instrument::{Backoff, Session};
use crate::processing::pipeline::mean_time;
use crate::summary::Rules;
use commit::LoopState;
use connection::Connected;
use std::sync::Arc;
use std::time::Duration;

/// A wall clock that moved by more than this against the monotonic one while a reading ran was set [s].
const CLOCK_STEP_S: f64 = 0.5;
/// Where a road ended in an error.
#[derive(Clone, Debug)]
pub struct Interrupted {
    /// Every tick before it has its reading or gap.
    last_tick: UtcMicros,
    /// The last tick, where it has neither.
    under_way: Option<UtcMicros>,
    /// The error.
    why: String,
}

/// One instrument's road.
pub struct AcquisitionLoop {
    parts: LoopContext,
    stop: Stop,
    session: Session,
    schedule: Schedule,
    backoff: Backoff,
    retry_at: Option<UtcMicros>,
    /// What the instrument was lost to, or why it was not met; `None` while it is there.
    last_fault: Option<Fault>,
    gaps: GapKeeper,
    met: Option<Connected>,
    warm_up: WarmUp,
    exposure: ExposureState,
    saved: LoopState,
    /// The same before the check source.
    source_exposure: ExposureState,
    /// Checksum of the exposure before, whatever it was for.
    last_crc: Option<u32>,
    /// Checksums of this reading's exposures that were the exposure before once more.
    stuck_crcs: Vec<u32>,
    last_tick: UtcMicros,
    /// The tick under way, until its reading or its gap is on record.
    under_way: Option<UtcMicros>,
    retries_seen: u64,
    keeper: Keeper,
}

impl AcquisitionLoop {
    /// A road that has not met its instrument yet.
    pub fn new(parts: &LoopContext, stop: Stop) -> Result<Self, StationError> {
        let link = (parts.link)(&stop);
        let session = Session::new(link, Arc::clone(&parts.clock), stop.clone(), parts.instrument.baud, parts.dialect);
        let now = parts.clock.now();
        Ok(Self {
            session,
            schedule: Schedule::new(&parts.instrument.schedule, &parts.station),
            backoff: Backoff::default(),
            retry_at: None,
            last_fault: None,
            gaps: GapKeeper::new(&parts.instrument.name),
            met: None,
            warm_up: WarmUp::default(),
            exposure: ExposureState::default(),
            saved: LoopState::default(),
            source_exposure: ExposureState::default(),
            last_crc: None,
            stuck_crcs: Vec::new(),
            last_tick: now,
            under_way: None,
            retries_seen: 0,
            keeper: Keeper::new(&parts.instrument.name, Rules::of(&parts.station)),
            parts: parts.clone(),
            stop,
        })
    }

    /// Where this road ended in an error, for the one that takes over.
    pub fn interrupted(&self, error: &StationError) -> Interrupted {
        Interrupted { last_tick: self.last_tick, under_way: self.under_way, why: error.to_string() }
    }

    /// Puts the readings on record that did not happen since the road before this one ended in an error.
    pub fn resume_after(&mut self, from: &Interrupted, observer: &mut dyn Observer) -> Result<(), StationError> {
        let now = self.parts.clock.now();
        let open = from.under_way.filter(|tick| self.schedule.gate(*tick) == Gate::Open);
        let why = format!("the loop of this instrument ended in an error and was started again: {}", from.why);
        for missed in open.into_iter().chain(self.schedule.missed(from.last_tick, now)) {
            self.gap_of(missed, GapCause::Stopped, &why, observer)?;
        }
        self.last_tick = self.last_tick.max(now);
        Ok(())
    }

    /// Goes on until the stop flag is raised, or until the first tick after `until`.
    pub fn run(&mut self, observer: &mut dyn Observer, until: Option<UtcMicros>) -> Result<(), StationError> {
        self.go_on(observer, until)?;
        if self.stop.requested() {
            self.catch_up(observer)?;
            let (waiting, instrument) = (self.parts.backlog().readings(), self.name());
            if waiting > 0 {
                tracing::error!(
                    instrument,
                    "nothing could be written to the end: {waiting} readings in memory end with this process"
                );
            }
        }
        Ok(())
    }

    fn go_on(&mut self, observer: &mut dyn Observer, until: Option<UtcMicros>) -> Result<(), StationError> {
        loop {
            let Some(tick) = self.schedule.next_tick(self.last_tick) else {
                tracing::warn!(instrument = self.name(), "the schedule has no further tick");
                return Ok(());
            };
            if until.is_some_and(|u| tick > u) {
                return Ok(());
            }
            self.parts.status.update(|s| {
                s.doing = "waiting";
                s.next = Some(tick);
            });
            if self.wait_for(tick, observer)? == Wake::Stopped {
                return Ok(());
            }
            (self.last_tick, self.under_way) = (tick, Some(tick));
            let began = self.parts.clock.now();
            self.parts.status.update(|s| {
                s.doing = "reading";
                s.heartbeat = Some(began);
            });
            let done = match self.tick(tick, observer) {
                // What the reading would have needed on record could not be put there.
                Err(StationError::Store(error)) if error.can_wait() => {
                    self.gap_of(tick, GapCause::StorageFull, &error.to_string(), observer)?;
                    Ok(())
                }
                other => other?,
            };
            match done {
                Ok(()) => {}
                Err(Fault::Stopped) => {
                    self.gap(tick, &Fault::Stopped, observer)?;
                    return Ok(());
                }
                Err(fault) => self.gap(tick, &fault, observer)?,
            }
            self.under_way = None;
            self.note_retries();
            self.catch_up(observer)?;
            self.look_after_room()?;
            self.sum_up();
            let now = self.parts.clock.now();
            for missed in self.schedule.missed(tick, now) {
                self.gap_of(missed, GapCause::Busy, "the reading before it, or its darks, still ran", observer)?;
            }
            self.last_tick = self.schedule.last_tick(tick, now).unwrap_or(tick);
            if self.stop.requested() {
                return Ok(());
            }
        }
    }

    fn name(&self) -> &str {
        &self.parts.instrument.name
    }

    /// Sleeps until the tick, trying meanwhile to meet an instrument that is away.
    fn wait_for(&mut self, tick: UtcMicros, observer: &mut dyn Observer) -> Result<Wake, StationError> {
        loop {
            let now = self.parts.clock.now();
            let retry = if self.met.is_none() { Some(self.retry_at.unwrap_or(now)) } else { None };
            let Some(at) = retry.filter(|at| *at < tick) else {
                return Ok(self.parts.clock.sleep_until(tick, &self.stop));
            };
            if self.parts.clock.sleep_until(at, &self.stop) == Wake::Stopped {
                return Ok(Wake::Stopped);
            }
            if let Err(fault) = self.meet(observer)? {
                if fault == Fault::Stopped {
                    return Ok(Wake::Stopped);
                }
                self.lost(&fault);
            }
        }
    }

    /// One tick. The outer result ends the road, the inner one becomes a gap.
    fn tick(&mut self, tick: UtcMicros, observer: &mut dyn Observer) -> Result<Result<(), Fault>, StationError> {
        let open = self.schedule.gate(tick) == Gate::Open;
        if self.met.is_none() {
            // The backoff holds here too: a port that cannot be opened is not hammered by the schedule.
            let fault = match self.retry_at.filter(|at| *at > self.parts.clock.now()) {
                Some(_) => Some(self.absent()),
                None => self.meet(observer)?.err(),
            };
            if let Some(fault) = fault {
                self.lost(&fault);
                return Ok(if open { Err(fault) } else { Ok(()) });
            }
        }
        let result = if open { self.read(tick, observer)? } else { self.only_darks(tick, observer)? };
        if let Err(fault) = &result
            && ends_the_connection(fault)
        {
            self.lost(fault);
        }
        Ok(if open { result } else { result.or(Ok(())) })
    }

    /// One reading, with the darks it needs.
    fn read(&mut self, tick: UtcMicros, observer: &mut dyn Observer) -> Result<Result<(), Fault>, StationError> {
        let began = self.parts.clock.now();
        let (mono, rereads_before) = (self.parts.clock.monotonic(), self.session.counters().retries);
        // Before a number is trusted, but without an exchange of its own.
        self.session.check_identity_with_next();
        self.calibrate(began)?;
        let check_source = self.schedule.is_check_source(tick);
        // The check source is another light: what it needs is remembered apart.
        let state = if check_source { self.source_exposure.clone() } else { self.exposure.clone() };
        let (taken, mut fault) = self.expose_all(began, state);
        if check_source {
            self.source_exposure = taken.state.clone();
        } else {
            self.exposure = taken.state.clone();
        }
        if taken.frames.is_empty() {
            return Ok(Err(fault.unwrap_or_else(|| Fault::NoAnswer {
                command: "a whole reading".into(),
                waited: Duration::from_secs_f64(self.parts.clock.now().seconds_since(began).max(0.0)),
                found: "no exposure served".into(),
            })));
        }
        let interrupted = fault.is_some();
        // Computed once a reading: its darks, its record and its checks all take this one.
        let sun = self.parts.station.sun_at(mean_time(taken.frames.iter()));
        // What was measured is kept, whatever happens after the light: a reading of fewer exposures, or of older darks.
        if fault.is_none() {
            let used: Vec<f64> = taken.frames.iter().map(|f| f.integration_s).collect();
            let temperature_c = taken.frames.iter().rev().find_map(|f| f.temperature_c);
            let end = self.schedule.next_tick(tick);
            fault = self.take_darks(&used, (temperature_c, sun), tick, end, observer)?.err();
        }
        let now = self.parts.clock.now();
        let drifted = self.parts.clock.real_for(Duration::from_secs_f64(now.seconds_since(began).max(0.0)));
        let elapsed = self.parts.clock.monotonic().saturating_sub(mono);
        if elapsed.abs_diff(drifted).as_secs_f64() > CLOCK_STEP_S {
            self.warm_up.clock_set(elapsed.as_secs_f64() - drifted.as_secs_f64());
            self.gap_of(tick, GapCause::ClockStepped, "the clock was set while the reading ran", observer)?;
            return Ok(Ok(()));
        }
        self.warm_up.heard(now);
        let link_fault = fault.is_some() || self.session.counters().retries > rereads_before;
        self.store(tick, &taken, sun, (link_fault, interrupted), observer)?;
        match fault {
            Some(fault) if ends_the_connection(&fault) => self.lost(&fault),
            Some(fault) => {
                tracing::warn!(instrument = self.name(), "{fault}; the reading stands without what was to follow")
            }
            None => {}
        }
        Ok(Ok(()))
    }

    /// The light of one reading: all of it, or what there was when a fault came.
    fn expose_all(&mut self, began: UtcMicros, state: ExposureState) -> (AcquiredFrames, Option<Fault>) {
        self.stuck_crcs.clear();
        let Some(met) = self.met.as_ref() else { return (AcquiredFrames::none(state), Some(self.absent())) };
        let mut plan = ReadingPlan::new(&met.setup, state.clone(), began);
        while let Action::Expose { integration_s, shutter, delay_s } = plan.next(self.parts.clock.now()) {
            self.session.wait(delay_s);
            let exposure = match self.session.expose(integration_s, shutter) {
                Ok(exposure) => exposure,
                // Whose light it was until then cannot be known.
                Err(fault @ Fault::Identity { .. }) => return (AcquiredFrames::none(state), Some(fault)),
                Err(fault) => return (plan.finish(), Some(fault)),
            };
            if self.last_crc.replace(exposure.crc32) == Some(exposure.crc32) {
                self.stuck_crcs.push(exposure.crc32);
            }
            plan.take(exposure);
        }
        (plan.finish(), None)
    }

    fn note_retries(&mut self) {
        let retries = self.session.counters().retries;
        if retries > self.retries_seen {
            let more = retries - self.retries_seen;
            tracing::warn!(instrument = self.name(), "{more} exchanges had to be repeated");
            self.parts.status.update(|s| s.retries += more);
        }
        self.retries_seen = retries;
    }
}

/// Whether an instrument with this fault has to be met anew.
fn ends_the_connection(fault: &Fault) -> bool {
    matches!(fault, Fault::Absent { .. } | Fault::Identity { .. } | Fault::NoAnswer { .. })
}

/// Our own plain structures always become JSON.
fn json<T: serde::Serialize>(state: &T) -> String {
    serde_json::to_string(state).unwrap_or_default()
}
