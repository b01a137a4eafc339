//! The thin loop of one instrument: sleep, exchange, reduce, commit.
//!
//! It decides nothing: schedule, exposure, darks, reduction and verdicts are other rooms' work, and this loop carries
//! their decisions out in order. What must stay true: one thread owns the whole road; every tick ends in a stored reading or
//! in a gap with its cause; what is printed as stored is on the disk.

mod meeting;

use super::StationError;
use super::backlog::Committed;
use super::darkroom::{Developed, Means, Pause};
use super::gaps::GapKeeper;
use super::parts::{Observer, RoadParts};
use super::reckon::{Circumstances, Taking, without_calibration};
use super::watch::DARK_TRACKER;
use crate::capture::grid::whole_half_cycles;
use crate::capture::{Action, DarkOrder, ExposureState, Gate, ReadingPlan, Schedule, Taken, WarmUp};
use crate::clock::{Stop, UtcMicros, Wake};
use crate::fault::{Fault, GapCause};
use crate::instrument::{Backoff, Session};
use crate::record::{DarkSource, Event, Exposure, Frame, Shutter};
use crate::store::{FrameRecord, MadeWith, NewReading, Tracker};
use crate::sun;
use meeting::{EXPOSURE_TRACKER, Met, WARM_UP_TRACKER};
use std::sync::Arc;
use std::time::Duration;

/// A wall clock that moved by more than this against the monotonic one while a reading ran was set [s].
const CLOCK_STEP_S: f64 = 0.5;
/// Time kept free before the next tick [s].
const SPARE_S: f64 = 2.0;
/// Darks in ticks that the gate closes take at most so long in one go [s].
const CLOSED_S: f64 = 300.0;

/// One instrument's road.
pub struct Road {
    parts: RoadParts,
    stop: Stop,
    session: Session,
    schedule: Schedule,
    backoff: Backoff,
    retry_at: Option<UtcMicros>,
    /// What the instrument was lost to, or why it was not met; `None` while it is there.
    lost_to: Option<Fault>,
    gaps: GapKeeper,
    met: Option<Met>,
    warm_up: WarmUp,
    exposure: ExposureState,
    /// The same before the check source.
    source_exposure: ExposureState,
    /// Checksum of the exposure before, whatever it was for.
    last_crc: Option<u32>,
    /// Checksums of this reading's exposures that were the exposure before once more.
    stuck_crcs: Vec<u32>,
    last_tick: UtcMicros,
    retries_seen: u64,
}

impl Road {
    /// A road that has not met its instrument yet.
    pub fn new(parts: &RoadParts, stop: Stop) -> Result<Self, StationError> {
        let link = (parts.link)(&stop);
        let session = Session::new(link, Arc::clone(&parts.clock), stop.clone(), parts.instrument.baud, parts.dialect);
        let now = parts.clock.now();
        Ok(Self {
            session,
            schedule: Schedule::new(&parts.instrument.schedule, &parts.station),
            backoff: Backoff::default(),
            retry_at: None,
            lost_to: None,
            gaps: GapKeeper::new(&parts.instrument.name),
            met: None,
            warm_up: WarmUp::default(),
            exposure: ExposureState::default(),
            source_exposure: ExposureState::default(),
            last_crc: None,
            stuck_crcs: Vec::new(),
            last_tick: now,
            retries_seen: 0,
            parts: parts.clone(),
            stop,
        })
    }

