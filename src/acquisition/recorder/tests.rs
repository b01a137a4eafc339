//! What is recorded, and in which order, while the database can take it and while it cannot.

use super::super::backlog::{Backlog, LIMIT};
use super::super::disk_space::DiskSpace;
use super::super::test_store::{TestStore, minute};
use super::*;
use crate::config::StoreConfig;
use crate::fault::GapCause;
use crate::processing::ProcessedReading;
use crate::record::{EventKind, Frame, Reading};
use std::sync::{Arc, Mutex};

struct Rig {
    db: TestStore,
    recorder: Recorder,
    status: Status,
}

/// What the observer was told: identifiers of readings stored late, texts of events.
#[derive(Default)]
struct Told {
    late: Vec<i64>,
    events: Vec<String>,
}

impl Observer for Told {
    fn stored(&mut self, _: i64, _: &ProcessedReading, _: &[Frame]) {}
    fn stored_late(&mut self, id: i64, _: &Reading) {
        self.late.push(id);
    }
    fn event(&mut self, event: &Event) {
        self.events.push(event.text.clone());
    }
}

impl Rig {
    fn new(limit: usize) -> Self {
        let db = TestStore::new();
        let config = StoreConfig { path: db.store.path().into(), free_space_floor_mb: 0, keep_raw_months: None };
        let storage = Storage {
            store: Arc::clone(&db.store),
            configuration: 1,
            computation: 1,
            backlog: Arc::new(Mutex::new(Backlog::new("south", limit))),
            disk_space: Arc::new(DiskSpace::new(&config, |_| None)),
        };
        let status = Status::new("south");
        Self { recorder: Recorder::new("south", storage, status.clone()), db, status }
    }

    fn reading(&mut self, n: u32) -> Committed {
        self.db.with_reading(n, |new| self.recorder.reading(new).unwrap())
    }

    fn gap(&mut self, n: u32, reason: &GapReason, told: &mut Told) {
        self.recorder.gap(minute(n), reason, told).unwrap();
    }

    /// Texts of the gaps on record, oldest first.
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

/// Neighbours of one cause are one row, as the observer is told at every tick; a reading ends it.
#[test]
fn a_gap_is_one_event_until_a_reading_ends_it() {
    let (mut rig, mut told) = (Rig::new(LIMIT), Told::default());
    rig.gap(0, &silent(), &mut told);
    rig.gap(1, &silent(), &mut told);
    assert_eq!(rig.reading(2), Committed::Stored(1));
    rig.gap(3, &silent(), &mut told);
    assert_eq!(rig.gaps(), ["2 readings missed: nothing came", "1 reading missed: nothing came"]);
    assert_eq!(told.events.len(), 3);
    assert_eq!(rig.status.snapshot().counts.gaps.get("no_answer"), Some(&3));
}

/// Another cause is another event, also without a reading in between.
#[test]
fn a_gap_of_another_cause_is_another_event() {
    let (mut rig, mut told) = (Rig::new(LIMIT), Told::default());
    rig.gap(0, &silent(), &mut told);
    rig.gap(1, &GapReason::busy(), &mut told);
    rig.gap(2, &silent(), &mut told);
    assert_eq!(rig.gaps().len(), 3);
}

/// While another process holds the database, gaps, events and readings wait, and are written afterwards in the order
/// in which they happened; the observer is told of a reading only when it is on the disk.
#[test]
fn what_a_held_database_cannot_take_is_written_later_in_order() {
    let (mut rig, mut told) = (Rig::new(LIMIT), Told::default());
    rig.gap(0, &silent(), &mut told);
    let holder = rig.db.hold();
    rig.gap(1, &silent(), &mut told);
    let event = |text: &str| Event {
        time: minute(2),
        until: None,
        instrument: Some("south".into()),
        kind: EventKind::LinkFault,
        text: text.into(),
    };
    rig.recorder.event(event("connected"), &mut told).unwrap();
    assert_eq!(rig.reading(3), Committed::Queued(0));
    rig.recorder.write_queued(&mut told).unwrap();
    assert_eq!((rig.recorder.queued_readings(), told.late.len()), (1, 0));
    assert_eq!(rig.status.snapshot().storage.queued, 1);
    drop(holder);
    rig.recorder.write_queued(&mut told).unwrap();
    assert!(!rig.recorder.has_queued());
    assert_eq!((told.late, rig.status.snapshot().counts.stored), (vec![1], 1));
    // The gap that was open when the database was taken is not extended: another process may have read it.
    assert_eq!(rig.gaps(), ["1 reading missed: nothing came", "1 reading missed: nothing came"]);
    assert!(rig.db.events().iter().any(|e| e.text == "connected"));
    assert!(rig.db.events().iter().any(|e| e.text.ends_with("1 readings waited in memory")));
}

/// A gap after what is queued waits too, so that no later event is on record before an earlier one.
#[test]
fn nothing_is_written_ahead_of_what_is_queued() {
    let (mut rig, mut told) = (Rig::new(LIMIT), Told::default());
    let holder = rig.db.hold();
    assert_eq!(rig.reading(0), Committed::Queued(0));
    drop(holder);
    rig.gap(1, &silent(), &mut told);
    assert_eq!((rig.reading(2), rig.gaps().len()), (Committed::Queued(0), 0));
    rig.recorder.write_queued(&mut told).unwrap();
    assert_eq!((told.late, rig.gaps().len()), (vec![1, 2], 1));
}

/// Readings that memory cannot hold are counted as gaps of their cause.
#[test]
fn discarded_readings_are_counted_and_recorded() {
    let (mut rig, mut told) = (Rig::new(4000), Told::default());
    let holder = rig.db.hold();
    (0..20).for_each(|n| assert!(matches!(rig.reading(n), Committed::Queued(_))));
    let (discarded, queued) = (rig.status.snapshot().storage.discarded, rig.recorder.queued_readings());
    assert!(discarded > 0 && discarded + queued == 20, "{discarded} discarded, {queued} queued");
    drop(holder);
    rig.recorder.write_queued(&mut told).unwrap();
    assert_eq!(told.late.len() as u64, queued);
    let want = format!("{discarded} readings discarded: database held by another process, and no room in memory");
    assert_eq!(rig.gaps(), [want]);
}
