//! Opening databases, locks, registration.

use super::*;

/// After a restart the daemon finds its rows and continues the ids.
#[test]
fn a_restart_keeps_rows_and_continues_ids() {
    let s = TestDatabase::new();
    for k in 0..3 {
        s.commit(NOON.plus_seconds(60.0 * f64::from(k))).unwrap();
    }
    let TestDatabase { folder, store, made_with } = s;
    drop(store);
    let store = Store::open_daemon(&folder.path().join("v.db"), &QUANTITIES).unwrap();
    assert_eq!(register(&store), made_with);
    let s = TestDatabase { folder, store, made_with };
    assert_eq!(s.commit(NOON.plus_seconds(180.0)).unwrap(), 4);
    assert_eq!(s.store.latest(10).unwrap().iter().map(|r| r.reading.id).collect::<Vec<_>>(), [1, 2, 3, 4]);
    assert_eq!(s.store.events(UtcMicros(0), UtcMicros(i64::MAX)).unwrap(), []);
    let hours: i64 = s.shell().query_row("SELECT count(*) FROM hour", [], |r| r.get(0)).unwrap();
    assert_eq!(hours, 1);
}

/// A reading writes only pages that it changes; the page written together with the first page of the file is one of them.
#[test]
fn a_reading_writes_no_unchanged_table() {
    let s = TestDatabase::new();
    s.commit(NOON).unwrap();
    let log = s.path().with_extension("db-wal");
    let before = std::fs::read(&log).unwrap().len();
    for k in 1..20 {
        s.commit(NOON.plus_seconds(60.0 * f64::from(k))).unwrap();
    }
    let root = |name: &str| -> u32 {
        s.shell().query_row("SELECT rootpage FROM sqlite_schema WHERE name = ?1", [name], |r| r.get(0)).unwrap()
    };
    // A frame of the write-ahead log: a header of 24 bytes, which begins with the page number, and the page.
    let log = std::fs::read(&log).unwrap();
    let pages: Vec<u32> = log[before..]
        .chunks_exact(24 + super::super::PAGE_SIZE as usize)
        .map(|frame| u32::from_be_bytes(*frame.first_chunk().unwrap()))
        .collect();
    assert!(pages.contains(&1) && pages.contains(&root("saved_state")), "{pages:?}");
    for unchanged in ["flag", "event", "event_by_time", "quantity"] {
        assert!(!pages.contains(&root(unchanged)), "{unchanged} is page {} of {pages:?}", root(unchanged));
    }
}

/// The lock is held until the store is dropped; the message names the process and the database.
#[test]
fn a_second_daemon_is_refused() {
    let s = TestDatabase::new();
    let error = Store::open_daemon(&s.path(), &QUANTITIES).unwrap_err().to_string();
    let want = format!("process {} holds its lock", std::process::id());
    assert!(error.contains(&want) && error.contains("v.db"), "{error}");
    let (path, folder) = (s.path(), s.folder);
    drop(s.store);
    Store::open_daemon(&path, &QUANTITIES).unwrap();
    drop(folder);
}

/// Another process can add a note while the daemon runs, to an existing database only.
#[test]
fn a_note_can_be_added_while_the_daemon_runs() {
    let s = TestDatabase::new();
    let note = Event {
        time: NOON,
        until: None,
        instrument: None,
        kind: EventKind::Note(NoteClass::Other),
        text: "cleaned".into(),
    };
    Store::open_writer(&s.path()).unwrap().add_event(&note).unwrap();
    assert_eq!(s.store.latest_events(3).unwrap(), [note]);
    s.commit(NOON).unwrap();
    let missing = s.folder.path().join("none.db");
    let error = Store::open_writer(&missing).unwrap_err().to_string();
    assert!(error.ends_with("none.db: expected a database, but there is no such file"), "{error}");
    assert!(!missing.exists());
}

