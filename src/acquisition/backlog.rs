//! What waits in memory while the database takes nothing: no room on the disk, or another process holds it.
//!
//! The order in which things happened is kept: nothing is written past what waits. The memory is bounded; what it cannot
//! hold is let go from the oldest on and becomes a gap `storage_full` with its span. What waits survives a road that
//! is started again, but not the end of the process: nothing of it was ever called stored.

use super::gaps::OpenGap;
use crate::clock::UtcMicros;
use crate::fault::GapCause;
use crate::record::{AcquisitionContext, DarkProvenance, DarkReference, Event, EventKind, Reading};
use crate::store::frame_row::FrameRow;
use crate::store::{FrameRecord, MadeWith, NewReading, SavedState, Store, StoreError};
use std::collections::VecDeque;

/// What may wait in all [bytes]: some 600 readings of two frames of 2048 pixels, ten hours of one a minute.
pub const LIMIT: usize = 4 << 20;
/// Written in one go, so that the next tick is not kept waiting.
const AT_ONCE: usize = 64;

/// What waits, oldest first.
#[derive(Debug)]
pub struct Backlog {
    instrument: String,
    limit: usize,
    waiting: VecDeque<QueuedItem>,
    bytes: usize,
    since: Option<(UtcMicros, WriteBlocker)>,
    dropped: Option<LetGo>,
    /// Readings written late since it began to wait.
    written: u64,
}

/// Why nothing can be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum WriteBlocker {
    NoRoom,
    Held,
}

impl WriteBlocker {
    fn of(error: &StoreError) -> Self {
        if matches!(error, StoreError::Held { .. }) { Self::Held } else { Self::NoRoom }
    }
    fn words(self) -> &'static str {
        match self {
            Self::NoRoom => "no room on the disk",
            Self::Held => "database held by another process",
        }
    }
    fn is_over(self) -> &'static str {
        match self {
            Self::NoRoom => "there is room again",
            Self::Held => "it is free again",
        }
    }
}

#[derive(Debug)]
enum QueuedItem {
    Reading(Box<QueuedReading>),
    Gap(OpenGap),
    Event(Event),
}

/// A reading with all that belongs into its transaction; frames as the store codes them, a quarter of their size.
#[derive(Debug)]
struct QueuedReading {
    reading: Reading,
    made_with: MadeWith,
    about: AcquisitionContext,
    frames: Vec<HeldFrame>,
    events: Vec<Event>,
    saved_states: Vec<SavedState>,
}

#[derive(Debug)]
struct HeldFrame {
    row: FrameRow,
    dark: DarkReference,
    dark_provenance: DarkProvenance,
}

#[derive(Clone, Copy, Debug)]
struct LetGo {
    from: UtcMicros,
    until: UtcMicros,
    readings: u64,
    events: u64,
}

/// What came of a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Committed {
    /// It is on the disk under this identifier.
    Stored(i64),
    /// It waits in memory; so many readings were let go for it.
    Queued(u64),
}

impl Backlog {
    /// For an instrument, with room for `limit` bytes.
    pub fn new(instrument: &str, limit: usize) -> Self {
        Self {
            instrument: instrument.to_owned(),
            limit,
            waiting: VecDeque::new(),
            bytes: 0,
            since: None,
            dropped: None,
            written: 0,
        }
    }

    /// Whether nothing waits.
    pub fn is_empty(&self) -> bool {
        self.waiting.is_empty() && self.dropped.is_none()
    }

    /// Readings that wait.
    pub fn readings(&self) -> u64 {
        self.waiting.iter().filter(|w| matches!(w, QueuedItem::Reading(_))).count() as u64
    }

    /// Stores a reading, or keeps it where there is no room or others wait before it.
    pub fn commit(&mut self, store: &Store, new: &NewReading<'_>) -> Result<Committed, StoreError> {
        if self.is_empty() {
            match store.commit_reading(new) {
                Ok(id) => return Ok(Committed::Stored(id)),
                Err(error) if error.can_wait() => self.begin(&error, new.reading.time_end),
                Err(error) => return Err(error),
            }
        }
        let held = QueuedReading::of(new)?;
        self.push(QueuedItem::Reading(Box::new(held)));
        Ok(Committed::Queued(self.shrink()))
    }

    /// Keeps a tick without a reading, as one span with neighbours of its cause.
    pub fn gap(&mut self, tick: UtcMicros, cause: GapCause, why: &str) {
        if let Some(QueuedItem::Gap(span)) = self.waiting.back_mut().filter(|w| w.is_gap_of(cause)) {
            return span.lengthen(tick);
        }
        self.push(QueuedItem::Gap(OpenGap::of(tick, cause, why)));
        self.shrink();
    }

