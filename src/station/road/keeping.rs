//! What the road keeps: readings with all that belongs to them, gaps and events; and what waits for room.
//!
//! Reckoning and judging are other rooms' work. What must stay true: every tick ends on record, at once or when the disk has
//! room again, in the order in which things happened; what is told as stored is on the disk.

use super::meeting::{EXPOSURE_TRACKER, SOURCE_EXPOSURE_TRACKER, WARM_UP_TRACKER};
use super::{Road, json};
use crate::capture::grid::whole_half_cycles;
use crate::capture::{ExposureState, Taken, WarmUp};
use crate::clock::UtcMicros;
use crate::fault::{Fault, GapCause};
use crate::quality::drift::DarkDrift;
use crate::record::{Event, Frame};
use crate::station::StationError;
use crate::station::backlog::Committed;
use crate::station::parts::Observer;
use crate::station::reckon::{Circumstances, Taking, without_calibration};
use crate::station::watch::{DARK_TRACKER, SAVED_EVERY_S};
use crate::store::{FrameRecord, MadeWith, NewReading, Tracker};

/// What of the road's own state is in the store.
#[derive(Clone, Debug, Default)]
pub(super) struct Saved {
    /// Exposure control before the light that is measured, and before the check source: when, and what.
    light: (Option<UtcMicros>, ExposureState),
    source: (Option<UtcMicros>, ExposureState),
    drift: Option<DarkDrift>,
}

impl Saved {
    /// State to be saved with a reading: the warm-up always, since it tells how long the instrument was not heard; the dark's
    /// drift where it has changed; exposure control where its times or its stuck pixels have, and otherwise now and then. It is
    /// the check source's or the other light's, whichever the reading is of: the other one's is on record as it was.
    fn due(
        &mut self,
        instrument: i64,
        now: UtcMicros,
        reference: bool,
        (exposure, warm_up, drift): (&ExposureState, &WarmUp, &DarkDrift),
    ) -> Vec<Tracker> {
        let tracker = |name: &str, json: String| Tracker { instrument, name: name.into(), json, time: now };
        let mut due = vec![tracker(WARM_UP_TRACKER, json(warm_up))];
        let times = |e: &ExposureState| (e.short_s, e.long_s);
        let (name, (at, saved)) = match reference {
            true => (SOURCE_EXPOSURE_TRACKER, &mut self.source),
            false => (EXPOSURE_TRACKER, &mut self.light),
        };
        let changed = times(exposure) != times(saved) || exposure.stuck != saved.stuck;
        if changed || at.is_none_or(|at| now.seconds_since(at).abs() >= SAVED_EVERY_S) {
            due.push(tracker(name, json(exposure)));
            (*at, *saved) = (Some(now), exposure.clone());
        }
        if self.drift.as_ref() != Some(drift) {
            due.push(tracker(DARK_TRACKER, json(drift)));
            self.drift = Some(drift.clone());
        }
        due
    }
}

impl Road {
    /// Reckons the reading, commits it with everything that belongs to it and tells the observer.
    pub(super) fn store(
        &mut self,
        tick: UtcMicros,
        taken: &Taken,
        (link_fault, broken_off): (bool, bool),
        observer: &mut dyn Observer,
    ) -> Result<(), StationError> {
        let now = self.parts.clock.now();
        let name = self.parts.instrument.name.clone();
        let stuck = taken.frames.iter().flat_map(|f| &f.stamps).any(|s| self.stuck_crcs.contains(&s.crc32));
        let sun = taken.frames.first().and_then(|f| self.sun_about(f.start())).map(|s| s.elevation_deg);
        let reference = self.schedule.is_reference(tick);
        let Some(met) = self.met.as_mut() else { return Ok(()) };
        met.watch.take_notes(&self.parts.store)?;
        met.watch.take_darks(met.darkroom.drift(), met.darkroom.pixels(), now);
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
        let mut reckoned = match met.calibrated.as_mut() {
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
        let exposure = if reference { &self.source_exposure } else { &self.exposure };
        let own = (exposure, &self.warm_up, met.darkroom.drift());
        let mut trackers = self.saved.due(met.row, now, reference, own);
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
                self.under_way = None;
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
                if let Some(met) = &self.met {
                    met.watch.put_under_spans(&mut reckoned.reading);
                }
                observer.stored(id, &reckoned, &taken.frames);
                told.iter().for_each(|event| observer.event(event));
                if let Some(c) = self.met.as_mut().and_then(|m| m.calibrated.as_mut()) {
                    c.reckoner.recycle(reckoned.reduced);
                }
                Ok(())
            }
            Committed::Waiting(let_go) => {
                self.under_way = None;
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
            Err(StationError::Store(error)) if error.can_wait() => {
                tracing::error!("{error}: what the trackers found is not on record yet");
                Ok(Vec::new())
            }
            Err(error) => Err(error),
        }
    }

    /// Looks at the free space now and then, and lets go of raw frames that have had their time.
    pub(super) fn look_after_room(&mut self) -> Result<(), StationError> {
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
            Err(error) if error.can_wait() => Ok(()),
            Err(error) => Err(error.into()),
        }
    }

    /// Keeps an hour or a day that has passed, where one is not kept.
    pub(super) fn sum_up(&mut self) {
        if !self.parts.backlog().is_empty() {
            return;
        }
        match self.keeper.keep_one(&self.parts.store, self.parts.clock.now()) {
            // What is not kept is worked out when somebody asks: no reason to end the road, and none to say that there is no room.
            Err(error) if !error.can_wait() => {
                tracing::warn!(instrument = self.parts.instrument.name, "an hour or a day is not summed up: {error}")
            }
            _ => {}
        }
    }

    /// Writes what waits for room, as far as there is some.
    pub(super) fn catch_up(&mut self, observer: &mut dyn Observer) -> Result<(), StationError> {
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

    pub(super) fn gap(
        &mut self,
        tick: UtcMicros,
        fault: &Fault,
        observer: &mut dyn Observer,
    ) -> Result<(), StationError> {
        self.gap_of(tick, fault.cause(), &fault.to_string(), observer)
    }

    /// Puts a reading that did not happen on record, or in the row of what waits for room.
    pub(super) fn gap_of(
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
            Err(error) if error.can_wait() => {
                self.gaps.close();
                backlog.begin(&error, tick);
                backlog.gap(tick, cause, why);
            }
            Err(error) => return Err(error.into()),
        }
        Ok(())
    }

    pub(super) fn record(&mut self, event: Event, observer: &mut dyn Observer) -> Result<(), StationError> {
        observer.event(&event);
        let mut backlog = self.parts.backlog();
        if !backlog.is_empty() {
            backlog.event(event);
            return Ok(());
        }
        match self.parts.store.add_event(&event) {
            Err(error) if error.can_wait() => {
                backlog.begin(&error, event.time);
                backlog.event(event);
            }
            other => drop(other?),
        }
        Ok(())
    }
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