    /// Goes on until the stop flag is raised, or until the first tick after `until`.
    pub fn run(&mut self, observer: &mut dyn Observer, until: Option<UtcMicros>) -> Result<(), StationError> {
        self.go_on(observer, until)?;
        if self.stop.requested() {
            self.catch_up(observer)?;
            let (waiting, instrument) = (self.parts.backlog().readings(), self.name());
            if waiting > 0 {
                tracing::error!(instrument, "no room to the end: {waiting} readings in memory end with this process");
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
            self.last_tick = tick;
            let began = self.parts.clock.now();
            self.parts.status.update(|s| {
                s.doing = "reading";
                s.heartbeat = Some(began);
            });
            let done = match self.tick(tick, observer) {
                // What the reading would have needed on record could not be put there.
                Err(StationError::Store(error)) if error.is_storage_full() => {
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
            self.note_retries();
            self.catch_up(observer)?;
            self.look_after_room()?;
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

    fn sun_elevation(&self, t: UtcMicros) -> Option<f64> {
        self.parts
            .station
            .kind
            .sunlit()
            .then(|| sun::position(self.parts.station.place, t).map(|s| s.elevation_deg))
            .flatten()
    }

    /// One reading, with the darks it needs.
    fn read(&mut self, tick: UtcMicros, observer: &mut dyn Observer) -> Result<Result<(), Fault>, StationError> {
        let began = self.parts.clock.now();
        let (mono, rereads_before) = (self.parts.clock.monotonic(), self.session.counters().retries);
        if let Err(fault) = self.session.check_identity() {
            return Ok(Err(fault));
        }
        self.calibrate(began)?;
        let reference = self.schedule.is_reference(tick);
        // The check source is another light: what it needs is remembered apart.
        let state = if reference { self.source_exposure.clone() } else { self.exposure.clone() };
        let (taken, mut fault) = self.expose_all(began, state);
        if reference {
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
        let broken_off = fault.is_some();
        // What was measured is kept, whatever happens after the light: a reading of fewer exposures, or of older darks.
        if fault.is_none() {
            let used: Vec<f64> = taken.frames.iter().map(|f| f.integration_s).collect();
            let temperature_c = taken.frames.iter().rev().find_map(|f| f.temperature_c);
            let end = self.schedule.next_tick(tick);
            fault = self.take_darks(&used, temperature_c, tick, end, observer)?.err();
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
        self.store(tick, &taken, (link_fault, broken_off), observer)?;
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
    fn expose_all(&mut self, began: UtcMicros, state: ExposureState) -> (Taken, Option<Fault>) {
        self.stuck_crcs.clear();
        let Some(met) = self.met.as_ref() else { return (Taken::nothing(state), Some(self.absent())) };
        let mut plan = ReadingPlan::new(&met.setup, state.clone(), began);
        while let Action::Expose { integration_s, shutter } = plan.next(self.parts.clock.now()) {
            let exposure = match self.session.expose(integration_s, shutter) {
                Ok(exposure) => exposure,
                // Whose light it was until then cannot be known.
                Err(fault @ Fault::Identity { .. }) => return (Taken::nothing(state), Some(fault)),
                Err(fault) => return (plan.finish(), Some(fault)),
            };
            if self.last_crc.replace(exposure.crc32) == Some(exposure.crc32) {
                self.stuck_crcs.push(exposure.crc32);
            }
            plan.take(exposure);
        }
        (plan.finish(), None)
    }

    /// Takes the darks that are due after a tick, as far as time allows before `end`.
    fn take_darks(
        &mut self,
        used_s: &[f64],
        temperature_c: Option<f64>,
        tick: UtcMicros,
        end: Option<UtcMicros>,
        observer: &mut dyn Observer,
    ) -> Result<Result<(), Fault>, StationError> {
        let now = self.parts.clock.now();
        let sun_elevation_deg = self.sun_elevation(now);
        let Some(met) = self.met.as_ref() else { return Ok(Ok(())) };
        let until = |from: UtcMicros| end.map_or(f64::INFINITY, |e| e.seconds_since(from) - SPARE_S);
        let pause = Pause {
            now,
            free_s: until(now),
            shortest_s: until(tick) - met.setup.budget_s(),
            used_s,
            sun_elevation_deg,
            temperature_c,
        };
        for order in met.darkroom.orders(&met.means(), &pause) {
            if let Err(fault) = self.take_dark(&order, observer)? {
                return Ok(Err(fault));
            }
        }
        let now = self.parts.clock.now();
        let Some(met) = self.met.as_mut() else { return Ok(Ok(())) };
        let means =
            Means { setup: &met.setup, calibration: met.calibrated.as_ref().map(|c| &**c.reckoner.calibration()) };
        met.darkroom.refit(&means, now)?;
        Ok(Ok(()))
    }

    fn take_dark(&mut self, order: &DarkOrder, observer: &mut dyn Observer) -> Result<Result<(), Fault>, StationError> {
        let shutter = if order.source == DarkSource::Shutter { Shutter::Closed } else { Shutter::Open };
        let mut exposures: Vec<Exposure> = Vec::new();
        let mut outcome = Ok(());
        for _ in 0..order.exposures.max(1) {
            match self.session.expose(order.integration_s, shutter) {
                // The same counts as the exposure before, noise and all, are no dark of this one.
                Ok(exposure) if self.last_crc.replace(exposure.crc32) == Some(exposure.crc32) => {}
                Ok(exposure) => exposures.push(exposure),
                Err(fault) => {
                    outcome = Err(fault);
                    break;
                }
            }
        }
        if matches!(outcome, Err(Fault::Identity { .. })) {
            return Ok(outcome);
        }
        let warming = self.warm_up.warming(self.parts.clock.now(), self.parts.instrument.warm_up_s);
        let Some(met) = self.met.as_mut() else { return Ok(Ok(())) };
        let means =
            Means { setup: &met.setup, calibration: met.calibrated.as_ref().map(|c| &**c.reckoner.calibration()) };
        match met.darkroom.develop(order.source, &exposures, &means, warming)? {
            Developed::Accepted(event) => {
                self.parts.status.update(|s| s.darks.0 += 1);
                if let Some(event) = event {
                    tracing::warn!(instrument = self.name(), "{}", event.text);
                    self.record(event, observer)?;
                }
            }
            Developed::Refused(event) => {
                self.parts.status.update(|s| s.darks.1 += 1);
                self.record(event, observer)?;
            }
        }
        Ok(outcome)
    }

    /// A tick that the gate closes: only darks are looked after.
    fn only_darks(&mut self, tick: UtcMicros, observer: &mut dyn Observer) -> Result<Result<(), Fault>, StationError> {
        if let Err(fault) = self.session.check_identity() {
            return Ok(Err(fault));
        }
        self.calibrate(self.parts.clock.now())?;
        // Nothing has told the detector's temperature yet: any dark of about the last one's will do as reference.
        let temperature_c = self.met.as_ref().and_then(|m| m.darkroom.last_temperature_c());
        let end = self.schedule.next_open_within(tick, CLOSED_S);
        self.take_darks(&[], temperature_c, tick, Some(end), observer)
    }

    /// Reckons the reading, commits it with everything that belongs to it and tells the observer.
    fn store(
        &mut self,
        tick: UtcMicros,
        taken: &Taken,
        (link_fault, broken_off): (bool, bool),
        observer: &mut dyn Observer,
    ) -> Result<(), StationError> {
        let now = self.parts.clock.now();
        let name = self.parts.instrument.name.clone();
        let stuck = taken.frames.iter().flat_map(|f| &f.stamps).any(|s| self.stuck_crcs.contains(&s.crc32));
        let (exposure, warm_up) = (json(&self.exposure), json(&self.warm_up));
        let sun = taken.frames.first().and_then(|f| self.sun_elevation(f.start()));
        let reference = self.schedule.is_reference(tick);
        let Some(met) = self.met.as_mut() else { return Ok(()) };
        met.watch.take_notes(&self.parts.store)?;
        let about = Circumstances {
            warming: self.warm_up.warming(taken.frames[0].start(), self.parts.instrument.warm_up_s),
            stuck,
            shutter_fault: met.darkroom.shutter_fault(&taken.frames, &met.means(), sun),
            dark_drift: met.darkroom.drift().is_beyond(),
            link_fault,
            clock_unsynced: (self.parts.clock_synchronised)() != Some(true),
            single_shot: self.parts.instrument.schedule.window_s.is_none(),
            broken_off,
            unsteady_share: self.parts.instrument.exposure.unsteady_share,
            fill: taken.fill,
            reference,
            tracked: met.watch.tracked(taken.frames[0].start()),
        };
        let served: Vec<_> = taken.frames.iter().map(|f| met.darkroom.serve(f)).collect();
        let takings: Vec<Taking<'_>> = taken
            .frames
            .iter()
            .zip(&served)
            .map(|(frame, s)| Taking {
                frame,
                dark: met.darkroom.dark_for(s),
                dark_use: s.used,
                dark_time: s.time,
                flicker: !whole_half_cycles(frame.integration_s, self.parts.station.mains_hz),
            })
            .collect();
        let reckoned = match met.calibrated.as_mut() {
            Some(c) => {
                let reckoned = c.reckoner.reckon(&takings, &singles(taken), &about);
                let (_, matrix) = c.reckoner.axis(reckoned.reading.detector_temperature, about.tracked.shift_nm);
                met.watch.look(&reckoned, &matrix);
                reckoned
            }
            None => without_calibration(&name, &self.parts.station, &takings, &about),
        };
        let records: Vec<FrameRecord> = taken
            .frames
            .iter()
            .zip(&served)
            .map(|(f, s)| FrameRecord { frame: f.clone(), dark: s.reference, dark_use: Some(s.used) })
            .collect();
        let tracker =
            |name: &str, json: &str| Tracker { instrument: met.row, name: name.into(), json: json.into(), time: now };
        let mut trackers = vec![
            tracker(EXPOSURE_TRACKER, &exposure),
            tracker(WARM_UP_TRACKER, &warm_up),
            tracker(DARK_TRACKER, &json(met.darkroom.drift())),
        ];
        trackers.extend(met.watch.states(now));
        let made_with = MadeWith {
            instrument: met.row,
            calibration: met.calibrated.as_ref().map(|c| c.row),
            configuration: self.parts.configuration,
            computation: self.parts.computation,
        };
        let new = NewReading {
            reading: &reckoned.reading,
            made_with,
            about,
            frames: &records,
            events: &[],
            trackers: &trackers,
        };
        let committed = self.parts.backlog().commit(&self.parts.store, &new)?;
        match committed {
            Committed::Stored(id) => {
                self.gaps.close();
                self.parts.status.update(|s| {
                    s.stored += 1;
                    s.good += u64::from(reckoned.reading.values.iter().any(|v| v.is_good()));
                    s.last = Some((id, reckoned.reading.time_mid));
                    s.exposure = reckoned.reading.exposures.first().map(|r| (r.integration_s, reckoned.reading.fill));
                    for flag in reckoned.reading.flags.names() {
                        *s.flags.entry(flag).or_insert(0) += 1;
                    }
                });
                let told = self.settle(now)?;
                let shown = self.met.as_ref().and_then(|m| m.watch.with_spans(&reckoned));
                observer.stored(id, shown.as_ref().unwrap_or(&reckoned), &taken.frames);
                told.iter().for_each(|event| observer.event(event));
                if let Some(c) = self.met.as_mut().and_then(|m| m.calibrated.as_mut()) {
                    c.reckoner.recycle(reckoned);
                }
                Ok(())
            }
            Committed::Waiting(let_go) => {
                self.gaps.close();
                self.parts.status.update(|s| {
                    s.let_go += let_go;
                    if let_go > 0 {
                        *s.gaps.entry(GapCause::StorageFull.name()).or_insert(0) += let_go;
                    }
                });
                Ok(())
            }
        }
    }

    /// Puts on record what the trackers found. A store that is full takes it with a later reading.
    fn settle(&mut self, now: UtcMicros) -> Result<Vec<Event>, StationError> {
        let Some(met) = self.met.as_mut() else { return Ok(Vec::new()) };
        match met.watch.settle(&self.parts.store, now) {
            Ok(events) => {
                events.iter().for_each(|e| tracing::warn!(instrument = self.parts.instrument.name, "{}", e.text));
                Ok(events)
            }
            Err(StationError::Store(error)) if error.is_storage_full() => {
                tracing::error!("{error}: what the trackers found is not on record yet");
                Ok(Vec::new())
            }
            Err(error) => Err(error),
        }
    }

    /// Looks at the free space now and then, and lets go of raw frames that have had their time.
    fn look_after_room(&mut self) -> Result<(), StationError> {
        let right = (self.parts.clock_synchronised)() == Some(true);
        match self.parts.upkeep.look(&self.parts.store, self.parts.clock.now(), right) {
            Ok(Some(room)) => {
                if room.let_go > 0 {
                    tracing::info!("raw frames of {} readings let go, as configured", room.let_go);
                }
                self.parts.status.update(|s| s.room = room.free.map(|free| (free, room.below_floor)));
                Ok(())
            }
            Ok(None) => Ok(()),
            // That there is none is said where readings begin to wait.
            Err(error) if error.is_storage_full() => Ok(()),
            Err(error) => Err(error.into()),
        }
    }

    /// Writes what waits for room, as far as there is some.
    fn catch_up(&mut self, observer: &mut dyn Observer) -> Result<(), StationError> {
        let mut backlog = self.parts.backlog();
        let status = &self.parts.status;
        let done = backlog.write(&self.parts.store, |id, reading| {
            status.update(|s| {
                s.stored += 1;
                s.good += u64::from(reading.values.iter().any(|v| v.is_good()));
                s.last = Some((id, reading.time_mid));
            });
            observer.stored_late(id, reading);
        });
        let waiting = backlog.readings();
        status.update(|s| s.waiting = waiting);
        Ok(done?)
    }

    fn gap(&mut self, tick: UtcMicros, fault: &Fault, observer: &mut dyn Observer) -> Result<(), StationError> {
        self.gap_of(tick, fault.cause(), &fault.to_string(), observer)
    }

    /// Puts a reading that did not happen on record, or in the row of what waits for room.
    fn gap_of(
        &mut self,
        tick: UtcMicros,
        cause: GapCause,
        why: &str,
        observer: &mut dyn Observer,
    ) -> Result<(), StationError> {
        self.parts.status.gap(cause);
        let mut backlog = self.parts.backlog();
        if !backlog.is_empty() {
            backlog.gap(tick, cause, why);
            return Ok(());
        }
        match self.gaps.add(&self.parts.store, tick, cause, why) {
            Ok(event) => observer.event(&event),
            Err(error) if error.is_storage_full() => {
                self.gaps.close();
                backlog.begin(&error, tick);
                backlog.gap(tick, cause, why);
            }
            Err(error) => return Err(error.into()),
        }
        Ok(())
    }

    fn record(&mut self, event: Event, observer: &mut dyn Observer) -> Result<(), StationError> {
        observer.event(&event);
        let mut backlog = self.parts.backlog();
        if !backlog.is_empty() {
            backlog.event(event);
            return Ok(());
        }
        match self.parts.store.add_event(&event) {
            Err(error) if error.is_storage_full() => {
                backlog.begin(&error, event.time);
                backlog.event(event);
            }
            other => drop(other?),
        }
        Ok(())
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

/// The exposures of a window, rung by rung, as frames of one.
fn singles(taken: &Taken) -> Vec<Vec<Frame>> {
    if taken.singles.is_empty() {
        return Vec::new();
    }
    let mut by_rung = vec![Vec::new(); taken.frames.len()];
    for single in &taken.singles {
        if let (Some(rung), Some(frame)) = (by_rung.get_mut(single.frame), taken.frames.get(single.frame)) {
            // Clipping is judged on the sum of the rung: a pixel that clipped once is out for the whole window.
            rung.extend(
                Frame::of(std::slice::from_ref(&single.exposure), |_| false)
                    .map(|f| Frame { clipped: frame.clipped.clone(), ..f }),
            );
        }
    }
    by_rung
}

/// Our own plain structures always become JSON.
fn json<T: serde::Serialize>(state: &T) -> String {
    serde_json::to_string(state).unwrap_or_default()
}
