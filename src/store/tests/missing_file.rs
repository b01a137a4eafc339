//! A database whose file is deleted, moved or replaced while the daemon runs.

use super::*;

/// The identifiers of the readings in the file at the path, and whether SQLite finds it whole.
fn found(s: &TestDatabase) -> (Vec<i64>, bool) {
    let reader = Reader::open(&s.path()).unwrap();
    let ids = reader.latest(100).unwrap().iter().map(|r| r.reading.id).collect();
    (ids, reader.integrity_faults().unwrap().is_empty())
}

/// A deleted database is written again with everything stored before, ahead of the next acknowledgement.
#[test]
fn a_deleted_database_is_written_again() {
    let s = TestDatabase::new();
    for second in 0..3 {
        s.commit(NOON.plus_seconds(f64::from(second))).unwrap();
    }
    std::fs::remove_file(s.path()).unwrap();
    assert_eq!(s.commit(NOON.plus_seconds(3.0)).unwrap(), 4);
    assert_eq!(found(&s), (vec![1, 2, 3, 4], true));
    // Also with the files of the write-ahead log, and a second time.
    for end in ["", "-wal", "-shm"] {
        std::fs::remove_file(s.folder.path().join(format!("v.db{end}"))).unwrap();
    }
    assert_eq!(s.commit(NOON.plus_seconds(4.0)).unwrap(), 5);
    assert_eq!(found(&s), (vec![1, 2, 3, 4, 5], true));
}

/// A database that was moved keeps what it had; the path has everything.
#[test]
fn a_moved_database_is_written_again_at_its_path() {
    let s = TestDatabase::new();
    s.commit(NOON).unwrap();
    let elsewhere = s.folder.path().join("moved.db");
    std::fs::rename(s.path(), &elsewhere).unwrap();
    assert_eq!(s.commit(NOON.plus_seconds(1.0)).unwrap(), 2);
    assert_eq!(found(&s), (vec![1, 2], true));
    assert!(elsewhere.exists());
}

/// Where nothing can be written, nothing is acknowledged, and storing works again when it can.
#[test]
fn without_its_folder_nothing_is_acknowledged() {
    let parent = folder();
    let home = parent.path().join("home");
    std::fs::create_dir(&home).unwrap();
    let store = Store::open_daemon(&home.join("v.db"), &QUANTITIES).unwrap();
    let made_with = register(&store);
    let s = TestDatabase { folder: parent, store, made_with };
    s.commit(NOON).unwrap();
    std::fs::remove_dir_all(&home).unwrap();
    let error = s.commit(NOON.plus_seconds(1.0)).unwrap_err();
    assert!(error.is_transient() && matches!(error, StoreError::FileMissing { .. }), "{error}");
    std::fs::create_dir(&home).unwrap();
    assert_eq!(s.commit(NOON.plus_seconds(1.0)).unwrap(), 2);
    let ids: Vec<i64> =
        Reader::open(&home.join("v.db")).unwrap().latest(9).unwrap().iter().map(|r| r.reading.id).collect();
    assert_eq!(ids, [1, 2]);
}

/// A file that somebody put in place of the database is not overwritten, and nothing is acknowledged.
#[test]
fn a_file_put_in_its_place_is_left_alone() {
    let s = TestDatabase::new();
    s.commit(NOON).unwrap();
    std::fs::rename(s.path(), s.folder.path().join("moved.db")).unwrap();
    std::fs::write(s.path(), "another file").unwrap();
    let error = s.commit(NOON.plus_seconds(1.0)).unwrap_err();
    assert!(error.is_transient() && matches!(error, StoreError::FileReplaced { .. }), "{error}");
    assert_eq!(std::fs::read_to_string(s.path()).unwrap(), "another file");
}
