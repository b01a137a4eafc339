//! Failures of the disk, and damaged rows.

use super::*;

/// No read transaction is open between two pages, so the write-ahead log can be checkpointed and truncated.
#[test]
fn a_slow_reader_does_not_block_a_checkpoint() {
    let s = TestDatabase::new();
    for k in 0..600 {
        s.commit_with(&reading(NOON.plus_seconds(f64::from(k))), &[]).unwrap();
    }
    let reader = Reader::open(&s.path()).unwrap();
    let mut readings = reader.readings(UtcMicros(0), UtcMicros(i64::MAX)).unwrap();
    readings.next().unwrap().unwrap();
    let busy: i64 = s.shell().query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |r| r.get(0)).unwrap();
    assert_eq!(busy, 0);
    assert_eq!(std::fs::metadata(s.folder.path().join("v.db-wal")).unwrap().len(), 0);
    assert_eq!(readings.count(), 599);
}

/// A transaction that fails in its last statement stores nothing.
#[test]
fn a_reading_that_fails_half_way_stores_nothing() {
    let s = TestDatabase::new();
    s.commit(NOON).unwrap();
    let next_hour = NOON.plus_seconds(3600.0);
    let frames = [FrameRecord {
        frame: frame(next_hour, 1),
        dark: DarkReference::Matched { dark: 12_345, model: None },
        dark_provenance: DarkProvenance::default(),
    }];
    let error = s.commit_with(&reading(next_hour), &frames).unwrap_err();
    assert!(!error.is_transient() && error.to_string().contains("FOREIGN KEY"), "{error}");
    let rows = |table: &str| -> i64 {
        s.shell().query_row(&format!("SELECT count(*) FROM {table}"), [], |r| r.get(0)).unwrap()
    };
    assert_eq!(["reading", "value", "frame", "hour"].map(rows), [1, 1, 1, 1]);
    assert_eq!(s.commit(next_hour).unwrap(), 2);
    assert_eq!(["reading", "value", "frame", "hour"].map(rows), [2, 2, 2, 2]);
    let short = Reading { values: vec![], ..reading(NOON) };
    let error = s.commit_with(&short, &[]).unwrap_err().to_string();
    assert_eq!(error, "expected values of 3 quantities, but found 0");
}

/// On a full disk a reading is refused and stored ones are readable; with free space storing works again.
#[test]
fn a_full_disk_is_reported_and_storing_works_again_afterwards() {
    let s = TestDatabase::new();
    s.commit(NOON).unwrap();
    s.store.lock().execute_batch("PRAGMA max_page_count=1").unwrap(); // becomes the present size
    let mut stored = 1;
    let error = loop {
        match s.commit(NOON.plus_seconds(stored as f64)) {
            Ok(id) => stored = id,
            Err(error) => break error,
        }
        assert!(stored < 1000, "never full");
    };
    assert!(error.is_transient(), "{error}");
    assert!(
        error.to_string().starts_with("the file system of the database is full while storing a reading"),
        "{error}"
    );
    assert_eq!(s.store.latest(1000).unwrap().len() as i64, stored);
    assert_eq!(Reader::open(&s.path()).unwrap().frames(1).unwrap().len(), 1);
    s.store.lock().execute_batch("PRAGMA max_page_count=100000").unwrap();
    assert_eq!(s.commit(NOON).unwrap(), stored + 1);
    assert_eq!(s.store.integrity_faults().unwrap(), Vec::<String>::new());
}