    /// Keeps an event.
    pub fn event(&mut self, event: Event) {
        self.push(QueuedItem::Event(event));
        self.shrink();
    }

    /// Says once that nothing can be written.
    pub fn begin(&mut self, error: &StoreError, now: UtcMicros) {
        if self.since.is_none() {
            self.since = Some((now, WriteBlocker::of(error)));
            self.written = 0;
            tracing::error!(
                instrument = self.instrument,
                "{error}; measuring goes on, and readings wait in memory ({} MB)",
                self.limit >> 20
            );
        }
    }

    /// Writes what waits, as far as there is room; tells of every reading that is on the disk now.
    pub fn write(&mut self, store: &Store, mut stored: impl FnMut(i64, &Reading)) -> Result<(), StoreError> {
        if self.is_empty() {
            return Ok(());
        }
        match self.write_some(store, &mut stored) {
            Err(error) if error.can_wait() => Ok(()),
            other => other,
        }
    }

    fn write_some(&mut self, store: &Store, stored: &mut dyn FnMut(i64, &Reading)) -> Result<(), StoreError> {
        // What was let go is older than all that waits.
        if let Some(gone) = self.dropped {
            store.add_event(&self.words_of(gone))?;
            self.dropped = None;
        }
        for _ in 0..AT_ONCE {
            let Some(first) = self.waiting.front() else { break };
            match first {
                QueuedItem::Reading(held) => {
                    let id = held.commit(store)?;
                    stored(id, &held.reading);
                    self.written += 1;
                }
                QueuedItem::Gap(span) => drop(store.add_event(&span.event(&self.instrument))?),
                QueuedItem::Event(event) => drop(store.add_event(event)?),
            }
            self.pop();
        }
        if self.waiting.is_empty()
            && let Some((since, obstacle)) = self.since
        {
            let text = format!("{} since {since}: {} readings waited in memory", obstacle.words(), self.written);
            let instrument = Some(self.instrument.clone());
            let event = Event { time: since, until: None, instrument, kind: EventKind::Storage, text };
            store.add_event(&event)?;
            tracing::warn!(instrument = self.instrument, "{}; {} and they are written", event.text, obstacle.is_over());
            self.since = None;
        }
        Ok(())
    }

    fn words_of(&self, gone: LetGo) -> Event {
        let readings = if gone.readings == 1 { "reading" } else { "readings" };
        let obstacle = self.since.map_or(WriteBlocker::NoRoom, |(_, obstacle)| obstacle).words();
        let events = if gone.events == 0 { String::new() } else { format!(" and {} events", gone.events) };
        Event {
            time: gone.from,
            until: Some(gone.until),
            instrument: Some(self.instrument.clone()),
            kind: EventKind::Gap(GapCause::StorageFull),
            text: format!("{} {readings}{events} let go: {obstacle}, and no room in memory", gone.readings),
        }
    }

    fn push(&mut self, waiting: QueuedItem) {
        self.bytes += waiting.bytes();
        self.waiting.push_back(waiting);
    }

    fn pop(&mut self) -> Option<QueuedItem> {
        let first = self.waiting.pop_front()?;
        self.bytes = self.bytes.saturating_sub(first.bytes());
        Some(first)
    }

    /// Lets go of the oldest until the rest fits; answers how many readings that were.
    fn shrink(&mut self) -> u64 {
        let mut readings = 0;
        while self.bytes > self.limit && self.waiting.len() > 1 {
            let Some(first) = self.pop() else { break };
            let ((from, until), missed, event) = match &first {
                QueuedItem::Reading(held) => ((held.reading.time_start, held.reading.time_end), 1, 0),
                QueuedItem::Gap(span) => ((span.from, span.until), span.missed, 0),
                QueuedItem::Event(event) => ((event.time, event.time), 0, 1),
            };
            readings += u64::from(matches!(first, QueuedItem::Reading(_)));
            let gone = self.dropped.get_or_insert(LetGo { from, until, readings: 0, events: 0 });
            gone.until = gone.until.max(until);
            gone.readings += missed;
            gone.events += event;
        }
        readings
    }
}

impl QueuedItem {
    fn is_gap_of(&self, cause: GapCause) -> bool {
        matches!(self, Self::Gap(span) if span.cause == cause)
    }

    /// About what it takes in memory [bytes].
    fn bytes(&self) -> usize {
        match self {
            Self::Reading(held) => {
                let frames: usize = held.frames.iter().map(|f| f.row.len()).sum();
                let state: usize = held.saved_states.iter().map(|t| t.json.len() + t.name.len()).sum();
                let values = held.reading.values.len() * size_of::<crate::record::QuantityValue>()
                    + held.reading.window.len() * size_of::<Option<crate::record::WindowStatistics>>();
                size_of::<QueuedReading>() + frames + state + values
            }
            Self::Gap(span) => size_of::<Self>() + span.why.len(),
            Self::Event(event) => size_of::<Self>() + event.text.len(),
        }
    }
}

