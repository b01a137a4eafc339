//! Commits a reading with everything that belongs to it, and carries out what the monitors plan from it.

use super::AcquisitionLoop;
use super::connection::Connected;
use super::reading::ReadingFacts;
use crate::acquisition::backlog::Committed;
use crate::acquisition::context::Observer;
use crate::acquisition::tick::TickOutcome;
use crate::acquisition::{AcquisitionError, monitor_actions};
use crate::exposure::AcquiredFrames;
use crate::processing::ProcessedReading;
use crate::record::{AcquisitionContext, Event, Frame};
use crate::store::{MadeWith, NewReading};

impl AcquisitionLoop {
    /// Processes what a reading acquired and commits it.
    pub(super) fn commit(
        &mut self,
        connected: &mut Connected,
        acquired: &AcquiredFrames,
        facts: &ReadingFacts,
        observer: &mut dyn Observer,
    ) -> Result<TickOutcome, AcquisitionError> {
        let now = self.context.clock.now();
        monitor_actions::observe_notes(&mut connected.monitors, &self.context.storage.store)?;
        let about = self.acquisition_context(connected, acquired, facts);
        let (processed, frames) = connected.process(self.name(), acquired, facts.sun, &about);
        let (states, reported) = monitor_actions::reading_record(&mut connected.monitors, connected.row, now);
        let mut saved_states = self.control.due(connected.row, now, facts.check_source);
        saved_states.extend(states);
        let committed = self.recorder.reading(&NewReading {
            reading: &processed.reading,
            made_with: self.made_with(connected),
            about,
            frames: &frames,
            events: &reported,
            saved_states: &saved_states,
        })?;
        self.ticks.under_way = None;
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

    /// What is known of a reading beside its frames, as it is stored.
    fn acquisition_context(
        &self,
        connected: &Connected,
        acquired: &AcquiredFrames,
        facts: &ReadingFacts,
    ) -> AcquisitionContext {
        let instrument = &self.context.instrument;
        let start = acquired.frames.iter().map(Frame::start).next().unwrap_or_default();
        let sun_elevation_deg = facts.sun.map(|s| s.elevation_deg);
        AcquisitionContext {
            warming: self.control.warm_up.warming(start, instrument.warm_up_s),
            stuck: facts.repeated,
            shutter_fault: connected.darks.shutter_fault(&acquired.frames, sun_elevation_deg),
            dark_drift: connected.monitors.dark_exceeded(),
            link_fault: facts.link_fault,
            clock_unsynced: (self.context.clock_synchronised)() != Some(true),
            single_shot: instrument.schedule.window_s.is_none(),
            interrupted: facts.interrupted,
            unsteady_share: instrument.exposure.unsteady_share,
            peak_level: acquired.peak_level,
            check_source: facts.check_source,
            tracked: connected.monitors.tracked(start),
        }
    }

    fn made_with(&self, connected: &Connected) -> MadeWith {
        MadeWith {
            instrument: connected.row,
            calibration: connected.calibrated.as_ref().map(|c| c.row),
            configuration: self.context.storage.configuration,
            computation: self.context.storage.computation,
        }
    }

    /// Carries out what the monitors plan, and acknowledges the reading.
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

    /// Events that are stored already.
    fn report(&self, events: &[Event], observer: &mut dyn Observer) {
        for event in events {
            tracing::warn!(instrument = self.name(), "{}", event.text);
            observer.event(event);
        }
    }
}