/// A database with another schema is refused however it is opened, with what to do, and is not changed.
#[test]
fn databases_of_earlier_and_later_schemas_are_refused() {
    let s = TestDatabase::new();
    let (path, folder) = (s.path(), s.folder);
    drop(s.store);
    for (found, who) in [(schema::VERSION - 1, "an earlier"), (schema::VERSION + 1, "a later")] {
        Connection::open(&path).unwrap().pragma_update(None, "user_version", found).unwrap();
        let before = std::fs::read(&path).unwrap();
        let want = format!(
            "{}: expected a database of schema {}, but found schema {found}, which {who} version of vigilux wrote: start a new \
             database at another path, or use the version that wrote it",
            path.display(),
            schema::VERSION
        );
        for error in [
            Store::open_daemon(&path, &QUANTITIES).unwrap_err(),
            Store::open_writer(&path).unwrap_err(),
            Store::open_recomputer(&path, &QUANTITIES).unwrap_err(),
            Reader::open(&path).unwrap_err(),
        ] {
            assert_eq!(error.to_string(), want);
        }
        assert_eq!(std::fs::read(&path).unwrap(), before);
    }
    drop(folder);
}

/// A file that this program did not write is refused unchanged, and the message describes it.
#[test]
fn databases_of_others_are_refused() {
    let folder = folder();
    let foreign = folder.path().join("foreign.db");
    Connection::open(&foreign).unwrap().execute_batch("CREATE TABLE t(x)").unwrap();
    let text = folder.path().join("text.db");
    std::fs::write(&text, "this is not a database, but it is long enough to be opened as one by SQLite".repeat(20))
        .unwrap();
    for (path, found) in [(foreign, "application id 0x0"), (text, "not an SQLite database")] {
        let before = std::fs::read(&path).unwrap();
        for error in [Store::open_daemon(&path, &QUANTITIES).unwrap_err(), Reader::open(&path).unwrap_err()] {
            let error = error.to_string();
            assert!(error.contains("expected a database of vigilux") && error.contains(found), "{error}");
        }
        assert_eq!(std::fs::read(&path).unwrap(), before);
    }
    let nowhere = folder.path().join("no/such/folder/v.db");
    let error = Store::open_daemon(&nowhere, &QUANTITIES).unwrap_err().to_string();
    assert!(error.contains("its parent folder does not exist"), "{error}");
}

/// A new quantity gets its columns; values of older readings are null with a reason.
#[test]
fn a_new_quantity_gets_columns_and_is_null_with_a_reason_in_older_readings() {
    let s = TestDatabase::new();
    s.commit(NOON).unwrap();
    let (path, made_with, folder) = (s.path(), s.made_with, s.folder);
    drop(s.store);
    let more = [("illuminance", "lx"), QUANTITIES[0], QUANTITIES[1], QUANTITIES[2]];
    let store = Store::open_daemon(&path, &more).unwrap();
    let mut r = reading(NOON.plus_seconds(60.0));
    r.values.insert(0, QuantityValue::Value { value: 98_000.0, uncertainty: 900.0, verdict: Verdict::Bad });
    store
        .commit_reading(&NewReading {
            reading: &r,
            made_with,
            about: AcquisitionContext::default(),
            frames: &[],
            events: &[],
            saved_states: &[],
        })
        .unwrap();
    let [old, new] = &store.latest(2).unwrap()[..] else { panic!("two readings") };
    assert_eq!(old.reading.values[0], QuantityValue::Null("the quantity was added after this computation".into()));
    assert_eq!(old.reading.values[1..], reading(NOON).values);
    assert_eq!(new.reading.values, r.values);
    let reader = Reader::open(&path).unwrap();
    assert_eq!(reader.position("illuminance"), Some(3));
    assert_eq!(reader.latest(1).unwrap()[0].reading.values[3], r.values[0]);
    let verdict: String = Connection::open(&path)
        .unwrap()
        .query_row("SELECT illuminance_verdict FROM readings WHERE id = 2", [], |r| r.get(0))
        .unwrap();
    assert_eq!(verdict, "bad");
    drop((store, reader));
    let error = Store::open_daemon(&path, &[("ppfd", "W m-2")]).unwrap_err().to_string();
    assert_eq!(error, "expected quantity `ppfd` in `umol m-2 s-1`, its unit in the database, but found `W m-2`");
    assert!(Store::open_daemon(&path, &[("a\"; DROP", "1")]).unwrap_err().to_string().contains("lower-case letters"));
    drop(folder);
}