/// With the write-ahead log truncated anywhere, the database opens consistent, with the first n readings and all their data; n
/// grows with the length of the log.
#[test]
fn a_log_truncated_anywhere_opens_with_complete_readings() {
    let s = TestDatabase::new();
    for k in 0..6 {
        s.commit(NOON.plus_seconds(f64::from(k))).unwrap();
    }
    let (db, log) = (std::fs::read(s.path()).unwrap(), std::fs::read(s.folder.path().join("v.db-wal")).unwrap());
    let copy = folder();
    let path = copy.path().join("v.db");
    let mut last = 0;
    for cut in (0..=log.len()).step_by(509).chain([log.len()]) {
        std::fs::write(&path, &db).unwrap();
        std::fs::write(copy.path().join("v.db-wal"), &log[..cut]).unwrap();
        let _ = std::fs::remove_file(copy.path().join("v.db-shm"));
        let store = Store::open_daemon(&path, &QUANTITIES).unwrap();
        let ids: Vec<i64> = store.latest(100).unwrap().iter().map(|r| r.reading.id).collect();
        assert_eq!(ids, (1..=ids.len() as i64).collect::<Vec<_>>(), "log truncated at {cut}");
        assert!(ids.len() >= last, "log truncated at {cut}: {} readings after {last}", ids.len());
        last = ids.len();
        for id in ids {
            assert_eq!(store.frames(id).unwrap().len(), 1);
        }
        assert_eq!(store.integrity_faults().unwrap(), Vec::<String>::new(), "log truncated at {cut}");
    }
    assert_eq!(last, 6);
}

/// A damaged frame or dark is an error with its row; the others are readable.
#[test]
fn a_damaged_frame_or_dark_is_an_error_with_its_row() {
    let s = TestDatabase::new();
    for k in 0..2 {
        s.commit(NOON.plus_seconds(f64::from(k))).unwrap();
        s.store.add_dark(1, &Dark { id: 0, source: DarkSource::Shutter, frame: frame(NOON, k) }).unwrap();
    }
    let shell = s.shell();
    shell.execute("UPDATE frame SET sums = x'00ff00ff' WHERE id = 16", []).unwrap();
    shell.execute("UPDATE dark SET crc32 = crc32 + 1 WHERE id = 1", []).unwrap();
    let error = s.store.frames(1).unwrap_err().to_string();
    assert!(error.starts_with("frame 16: expected detail and sums with checksum"), "{error}");
    assert_eq!(s.store.frames(2).unwrap().len(), 1);
    let darks = s.store.darks(1, UtcMicros(0)).unwrap();
    assert_eq!(darks.iter().map(Result::is_ok).collect::<Vec<_>>(), [false, true]);
}

/// Only frames of readings before the limit are deleted, the oldest first and some per transaction; values remain, and the
/// interval is one event.
#[test]
fn old_frames_are_deleted_and_values_are_not() {
    let s = TestDatabase::new();
    for k in 0..10 {
        s.commit(NOON.plus_seconds(60.0 * f64::from(k))).unwrap();
    }
    let limit = NOON.plus_seconds(6.5 * 60.0);
    let mut purged = None;
    let mut steps = Vec::new();
    while let Some(more) = s.store.purge_raw_frames(limit, 3, purged).unwrap() {
        steps.push(more.readings);
        purged = Some(more);
    }
    // Readings of minutes 0 to 6 began before the limit, one second before their minute; the reading of minute 7 began after it.
    assert_eq!(steps, [3, 6, 7]);
    let with_frames: Vec<i64> = (1..=10).filter(|id| !s.store.frames(*id).unwrap().is_empty()).collect();
    assert_eq!(with_frames, [8, 9, 10]);
    assert_eq!(s.store.latest(10).unwrap().iter().filter(|r| r.reading.values[0].value().is_some()).count(), 10);
    let events: Vec<Event> =
        s.store.latest_events(9).unwrap().into_iter().filter(|e| e.kind == EventKind::RawPurged).collect();
    assert_eq!(events.len(), 1);
    assert_eq!(events[0].text, "raw frames of 7 readings deleted after their retention time");
    assert_eq!((events[0].time, events[0].until), (NOON.plus_seconds(-1.0), Some(NOON.plus_seconds(359.0))));
    assert_eq!(s.store.purge_raw_frames(limit, 3, None).unwrap(), None);
}
