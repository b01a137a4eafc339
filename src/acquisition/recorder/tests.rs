//! Tests of the recorder, with a writable and with a locked database.

use super::super::backlog::{Backlog, LIMIT};
use super::super::disk_space::DiskSpace;
use super::super::registration::Registration;
use super::super::test_store::{TestStore, minute};
use super::*;
use crate::config::StoreConfig;
use crate::fault::GapCause;
use crate::processing::ProcessedReading;
use crate::record::{EventKind, Frame, Reading};
use std::sync::{Arc, Mutex};

struct Fixture {
    db: TestStore,
    recorder: Recorder,
    status: Status,
}

/// The calls that the observer received: ids of readings stored late, texts of events.
#[derive(Default)]
struct Observed {
    late: Vec<i64>,
    events: Vec<String>,
}

impl Observer for Observed {
    fn stored(&mut self, _: i64, _: &ProcessedReading, _: &[Frame]) {}
    fn stored_late(&mut self, id: i64, _: &Reading) {
        self.late.push(id);
    }
    fn event(&mut self, event: &Event) {
        self.events.push(event.text.clone());
    }
}

impl Fixture {
    fn new(limit: usize) -> Self {
        let db = TestStore::new();
        let config = StoreConfig { path: db.store.path().into(), free_space_floor_mb: 0, keep_raw_months: None };
        let storage = Storage {
            store: Arc::clone(&db.store),
            registration: Arc::new(Registration::new("", String::new(), minute(0))),
            configuration: None,
            backlog: Arc::new(Mutex::new(Backlog::new("south", limit))),
            disk_space: Arc::new(DiskSpace::new(&config, |_| None)),
        };
        let status = Status::new("south");
        Self { recorder: Recorder::new("south", storage, status.clone()), db, status }
    }

    fn reading(&mut self, n: u32) -> Committed {
        self.db.with_reading(n, |new| self.recorder.reading(new).unwrap())
    }

    fn gap(&mut self, n: u32, reason: &GapReason, observed: &mut Observed) {
        self.recorder.gap(minute(n), reason, observed).unwrap();
    }

    /// Texts of the stored gaps, oldest first.
    fn gaps(&self) -> Vec<String> {
        let mut events = self.db.events();
        events.retain(|e| matches!(e.kind, EventKind::Gap(_)));
        events.sort_by_key(|e| e.time);
        events.into_iter().map(|e| e.text).collect()
    }
}

fn silent() -> GapReason {
    GapReason { cause: GapCause::NoAnswer, why: "nothing came".into() }
}

/// Consecutive ticks of one cause are one row; the observer is notified at each of them; a reading ends the gap.
#[test]
fn a_gap_is_one_event_until_a_reading_ends_it() {
    let (mut fixture, mut observed) = (Fixture::new(LIMIT), Observed::default());
    fixture.gap(0, &silent(), &mut observed);
    fixture.gap(1, &silent(), &mut observed);
    assert_eq!(fixture.reading(2), Committed::Stored(1));
    fixture.gap(3, &silent(), &mut observed);
    assert_eq!(fixture.gaps(), ["2 readings missed: nothing came", "1 reading missed: nothing came"]);
    assert_eq!(observed.events.len(), 3);
    assert_eq!(fixture.status.snapshot().counts.gaps.get("no_answer"), Some(&3));
}

/// A gap of another cause is another event, also without a reading in between.
#[test]
fn a_gap_of_another_cause_is_another_event() {
    let (mut fixture, mut observed) = (Fixture::new(LIMIT), Observed::default());
    fixture.gap(0, &silent(), &mut observed);
    fixture.gap(1, &GapReason::busy(), &mut observed);
    fixture.gap(2, &silent(), &mut observed);
    assert_eq!(fixture.gaps().len(), 3);
}

/// While another process locks the database, gaps, events and readings are queued, and written afterwards in order of time; the
/// observer is notified of a reading only when it is stored.
#[test]
fn items_are_queued_while_the_database_is_locked_and_written_later_in_order() {
    let (mut fixture, mut observed) = (Fixture::new(LIMIT), Observed::default());
    fixture.gap(0, &silent(), &mut observed);
    let lock = fixture.db.lock_by_another_process();
    fixture.gap(1, &silent(), &mut observed);
    let event = |text: &str| Event {
        time: minute(2),
        until: None,
        instrument: Some("south".into()),
        kind: EventKind::LinkFault,
        text: text.into(),
    };
    fixture.recorder.event(event("connected"), &mut observed).unwrap();
    assert_eq!(fixture.reading(3), Committed::Queued(0));
    fixture.recorder.write_queued(&mut observed).unwrap();
    assert_eq!((fixture.recorder.queued_readings(), observed.late.len()), (1, 0));
    assert_eq!(fixture.status.snapshot().storage.queued, 1);
    drop(lock);
    fixture.recorder.write_queued(&mut observed).unwrap();
    assert!(!fixture.recorder.has_queued());
    assert_eq!((observed.late, fixture.status.snapshot().counts.stored), (vec![1], 1));
    // The gap that was open before the lock is not extended: another process may have read it.
    assert_eq!(fixture.gaps(), ["1 reading missed: nothing came", "1 reading missed: nothing came"]);
    assert!(fixture.db.events().iter().any(|e| e.text == "connected"));
    assert!(fixture.db.events().iter().any(|e| e.text.ends_with("1 readings were queued in memory")));
}

/// A gap after queued items is queued, too, so that events are stored in order of time.
#[test]
fn nothing_is_written_before_queued_items() {
    let (mut fixture, mut observed) = (Fixture::new(LIMIT), Observed::default());
    let lock = fixture.db.lock_by_another_process();
    assert_eq!(fixture.reading(0), Committed::Queued(0));
    drop(lock);
    fixture.gap(1, &silent(), &mut observed);
    assert_eq!((fixture.reading(2), fixture.gaps().len()), (Committed::Queued(0), 0));
    fixture.recorder.write_queued(&mut observed).unwrap();
    assert_eq!((observed.late, fixture.gaps().len()), (vec![1, 2], 1));
}

/// Readings beyond the memory limit are counted as gaps with their cause.
#[test]
fn discarded_readings_are_counted_and_recorded() {
    let (mut fixture, mut observed) = (Fixture::new(4000), Observed::default());
    let lock = fixture.db.lock_by_another_process();
    (0..20).for_each(|n| assert!(matches!(fixture.reading(n), Committed::Queued(_))));
    let (discarded, queued) = (fixture.status.snapshot().storage.discarded, fixture.recorder.queued_readings());
    assert!(discarded > 0 && discarded + queued == 20, "{discarded} discarded, {queued} queued");
    drop(lock);
    fixture.recorder.write_queued(&mut observed).unwrap();
    assert_eq!(observed.late.len() as u64, queued);
    let want = format!("{discarded} readings discarded: database locked by another process, and memory limit reached");
    assert_eq!(fixture.gaps(), [want]);
}
