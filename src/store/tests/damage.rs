//! Damaged rows and pages: none is returned, none stops the others, each is named.

use super::*;

/// Five readings a minute apart.
fn five() -> TestDatabase {
    let s = TestDatabase::new();
    for k in 0..5 {
        s.commit(NOON.plus_seconds(60.0 * f64::from(k))).unwrap();
    }
    s
}

fn damage(s: &TestDatabase, sql: &str) {
    let shell = s.shell();
    shell.execute_batch("PRAGMA foreign_keys=OFF").unwrap();
    assert!(shell.execute(sql, []).unwrap() > 0, "{sql}");
}

fn ids(readings: &[StoredReading]) -> Vec<i64> {
    readings.iter().map(|r| r.reading.id).collect()
}

/// Whatever column is changed, the reading is left out and named once, and the others are returned.
#[test]
fn a_damaged_row_is_left_out_and_named() {
    for (sql, named) in [
        ("UPDATE reading SET exposures = '[[1' WHERE id = 3", "reading 3: expected a row with checksum "),
        ("UPDATE reading SET sun_elevation = sun_elevation + 1e-9 WHERE id = 3", "reading 3: "),
        ("UPDATE reading SET time_end = time_end + 1 WHERE id = 3", "reading 3: "),
        ("UPDATE reading SET instrument = 77 WHERE id = 3", "reading 3: "),
        ("UPDATE reading SET exposures = CAST(x'ff00ff' AS TEXT) WHERE id = 3", "reading 3: "),
        ("UPDATE value SET reasons = '{' WHERE reading = 3", "value "),
        ("UPDATE value SET ppfd = ppfd * 1.000000001 WHERE reading = 3", "value "),
        ("UPDATE value SET ppfd_verdict = 7 WHERE reading = 3", "value "),
        ("UPDATE value SET row_crc32 = row_crc32 + 1 WHERE reading = 3", "value "),
        ("UPDATE value SET flags = -5 WHERE reading = 3", "value "),
    ] {
        let s = five();
        damage(&s, sql);
        let reader = Reader::open(&s.path()).unwrap();
        let all: Vec<StoredReading> =
            reader.readings(UtcMicros(0), UtcMicros(i64::MAX)).unwrap().collect::<Result<_, _>>().unwrap();
        assert_eq!(ids(&all), [1, 2, 4, 5], "{sql}");
        let some = reader.readings_of(&["ppfd"], UtcMicros(0), UtcMicros(i64::MAX)).unwrap();
        assert_eq!(ids(&some.collect::<Result<Vec<_>, _>>().unwrap()), [1, 2, 4, 5], "{sql}");
        assert_eq!(ids(&reader.latest(3).unwrap()), [2, 4, 5], "{sql}");
        let found = reader.take_damage();
        assert!(found.len() == 1 && found[0].starts_with(named), "{sql}: {found:?}");
        assert_eq!(reader.take_damage(), Vec::<String>::new(), "{sql}");
        assert!(reader.reading(3).unwrap_err().is_damage(), "{sql}");
        assert_eq!(reader.reading(4).unwrap().unwrap().reading.id, 4);
        let mut faults = Vec::new();
        reader.check_rows(&mut |row| faults.extend(row.err())).unwrap();
        assert_eq!(faults.len(), 1, "{sql}: {faults:?}");
    }
}

/// Window statistics, events, saved state and texts are covered, too.
#[test]
fn every_kind_of_row_is_checked() {
    let s = five();
    let mut r = reading(NOON.plus_seconds(600.0));
    r.window = vec![Some(WindowStatistics { minimum: 1.0, maximum: 2.0, deviation: 0.1 }), None, None];
    s.commit_with(&r, &[]).unwrap();
    let state = SavedState { instrument: 1, name: "dark".into(), json: "[1,2]".into(), time: NOON };
    s.store.save_state(&state).unwrap();
    let event = |text: &str| Event {
        time: NOON,
        until: None,
        instrument: None,
        kind: EventKind::Note(NoteClass::Other),
        text: text.into(),
    };
    let row = s.store.add_event(&event("one")).unwrap();
    s.store.extend_event(row, NOON.plus_seconds(60.0), "two").unwrap();
    let check = |want: &[&str]| {
        let (mut rows, mut faults) = (0, Vec::new());
        s.store
            .check_rows(&mut |row| {
                rows += 1;
                faults.extend(row.err().map(|e| e.to_string()));
            })
            .unwrap();
        // 6 readings and values, a window, 5 frames, an event, a state, four rows that they depend on.
        assert_eq!((rows, faults.len()), (24, want.len()), "{faults:?}");
        for (fault, want) in faults.iter().zip(want) {
            assert!(fault.starts_with(want), "{fault}, not {want}");
        }
    };
    check(&[]);
    damage(&s, "UPDATE window_value SET ppfd_maximum = 3 WHERE reading = 6");
    damage(&s, "UPDATE event SET until = until + 1");
    damage(&s, "UPDATE saved_state SET json = '[1,3]'");
    damage(&s, "UPDATE configuration SET text = 'version = 2'");
    damage(&s, "UPDATE instrument SET full_scale = full_scale + 1");
    damage(&s, "UPDATE frame SET dark_provenance = 1 WHERE reading = 4");
    check(&[
        "window_value 6: ",
        "event 1: ",
        "frame 64: ",
        "instrument 1: ",
        "configuration 1: expected a row with checksum ",
        "saved_state 1: ",
    ]);
    assert!(s.store.frames(4).is_err() && s.store.instruments().unwrap().is_empty());
    assert_eq!(s.store.latest_events(9).unwrap(), []);
    assert_eq!(s.store.load_state(1, "dark").unwrap(), None);
    assert_eq!(s.store.current_configuration().unwrap(), None);
    assert_eq!(ids(&s.store.latest(9).unwrap()), [1, 2, 3, 4, 5]);
    // The state, the configuration, the window, the event and the instrument.
    assert_eq!(s.store.take_damage().len(), 5);
}

