//! The backlog on a database that has no room, or that another process holds.

use super::super::test_store::{NOON, TestStore, frame, minute};
use super::*;
use crate::fault::GapCause;

impl TestStore {
    /// The reading of a minute after noon.
    fn commit(&self, backlog: &mut Backlog, n: u32) -> Committed {
        self.with_reading(n, |new| backlog.commit(&self.store, new).unwrap())
    }

    /// Writes what there is room for; the identifiers and minutes of what is on the disk now.
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

/// What waited is written in order, bit for bit, once there is room; nothing overtakes it.
#[test]
fn what_waited_is_written_in_order_once_there_is_room() {
    let s = TestStore::new();
    let mut backlog = Backlog::new("south", LIMIT);
    assert_eq!(s.commit(&mut backlog, 0), Committed::Stored(1));
    s.store.limit_pages(1);
    let first_held = (1..200).find(|m| s.commit(&mut backlog, *m) == Committed::Queued(0)).unwrap();
    backlog.gap(minute(first_held + 1), &silent("silence"));
    backlog.gap(minute(first_held + 2), &silent("silence again"));
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

/// While another process holds the database readings wait, and afterwards they are written in order.
#[test]
fn a_database_held_by_another_process_costs_no_reading() {
    let s = TestStore::new();
    let mut backlog = Backlog::new("south", LIMIT);
    assert_eq!(s.commit(&mut backlog, 0), Committed::Stored(1));
    let holder = s.hold();
    assert_eq!(s.commit(&mut backlog, 1), Committed::Queued(0));
    assert_eq!(s.commit(&mut backlog, 2), Committed::Queued(0));
    assert_eq!((s.write(&mut backlog), backlog.readings()), (vec![], 2));
    drop(holder);
    assert_eq!(s.write(&mut backlog), [(2, 1), (3, 2)]);
    let events = s.events();
    let since = NOON.plus_seconds(62.0);
    let want = format!("database held by another process since {since}: 2 readings waited in memory");
    assert!(events.iter().any(|e| e.text == want), "{events:?}");
    assert_eq!(s.commit(&mut backlog, 3), Committed::Stored(4));
}

/// Memory is bounded; the oldest go, and their span and number are on record when there is room.
#[test]
fn what_memory_cannot_hold_becomes_a_gap_with_its_span() {
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
    let (stored, held) = (s.store.counts().unwrap().readings as u64, backlog.readings());
    assert!(discarded > 200 && held > 2, "{discarded} discarded, {held} held");
    assert_eq!(stored + discarded + held, 300);
    s.store.limit_pages(u32::MAX - 1);
    let written = s.write(&mut backlog);
    assert_eq!(written.last(), Some(&((stored + held) as i64, 299)));
    let gap = s.events().into_iter().find(|e| e.kind == EventKind::Gap(GapCause::StorageFull)).unwrap();
    assert_eq!(gap.time, NOON.plus_seconds(60.0 * stored as f64));
    assert_eq!(gap.until, Some(NOON.plus_seconds(60.0 * (stored + discarded - 1) as f64 + 2.0)));
    assert_eq!(gap.text, format!("{discarded} readings discarded: no room on the disk, and no room in memory"));
}
