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
    from: UtcMicros,
    cause: GapCause,
    missed: u64,
    why: String,
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
        if let Some(open) = self.open.as_mut().filter(|o| o.cause == cause) {
            open.missed += 1;
            let event = event(&self.instrument, open, tick);
            store.extend_event(open.id, tick, &event.text)?;
            return Ok(event);
        }
        let mut open = Open { id: 0, from: tick, cause, missed: 1, why: why.to_owned() };
        let event = event(&self.instrument, &open, tick);
        open.id = store.add_event(&event)?;
        self.open = Some(open);
        Ok(event)
    }
}

fn event(instrument: &str, open: &Open, until: UtcMicros) -> Event {
    let readings = if open.missed == 1 { "reading" } else { "readings" };
    Event {
        time: open.from,
        until: Some(until),
        instrument: Some(instrument.to_owned()),
        kind: EventKind::Gap(open.cause),
        text: format!("{} {readings} missed: {}", open.missed, open.why),
    }
}
