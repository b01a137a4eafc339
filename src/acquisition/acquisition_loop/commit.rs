//! What the road keeps: readings with all that belongs to them, gaps and events; and what waits for room.
//!
//! Reckoning and judging are other rooms' work. What must stay true: every tick ends on record, at once or when the disk has
//! room again, in the order in which things happened; what is told as stored is on the disk.

use super::connection::{EXPOSURE_STATE, SOURCE_EXPOSURE_STATE, WARM_UP_STATE};
use super::{AcquisitionLoop, json};
use crate::acquisition::StationError;
use crate::acquisition::backlog::Committed;
use crate::acquisition::context::Observer;
use crate::acquisition::monitor_actions;
use crate::clock::UtcMicros;
use crate::darks::FrameWithDark;
use crate::exposure::{AcquiredFrames, ExposureState, WarmUp};
use crate::fault::{Fault, GapCause};
use crate::processing::pipeline::{AcquisitionContext, without_calibration};
use crate::quality::monitor::set::SAVE_EVERY_S;
use crate::record::Event;
use crate::store::{FrameRecord, MadeWith, NewReading, SavedState};
use crate::sun::Sun;

/// What of the road's own state is in the store.
#[derive(Clone, Debug, Default)]
pub(super) struct LoopState {
    /// Exposure control before the light that is measured, and before the check source: when, and what.
    light: (Option<UtcMicros>, ExposureState),
    source: (Option<UtcMicros>, ExposureState),
}

impl LoopState {
    /// State to be saved with a reading: the warm-up always, since it tells how long the instrument was not heard;
    /// exposure control where its times or its stuck pixels have, and otherwise now and then. It is
    /// the check source's or the other light's, whichever the reading is of: the other one's is on record as it was.
    fn due(
        &mut self,
        instrument: i64,
        now: UtcMicros,
        check_source: bool,
        (exposure, warm_up): (&ExposureState, &WarmUp),
    ) -> Vec<SavedState> {
        let tracker = |name: &str, json: String| SavedState { instrument, name: name.into(), json, time: now };
        let mut due = vec![tracker(WARM_UP_STATE, json(warm_up))];
        let times = |e: &ExposureState| (e.short_s, e.long_s);
        let (name, (at, saved)) = match check_source {
            true => (SOURCE_EXPOSURE_STATE, &mut self.source),
            false => (EXPOSURE_STATE, &mut self.light),
        };
        let changed = times(exposure) != times(saved) || exposure.stuck != saved.stuck;
        if changed || at.is_none_or(|at| now.seconds_since(at).abs() >= SAVE_EVERY_S) {
            due.push(tracker(name, json(exposure)));
            (*at, *saved) = (Some(now), exposure.clone());
        }
        due
    }
}