/// With `psow=0` SQLite pads a commit to whole sectors, so the log grows by more than the frames; with a plain connection it does
/// not. This shows that the URI parameter has an effect.
#[test]
fn every_connection_writes_without_power_safe_overwrite() {
    let grown = |s: &TestDatabase, write: &dyn Fn()| {
        let log = || std::fs::metadata(s.folder.path().join("v.db-wal")).unwrap().len();
        let before = log();
        write();
        log() - before
    };
    let s = TestDatabase::new();
    let note =
        Event { time: NOON, until: None, instrument: None, kind: EventKind::Note(NoteClass::Other), text: "n".into() };
    s.store.add_event(&note).unwrap();
    let ours = grown(&s, &|| assert!(s.store.add_event(&note).is_ok()));
    let other = Store::open_writer(&s.path()).unwrap();
    let writers = grown(&s, &|| assert!(other.add_event(&note).is_ok()));
    let shell = s.shell();
    shell.execute_batch("PRAGMA synchronous=FULL").unwrap();
    let plain = grown(&s, &|| {
        shell.execute("INSERT INTO event(time, kind, text) VALUES (1782043200000000, 'note', 'n')", []).unwrap();
    });
    assert!(ours > plain && writers > plain, "ours {ours}, writer's {writers}, plain {plain} bytes");
}

/// Registering the same again changes nothing; a change, also back to an earlier text, is one event.
#[test]
fn an_activated_text_is_registered_once_and_each_change_is_an_event() {
    let s = TestDatabase::new();
    let store = &s.store;
    assert_eq!(register(store), s.made_with);
    assert!(store.latest_events(9).unwrap().is_empty());
    let b = store.register_configuration("version = 1 # b", NOON.plus_seconds(1.0)).unwrap();
    assert_ne!(b, s.made_with.configuration);
    // The clock was set back.
    let a = store.register_configuration("version = 1", NOON.plus_seconds(-50.0)).unwrap();
    assert_eq!(a, s.made_with.configuration);
    assert_eq!(store.register_configuration("version = 1", NOON).unwrap(), a);
    assert_eq!(store.current_configuration().unwrap().unwrap().id, a);
    let k = store.register_calibration(s.made_with.instrument, "lab-8", "[calibration] # 8", None, NOON).unwrap();
    assert_eq!(
        store.register_calibration(s.made_with.instrument, "lab-8", "[calibration] # 8", None, NOON).unwrap(),
        k
    );
    let mut kinds: Vec<&str> = store.latest_events(9).unwrap().iter().map(|e| e.kind.name()).collect();
    kinds.sort_unstable();
    assert_eq!(kinds, ["calibration_changed", "configuration_changed", "configuration_changed"]);
    let c = store.register_computation("registry 2", NOON).unwrap();
    assert_ne!(c, s.made_with.computation);
    let d = Detector { full_scale: 4095, ..detector() };
    let other = NewInstrument { name: "roof head", serial: "VB-0001", identity: "", detector: &d };
    assert_ne!(store.register_instrument(&other, NOON).unwrap(), s.made_with.instrument);
    let d = Detector { transfer_s: 0.5, ..detector() };
    let same = NewInstrument { name: "roof head", serial: "VB-0001", identity: "new firmware", detector: &d };
    assert_eq!(store.register_instrument(&same, NOON).unwrap(), s.made_with.instrument);
    assert_eq!(store.instruments().unwrap()[0].identity, "new firmware");
    assert_eq!(store.instruments().unwrap()[0].detector.transfer_s, 0.5);
}