impl QueuedReading {
    fn of(new: &NewReading<'_>) -> Result<Self, StoreError> {
        let frames = new
            .frames
            .iter()
            .map(|record| {
                let row = FrameRow::encode(&record.frame)?;
                Ok(HeldFrame { row, dark: record.dark, dark_provenance: record.dark_provenance })
            })
            .collect::<Result<_, StoreError>>()?;
        Ok(Self {
            reading: new.reading.clone(),
            made_with: new.made_with,
            about: new.about,
            frames,
            events: new.events.to_vec(),
            saved_states: new.saved_states.to_vec(),
        })
    }

    fn commit(&self, store: &Store) -> Result<i64, StoreError> {
        let frames: Vec<FrameRecord> = self
            .frames
            .iter()
            .map(|f| Ok(FrameRecord { frame: f.row.decode()?, dark: f.dark, dark_provenance: f.dark_provenance }))
            .collect::<Result<_, StoreError>>()?;
        store.commit_reading(&NewReading {
            reading: &self.reading,
            made_with: self.made_with,
            about: self.about,
            frames: &frames,
            events: &self.events,
            saved_states: &self.saved_states,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Bracket, Detector, Frame, Shutter, Stamp};
    use crate::store::NewInstrument;

    const NOON: UtcMicros = UtcMicros(1_782_043_200_000_000); // 2026-06-21T12:00:00Z

    struct Station {
        store: Store,
        made_with: MadeWith,
        _folder: tempfile::TempDir,
    }

    impl Station {
        fn new() -> Self {
            let folder = tempfile::tempdir().unwrap();
            let store = Store::open_daemon(&folder.path().join("v.db"), &[]).unwrap();
            let detector = Detector {
                pixels: 64,
                full_scale: 65_535,
                shielded: Default::default(),
                integration_min_s: 0.001,
                integration_max_s: 60.0,
                has_shutter: true,
                transfer_s: 0.1,
            };
            let new = NewInstrument { name: "south", serial: "1", identity: "", detector: &detector };
            let made_with = MadeWith {
                instrument: store.register_instrument(&new, NOON).unwrap(),
                calibration: None,
                configuration: store.register_configuration("", NOON).unwrap(),
                computation: store.register_computation("", NOON).unwrap(),
            };
            Self { store, made_with, _folder: folder }
        }

        /// The reading of a minute after noon.
        fn commit(&self, backlog: &mut Backlog, minute: u32) -> Committed {
            let t = NOON.plus_seconds(60.0 * f64::from(minute));
            let reading = Reading {
                id: 0,
                time_start: t,
                time_mid: t.plus_seconds(1.0),
                time_end: t.plus_seconds(2.0),
                instrument: "south".into(),
                sun_elevation: None,
                sun_azimuth: None,
                relative_air_mass: None,
                detector_temperature: None,
                exposures: vec![Bracket { integration_s: 2.0, exposures: 1 }],
                peak_level: 0.5,
                signal_to_noise: None,
                stray_floor: None,
                dark_age: None,
                flags: Default::default(),
                values: vec![],
                window: vec![],
            };
            let record = FrameRecord {
                frame: frame(minute),
                dark: DarkReference::None,
                dark_provenance: DarkProvenance::default(),
            };
            let new = NewReading {
                reading: &reading,
                made_with: self.made_with,
                about: AcquisitionContext::default(),
                frames: &[record],
                events: &[],
                saved_states: &[],
            };
            backlog.commit(&self.store, &new).unwrap()
        }

        /// Writes what there is room for; the identifiers and minutes of what is on the disk now.
        fn write(&self, backlog: &mut Backlog) -> Vec<(i64, i64)> {
            let mut written = Vec::new();
            let minute = |r: &Reading| (r.time_start.0 - NOON.0) / 60_000_000;
            backlog.write(&self.store, |id, r| written.push((id, minute(r)))).unwrap();
            written
        }

        fn events(&self) -> Vec<Event> {
            self.store.latest_events(100).unwrap()
        }
    }

    fn frame(seed: u32) -> Frame {
        Frame {
            integration_s: 2.0,
            shutter: Shutter::Open,
            temperature_c: Some(20.0),
            stamps: vec![Stamp { start: NOON, crc32: seed }],
            sums: (0..64u32).map(|i| 4000 + (i * 7919 + seed * 104_729) % 977).collect(),
            clipped: Default::default(),
            spread: 0.0,
            ripple: Vec::new(),
        }
    }

    /// Identity: what waited is written in order, bit for bit, once there is room; nothing overtakes it.
    #[test]
    fn what_waited_is_written_in_order_once_there_is_room() {
        let s = Station::new();
        let mut backlog = Backlog::new("south", LIMIT);
        assert_eq!(s.commit(&mut backlog, 0), Committed::Stored(1));
        s.store.limit_pages(1);
        let first_held = (1..200).find(|m| s.commit(&mut backlog, *m) == Committed::Queued(0)).unwrap();
        backlog.gap(NOON.plus_seconds(60.0 * f64::from(first_held + 1)), GapCause::NoAnswer, "silence");
        backlog.gap(NOON.plus_seconds(60.0 * f64::from(first_held + 2)), GapCause::NoAnswer, "silence again");
        assert_eq!(s.commit(&mut backlog, first_held + 3), Committed::Queued(0));
        assert_eq!((s.write(&mut backlog), backlog.readings()), (vec![], 2));
        s.store.limit_pages(u32::MAX - 1);
        // There is room, but others wait: the new reading waits its turn.
        assert_eq!(s.commit(&mut backlog, first_held + 4), Committed::Queued(0));
        let m = i64::from(first_held);
        assert_eq!(s.write(&mut backlog), [(m + 1, m), (m + 2, m + 3), (m + 3, m + 4)]);
        assert!(backlog.is_empty());
        assert_eq!(s.store.frames(m + 2).unwrap()[0].frame, frame(first_held + 3));
        let events = s.events();
        let texts: Vec<&str> = events.iter().map(|e| e.text.as_str()).collect();
        assert!(texts.contains(&"2 readings missed: silence"), "{texts:?}");
        assert!(texts.iter().any(|t| t.ends_with("3 readings waited in memory")), "{texts:?}");
        assert!(!events.iter().any(|e| e.kind == EventKind::Gap(GapCause::StorageFull)));
        assert_eq!(s.commit(&mut backlog, first_held + 5), Committed::Stored(m + 4));
    }

    /// Identity: while another process holds the database readings wait, and afterwards they are written in order.
    #[test]
    fn a_database_held_by_another_process_costs_no_reading() {
        let s = Station::new();
        s.store.wait_at_most(std::time::Duration::ZERO);
        let mut backlog = Backlog::new("south", LIMIT);
        assert_eq!(s.commit(&mut backlog, 0), Committed::Stored(1));
        let other = rusqlite::Connection::open(s.store.path()).unwrap();
        other.execute_batch("BEGIN IMMEDIATE").unwrap();
        assert_eq!(s.commit(&mut backlog, 1), Committed::Queued(0));
        assert_eq!(s.commit(&mut backlog, 2), Committed::Queued(0));
        assert_eq!((s.write(&mut backlog), backlog.readings()), (vec![], 2));
        other.execute_batch("ROLLBACK").unwrap();
        assert_eq!(s.write(&mut backlog), [(2, 1), (3, 2)]);
        let events = s.events();
        let since = NOON.plus_seconds(62.0);
        let want = format!("database held by another process since {since}: 2 readings waited in memory");
        assert!(events.iter().any(|e| e.text == want), "{events:?}");
        assert_eq!(s.commit(&mut backlog, 3), Committed::Stored(4));
    }

    /// Identity: memory is bounded; the oldest go, and their span and number are on record when there is room.
    #[test]
    fn what_memory_cannot_hold_becomes_a_gap_with_its_span() {
        let s = Station::new();
        let mut backlog = Backlog::new("south", 6000);
        s.store.limit_pages(1);
        let mut dropped = 0;
        for minute in 0..300 {
            if let Committed::Queued(n) = s.commit(&mut backlog, minute) {
                dropped += n;
            }
            assert!(backlog.bytes <= 6000);
        }
        let (stored, held) = (s.store.counts().unwrap().readings as u64, backlog.readings());
        assert!(dropped > 200 && held > 2, "{dropped} let go, {held} held");
        assert_eq!(stored + dropped + held, 300);
        s.store.limit_pages(u32::MAX - 1);
        let written = s.write(&mut backlog);
        assert_eq!(written.last(), Some(&((stored + held) as i64, 299)));
        let gap = s.events().into_iter().find(|e| e.kind == EventKind::Gap(GapCause::StorageFull)).unwrap();
        assert_eq!(gap.time, NOON.plus_seconds(60.0 * stored as f64));
        assert_eq!(gap.until, Some(NOON.plus_seconds(60.0 * (stored + dropped - 1) as f64 + 2.0)));
        assert_eq!(gap.text, format!("{dropped} readings let go: no room on the disk, and no room in memory"));
    }
}
