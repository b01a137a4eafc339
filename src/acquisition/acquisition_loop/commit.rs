//! Commits a reading with its frames, events and states, and executes the actions of the monitors.

use super::AcquisitionLoop;
use super::connection::Connected;
use super::reading::ReadingConditions;
use crate::acquisition::backlog::Committed;
use crate::acquisition::context::Observer;
use crate::acquisition::registration::unregistered;
use crate::acquisition::tick::TickOutcome;
use crate::acquisition::{AcquisitionError, monitor_actions};
use crate::exposure::AcquiredFrames;
use crate::processing::ProcessedReading;
use crate::record::{AcquisitionContext, Event, Frame};
use crate::store::NewReading;

impl AcquisitionLoop {
    /// Processes the acquired frames of a reading and commits it.
    pub(super) fn commit(
        &mut self,
        connected: &mut Connected,
        acquired: &AcquiredFrames,
        conditions: &ReadingConditions,
        observer: &mut dyn Observer,
    ) -> Result<TickOutcome, AcquisitionError> {
        let now = self.context.clock.now();
        monitor_actions::observe_notes(&mut connected.monitors, &self.context.storage.store)?;
        let about = self.acquisition_context(connected, acquired, conditions);
        let (processed, frames) = connected.process(self.name(), acquired, conditions.sun, &about);
        let (states, reported) = monitor_actions::reading_record(&mut connected.monitors, connected.row, now);
        let mut saved_states = self.control.due(connected.row, now, conditions.check_source);
        saved_states.extend(states);
        let calibration = connected.calibrated.as_ref().map(|c| c.row);
        let made_with = unregistered(connected.row, calibration, self.context.storage.configuration);
        let committed = self.recorder.reading(&NewReading {
            reading: &processed.reading,
            made_with,
            about,
            frames: &frames,
            events: &reported,
            saved_states: &saved_states,
        })?;
        self.ticks.unfinished = None;
        connected.learn_lamps(&self.context.storage.store, &processed, &about)?;
        match committed {
            Committed::Stored(id) => {
                self.after_stored(connected, id, (processed, &acquired.frames), reported, observer)?;
                Ok(TickOutcome::Stored)
            }
            Committed::Queued(_) => {
                self.report(&reported, observer);
                Ok(TickOutcome::Queued)
            }
        }
    }

    /// The conditions of the acquisition, which are stored with the reading.
    fn acquisition_context(
        &self,
        connected: &Connected,
        acquired: &AcquiredFrames,
        conditions: &ReadingConditions,
    ) -> AcquisitionContext {
        let instrument = &self.context.instrument;
        let start = acquired.frames.iter().map(Frame::start).next().unwrap_or_default();
        let sun_elevation_deg = conditions.sun.map(|s| s.elevation_deg);
        AcquisitionContext {
            warming: self.control.warm_up.warming(start, instrument.warm_up_s),
            repeated_frame: conditions.repeated,
            shutter_fault: connected.darks.shutter_fault(&acquired.frames, sun_elevation_deg),
            dark_drift: connected.monitors.dark_exceeded(),
            link_fault: conditions.link_fault,
            clock_unsynced: (self.context.clock_synchronised)() != Some(true),
            single_shot: instrument.schedule.window_s.is_none(),
            interrupted: conditions.interrupted,
            unsteady_share: instrument.exposure.unsteady_share,
            peak_level: acquired.peak_level,
            check_source: conditions.check_source,
            drift: connected.monitors.drift_estimates(start),
            lamp_shapes: connected.lamps.row(),
        }
    }

    /// Executes the actions of the monitors, and acknowledges the reading.
    fn after_stored(
        &mut self,
        connected: &mut Connected,
        id: i64,
        (mut processed, frames): (ProcessedReading, &[Frame]),
        mut events: Vec<Event>,
        observer: &mut dyn Observer,
    ) -> Result<(), AcquisitionError> {
        let now = self.context.clock.now();
        events.extend(monitor_actions::execute(&mut connected.monitors, &self.context.storage.store, now)?);
        connected.monitors.apply_intervals(&mut processed.reading);
        observer.stored(id, &processed, frames);
        self.report(&events, observer);
        Ok(())
    }

    /// Reports events that are already stored.
    fn report(&self, events: &[Event], observer: &mut dyn Observer) {
        for event in events {
            tracing::warn!(instrument = self.name(), "{}", event.text);
            observer.event(event);
        }
    }
}
