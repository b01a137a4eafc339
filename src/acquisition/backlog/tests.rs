//! Tests of the backlog with a full disk and with a database locked by another process.

use super::super::test_store::{NOON, TestStore, frame, minute};
use super::*;
use crate::fault::GapCause;

impl TestStore {
    /// Commits the reading of a minute after noon.
    fn commit(&self, backlog: &mut Backlog, n: u32) -> Committed {
        self.with_reading(n, |new| backlog.commit(&self.store, new).unwrap())
    }

    /// Writes queued items; returns ids and minutes of the stored readings.
    fn write(&self, backlog: &mut Backlog) -> Vec<(i64, i64)> {
        let mut written = Vec::new();
        let minute = |r: &Reading| (r.time_start.0 - NOON.0) / 60_000_000;
        backlog.write(&self.store, |id, r| written.push((id, minute(r)))).unwrap();
        written
    }
}

fn silent(why: &str) -> GapReason {
    GapReason { cause: GapCause::NoAnswer, why: why.to_owned() }
}

/// Queued readings are written in order, bit for bit, when space is available; a later reading is not written before them.
#[test]
fn queued_readings_are_written_in_order_when_space_is_available() {
    let s = TestStore::new();
    let mut backlog = Backlog::new("south", LIMIT);
    assert_eq!(s.commit(&mut backlog, 0), Committed::Stored(1));
    s.store.limit_pages(1);
    let first_queued = (1..200).find(|m| s.commit(&mut backlog, *m) == Committed::Queued(0)).unwrap();
    backlog.gap(minute(first_queued + 1), &silent("no answer"));
    backlog.gap(minute(first_queued + 2), &silent("still no answer"));
    assert_eq!(s.commit(&mut backlog, first_queued + 3), Committed::Queued(0));
    assert_eq!((s.write(&mut backlog), backlog.readings()), (vec![], 2));
    s.store.limit_pages(u32::MAX - 1);
    // Space is available, but earlier readings are queued: the new reading is queued, too.
    assert_eq!(s.commit(&mut backlog, first_queued + 4), Committed::Queued(0));
    let m = i64::from(first_queued);
    assert_eq!(s.write(&mut backlog), [(m + 1, m), (m + 2, m + 3), (m + 3, m + 4)]);
    assert!(backlog.is_empty());
    assert_eq!(s.store.frames(m + 2).unwrap()[0].frame, frame(first_queued + 3));
    let events = s.events();
    let texts: Vec<&str> = events.iter().map(|e| e.text.as_str()).collect();
    assert!(texts.contains(&"2 readings missed: no answer"), "{texts:?}");
    assert!(texts.iter().any(|t| t.ends_with("3 readings were queued in memory")), "{texts:?}");
    assert!(!events.iter().any(|e| e.kind == EventKind::Gap(GapCause::StorageFull)));
    assert_eq!(s.commit(&mut backlog, first_queued + 5), Committed::Stored(m + 4));
}

/// While another process locks the database readings are queued, and afterwards they are written in order.
#[test]
fn no_reading_is_lost_while_another_process_locks_the_database() {
    let s = TestStore::new();
    let mut backlog = Backlog::new("south", LIMIT);
    assert_eq!(s.commit(&mut backlog, 0), Committed::Stored(1));
    let lock = s.lock_by_another_process();
    assert_eq!(s.commit(&mut backlog, 1), Committed::Queued(0));
    assert_eq!(s.commit(&mut backlog, 2), Committed::Queued(0));
    assert_eq!((s.write(&mut backlog), backlog.readings()), (vec![], 2));
    drop(lock);
    assert_eq!(s.write(&mut backlog), [(2, 1), (3, 2)]);
    let events = s.events();
    let since = NOON.plus_seconds(62.0);
    let want = format!("database locked by another process since {since}: 2 readings were queued in memory");
    assert!(events.iter().any(|e| e.text == want), "{events:?}");
    assert_eq!(s.commit(&mut backlog, 3), Committed::Stored(4));
}

/// Memory is limited: the oldest readings are discarded, and their number and time range are stored when space is available.
#[test]
fn readings_beyond_the_memory_limit_become_a_gap_with_their_time_range() {
    let s = TestStore::new();
    let mut backlog = Backlog::new("south", 6000);
    s.store.limit_pages(1);
    let mut discarded = 0;
    for minute in 0..300 {
        if let Committed::Queued(n) = s.commit(&mut backlog, minute) {
            discarded += n;
        }
        assert!(backlog.bytes <= 6000);
    }
    let (stored, queued) = (s.store.counts().unwrap().readings as u64, backlog.readings());
    assert!(discarded > 200 && queued > 2, "{discarded} discarded, {queued} queued");
    assert_eq!(stored + discarded + queued, 300);
    s.store.limit_pages(u32::MAX - 1);
    let written = s.write(&mut backlog);
    assert_eq!(written.last(), Some(&((stored + queued) as i64, 299)));
    let gap = s.events().into_iter().find(|e| e.kind == EventKind::Gap(GapCause::StorageFull)).unwrap();
    assert_eq!(gap.time, NOON.plus_seconds(60.0 * stored as f64));
    assert_eq!(gap.until, Some(NOON.plus_seconds(60.0 * (stored + discarded - 1) as f64 + 2.0)));
    assert_eq!(gap.text, format!("{discarded} readings discarded: disk full, and memory limit reached"));
}