impl AcquisitionLoop {
    /// Reckons the reading, commits it with everything that belongs to it and tells the observer.
    pub(super) fn store(
        &mut self,
        tick: UtcMicros,
        taken: &AcquiredFrames,
        sun: Option<Sun>,
        (link_fault, interrupted): (bool, bool),
        observer: &mut dyn Observer,
    ) -> Result<(), StationError> {
        let now = self.parts.clock.now();
        let name = self.parts.instrument.name.clone();
        let stuck = taken.frames.iter().flat_map(|f| &f.stamps).any(|s| self.stuck_crcs.contains(&s.crc32));
        let check_source = self.schedule.is_check_source(tick);
        let Some(met) = self.met.as_mut() else { return Ok(()) };
        monitor_actions::observe_notes(&mut met.monitors, &self.parts.store)?;
        let about = AcquisitionContext {
            warming: self.warm_up.warming(taken.frames[0].start(), self.parts.instrument.warm_up_s),
            stuck,
            shutter_fault: met.darks.shutter_fault(&taken.frames, sun.map(|s| s.elevation_deg)),
            dark_drift: met.monitors.dark_exceeded(),
            link_fault,
            clock_unsynced: (self.parts.clock_synchronised)() != Some(true),
            single_shot: self.parts.instrument.schedule.window_s.is_none(),
            interrupted,
            unsteady_share: self.parts.instrument.exposure.unsteady_share,
            peak_level: taken.peak_level,
            check_source,
            tracked: met.monitors.tracked(taken.frames[0].start()),
        };
        let frames_with_darks: Vec<FrameWithDark<'_>> = taken.frames.iter().map(|f| met.darks.serve(f)).collect();
        let mut processed = match met.calibrated.as_mut() {
            Some(c) => {
                let processed = c.pipeline.process(&frames_with_darks, &taken.single_frames(), sun, &about);
                let (_, matrix) = c.pipeline.axis(processed.reading.detector_temperature, about.tracked.shift_nm);
                if let Some(reduced) = &processed.reduced {
                    met.monitors.observe_reading(&processed.reading, reduced, &matrix);
                }
                processed
            }
            None => without_calibration(&name, &frames_with_darks, sun, &about),
        };
        let records: Vec<FrameRecord> = frames_with_darks
            .iter()
            .map(|f| FrameRecord { frame: f.frame.clone(), dark: f.reference, dark_provenance: f.provenance })
            .collect();
        let exposure = if check_source { &self.source_exposure } else { &self.exposure };
        let own = (exposure, &self.warm_up);
        let mut saved_states = self.saved.due(met.row, now, check_source, own);
        let (states, reported) = monitor_actions::reading_record(&mut met.monitors, met.row, now);
        saved_states.extend(states);
        let made_with = MadeWith {
            instrument: met.row,
            calibration: met.calibrated.as_ref().map(|c| c.row),
            configuration: self.parts.configuration,
            computation: self.parts.computation,
        };
        let new = NewReading {
            reading: &processed.reading,
            made_with,
            about,
            frames: &records,
            events: &reported,
            saved_states: &saved_states,
        };
        let committed = self.parts.backlog().commit(&self.parts.store, &new)?;
        match committed {
            Committed::Stored(id) => {
                self.under_way = None;
                self.gaps.close();
                self.parts.status.update(|s| {
                    s.stored += 1;
                    s.good += u64::from(processed.reading.values.iter().any(|v| v.is_good()));
                    s.last = Some((id, processed.reading.time_mid));
                    s.exposure =
                        processed.reading.exposures.first().map(|r| (r.integration_s, processed.reading.peak_level));
                    for flag in processed.reading.flags.names() {
                        *s.flags.entry(flag).or_insert(0) += 1;
                    }
                });
                let mut events = reported;
                if let Some(met) = self.met.as_mut() {
                    events.extend(monitor_actions::execute(&mut met.monitors, &self.parts.store, now)?);
                    met.monitors.apply_intervals(&mut processed.reading);
                }
                observer.stored(id, &processed, &taken.frames);
                self.tell(&events, observer);
                Ok(())
            }
            Committed::Queued(dropped) => {
                self.under_way = None;
                self.gaps.close();
                self.parts.status.update(|s| {
                    s.dropped += dropped;
                    if dropped > 0 {
                        *s.gaps.entry(GapCause::StorageFull.name()).or_insert(0) += dropped;
                    }
                });
                self.tell(&reported, observer);
                Ok(())
            }
        }
    }

    fn tell(&self, events: &[Event], observer: &mut dyn Observer) {
        for event in events {
            tracing::warn!(instrument = self.name(), "{}", event.text);
            observer.event(event);
        }
    }

    /// Looks at the free space now and then, and lets go of raw frames that have had their time.
    pub(super) fn look_after_room(&mut self) -> Result<(), StationError> {
        let right = (self.parts.clock_synchronised)() == Some(true);
        match self.parts.upkeep.look(&self.parts.store, self.parts.clock.now(), right) {
            Ok(Some(room)) => {
                if room.purged > 0 {
                    tracing::info!("raw frames of {} readings let go, as configured", room.purged);
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