/// A column that another program adds while the database is open makes no row look damaged.
#[test]
fn a_column_added_meanwhile_damages_nothing() {
    let s = five();
    let shell = s.shell();
    shell
        .execute_batch("ALTER TABLE value ADD COLUMN later REAL; UPDATE value SET later = 1.5 WHERE reading = 3")
        .unwrap();
    let fresh = Store::open_writer(&s.path()).unwrap();
    fresh.transact("sealing", |tx| fresh.sealed().seal(tx, "value", 1 << 40 | 3)).unwrap();
    assert_eq!(ids(&s.store.latest(9).unwrap()), [1, 2, 3, 4, 5]);
    s.commit(NOON.plus_seconds(600.0)).unwrap();
    s.store.check_rows(&mut |row| row.unwrap()).unwrap();
    assert_eq!(s.store.take_damage(), Vec::<String>::new());
}

/// A page of the file that is damaged costs the readings on it, which are named, and no others.
#[test]
fn a_damaged_page_costs_its_own_rows_only() {
    let s = TestDatabase::new();
    for k in 0..200 {
        s.commit_with(&reading(NOON.plus_seconds(f64::from(k))), &[]).unwrap();
    }
    let shell = s.shell();
    shell.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    let path = s.path();
    let TestDatabase { folder, store, .. } = s;
    drop((shell, store));
    let mut bytes = std::fs::read(&path).unwrap();
    // The page in the middle of those that hold readings, which are told by their exposures: its header is overwritten.
    let page_size = super::super::PAGE_SIZE as usize;
    let at: Vec<usize> = bytes
        .chunks(page_size)
        .enumerate()
        .filter(|(_, page)| page[0] == 13 && page.windows(7).filter(|w| w == b"[[0.1,4").count() > 5)
        .map(|(at, _)| at)
        .collect();
    assert!(at.len() > 3, "pages {at:?}");
    bytes[at[at.len() / 2] * page_size..][..8].fill(0xa5);
    std::fs::write(&path, bytes).unwrap();
    let reader = Reader::open(&path).unwrap();
    let all: Vec<StoredReading> =
        reader.readings(UtcMicros(0), UtcMicros(i64::MAX)).unwrap().collect::<Result<_, _>>().unwrap();
    let lost = reader.take_damage();
    assert!(lost.len() > 3 && lost.len() < 40, "{lost:?}");
    assert_eq!(all.len() + lost.len(), 200);
    drop(folder);
}

/// After an error of the disk the database is opened again and its log written again, before anything is stored; what was
/// acknowledged and is not there any more is named.
#[test]
fn after_an_error_of_the_disk_the_log_is_written_again_and_read_back() {
    let s = five();
    let log = || std::fs::metadata(s.folder.path().join("v.db-wal")).unwrap().len();
    let failed = StoreError::DiskFailed { doing: "storing a reading", cause: rusqlite::Error::QueryReturnedNoRows };
    assert!(failed.is_transient());
    let before = log();
    s.store.disk_failure.note(&failed);
    assert_eq!(s.commit(NOON.plus_seconds(600.0)).unwrap(), 6);
    assert!(log() < before, "{} and {before} bytes", log());
    assert_eq!((s.store.latest(9).unwrap().len(), s.store.take_damage()), (6, vec![]));
    damage(&s, "DELETE FROM value WHERE reading = 6");
    damage(&s, "DELETE FROM frame WHERE reading = 6");
    damage(&s, "DELETE FROM reading WHERE id = 6");
    s.store.disk_failure.note(&failed);
    assert_eq!(s.commit(NOON.plus_seconds(660.0)).unwrap(), 6);
    let lost = s.store.take_damage();
    assert_eq!(lost, ["reading 6: expected what was acknowledged, but it is not there, after an error of the disk"]);
    let busy = StoreError::Busy { doing: "", cause: rusqlite::Error::QueryReturnedNoRows };
    s.store.disk_failure.note(&busy);
    assert!(!s.store.disk_failure.is_pending());
}
