//! Gaps on record: every reading that did not happen, with its cause, neighbours of one cause as one span.

use crate::clock::UtcMicros;
use crate::fault::GapCause;
use crate::record::{Event, EventKind};
use crate::store::{Store, StoreError};

/// The gap that is open, if any.
#[derive(Debug)]
pub struct GapKeeper {
    instrument: String,
    open: Option<Open>,
}

#[derive(Debug)]
struct Open {
    id: i64,
    span: OpenGap,
}

/// Readings that did not happen, neighbours of one cause.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OpenGap {
    /// The first tick.
    pub from: UtcMicros,
    /// The last tick.
    pub until: UtcMicros,
    /// Why.
    pub cause: GapCause,
    /// How many.
    pub missed: u64,
    /// Why the first one did not happen, in words.
    pub why: String,
}

impl OpenGap {
    /// One tick.
    pub fn of(tick: UtcMicros, cause: GapCause, why: &str) -> Self {
        Self { from: tick, until: tick, cause, missed: 1, why: why.to_owned() }
    }

    /// Another tick of the same cause.
    pub fn lengthen(&mut self, tick: UtcMicros) {
        self.missed += 1;
        self.until = tick;
    }

    /// As it stands on record.
    pub fn event(&self, instrument: &str) -> Event {
        let readings = if self.missed == 1 { "reading" } else { "readings" };
        Event {
            time: self.from,
            until: Some(self.until),
            instrument: Some(instrument.to_owned()),
            kind: EventKind::Gap(self.cause),
            text: format!("{} {readings} missed: {}", self.missed, self.why),
        }
    }
}

impl GapKeeper {
    /// For an instrument.
    pub fn new(instrument: &str) -> Self {
        Self { instrument: instrument.to_owned(), open: None }
    }

    /// A reading has been stored: the next gap is a new one.
    pub fn close(&mut self) {
        self.open = None;
    }

    /// Puts a missed reading on record: lengthens the open gap of the same cause or begins another. Returns the event as
    /// it now stands.
    pub fn add(&mut self, store: &Store, tick: UtcMicros, cause: GapCause, why: &str) -> Result<Event, StoreError> {
        if let Some(open) = self.open.as_mut().filter(|o| o.span.cause == cause) {
            open.span.lengthen(tick);
            let event = open.span.event(&self.instrument);
            store.extend_event(open.id, tick, &event.text)?;
            return Ok(event);
        }
        let span = OpenGap::of(tick, cause, why);
        let event = span.event(&self.instrument);
        self.open = Some(Open { id: store.add_event(&event)?, span });
        Ok(event)
    }
}
