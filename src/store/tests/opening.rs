//! Opening, coming forward and going on.

use super::*;

/// Identity: a daemon that comes back finds its rows and goes on numbering.
#[test]
fn restart_keeps_rows_and_goes_on() {
    let s = Station::new();
    for k in 0..3 {
        s.commit(NOON.plus_seconds(60.0 * f64::from(k))).unwrap();
    }
    let Station { folder, store, made_with } = s;
    drop(store);
    let store = Store::open_daemon(&folder.path().join("v.db"), &QUANTITIES).unwrap();
    assert_eq!(register(&store), made_with);
    let s = Station { folder, store, made_with };
    assert_eq!(s.commit(NOON.plus_seconds(180.0)).unwrap(), 4);
    assert_eq!(s.store.latest(10).unwrap().iter().map(|r| r.reading.id).collect::<Vec<_>>(), [1, 2, 3, 4]);
    assert_eq!(s.store.events(UtcMicros(0), UtcMicros(i64::MAX)).unwrap(), []);
    let hours: i64 = s.shell().query_row("SELECT count(*) FROM hour", [], |r| r.get(0)).unwrap();
    assert_eq!(hours, 1);
}

/// Regression: of the tables that lie at the beginning of the file a reading writes those that change; the neighbour that is written
/// with the file's first page is one of them.
#[test]
fn a_reading_brings_no_names_of_flags_along() {
    let s = Station::new();
    s.commit(NOON).unwrap();
    let log = s.path().with_extension("db-wal");
    let before = std::fs::read(&log).unwrap().len();
    for k in 1..20 {
        s.commit(NOON.plus_seconds(60.0 * f64::from(k))).unwrap();
    }
    let root = |name: &str| -> u32 {
        s.shell().query_row("SELECT rootpage FROM sqlite_schema WHERE name = ?1", [name], |r| r.get(0)).unwrap()
    };
    // Each frame of the log: 24 bytes, of which the first four are the page's number, and the page.
    let log = std::fs::read(&log).unwrap();
    let pages: Vec<u32> = log[before..]
        .chunks_exact(24 + super::super::PAGE_SIZE as usize)
        .map(|frame| u32::from_be_bytes(*frame.first_chunk().unwrap()))
        .collect();
    assert!(pages.contains(&1) && pages.contains(&root("saved_state")), "{pages:?}");
    for quiet in ["flag", "event", "event_by_time", "quantity"] {
        assert!(!pages.contains(&root(quiet)), "{quiet} is page {} of {pages:?}", root(quiet));
    }
}

/// Identity: the lock is held as long as the store lives; the message names the process and the database.
#[test]
fn a_second_daemon_is_refused() {
    let s = Station::new();
    let error = Store::open_daemon(&s.path(), &QUANTITIES).unwrap_err().to_string();
    let want = format!("process {} holds its lock", std::process::id());
    assert!(error.contains(&want) && error.contains("v.db"), "{error}");
    let (path, folder) = (s.path(), s.folder);
    drop(s.store);
    Store::open_daemon(&path, &QUANTITIES).unwrap();
    drop(folder);
}

/// Identity: other processes write notes while the daemon runs, and need a database that is there.
#[test]
fn a_note_can_be_added_beside_the_daemon() {
    let s = Station::new();
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

/// Identity: what this program did not write is not touched, and the message says what it is.
#[test]
fn databases_of_others_and_of_newer_programs_are_refused() {
    let s = Station::new();
    s.shell().pragma_update(None, "user_version", 99).unwrap();
    for error in [Reader::open(&s.path()).unwrap_err(), Store::open_writer(&s.path()).unwrap_err()] {
        let error = error.to_string();
        assert!(error.contains("version 6 or older, but found version 99: a newer vigilux wrote it"), "{error}");
    }
    let (path, folder) = (s.path(), s.folder);
    drop(s.store);
    let error = Store::open_daemon(&path, &QUANTITIES).unwrap_err().to_string();
    assert!(error.contains("found version 99"), "{error}");
    Connection::open(&path).unwrap().pragma_update(None, "user_version", 0).unwrap();
    assert!(Reader::open(&path).unwrap_err().to_string().contains("`vigilux run` brings it forward"));

    let foreign = folder.path().join("foreign.db");
    Connection::open(&foreign).unwrap().execute_batch("CREATE TABLE t(x)").unwrap();
    let text = folder.path().join("text.db");
    std::fs::write(&text, "this is no database, but long enough to be looked at as one by SQLite".repeat(20)).unwrap();
    for (path, found) in [(foreign, "application id 0x0"), (text, "no SQLite database")] {
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

/// Identity: migrations run in order, once, and each leaves its number.
#[test]
fn an_older_schema_is_brought_forward() {
    let mut c = Connection::open_in_memory().unwrap();
    let path = Path::new("x");
    let steps = ["CREATE TABLE a(x)", "ALTER TABLE a ADD COLUMN y", "INSERT INTO a VALUES (1, 2)"];
    schema::migrate(&mut c, &steps[..1], path).unwrap();
    schema::migrate(&mut c, &steps, path).unwrap();
    schema::migrate(&mut c, &steps, path).unwrap();
    assert_eq!(schema::version(&c).unwrap(), 3);
    assert_eq!(c.query_row("SELECT count(*), sum(y) FROM a", [], |r| Ok((r.get(0)?, r.get(1)?))).unwrap(), (1, 2));
    // A step that fails leaves the version before it.
    let broken = ["", "", "", "CREATE TABLE b(x); CREATE TABLE b(x)"];
    schema::migrate(&mut c, &broken, path).unwrap_err();
    assert_eq!(schema::version(&c).unwrap(), 3);
    assert_eq!(c.query_row("SELECT count(*) FROM sqlite_schema", [], |r| r.get::<_, i64>(0)).unwrap(), 1);
}

/// Identity: a table without rows, which is made anew with all its columns, is the table that rows in it have grown column by
/// column: also where some of its columns are older than others, and where an index hangs on it.
#[test]
fn tables_made_whole_are_tables_grown_column_by_column() {
    let made = |between: &str| {
        let mut c = Connection::open_in_memory().unwrap();
        schema::migrate(&mut c, schema::MIGRATIONS, Path::new("x")).unwrap();
        c.execute_batch(&format!("PRAGMA foreign_keys=OFF; {between}")).unwrap();
        schema::add_quantities(&mut c, &QUANTITIES[..1]).unwrap();
        schema::add_quantities(&mut c, &QUANTITIES).unwrap();
        let all = |sql: &str| -> Vec<String> {
            let mut statement = c.prepare(sql).unwrap();
            statement.query_map([], |r| r.get(0)).unwrap().map(Result::unwrap).collect()
        };
        let columns = ["value", "window_value"].map(|t| {
            all(&format!(
                "SELECT concat_ws('|', cid, name, type, \"notnull\", dflt_value, pk, hidden) FROM pragma_table_xinfo('{t}')"
            ))
        });
        let tables = all("SELECT concat_ws('|', name, type, ncol, wr, strict) FROM pragma_table_list ORDER BY name");
        let keys =
            all("SELECT concat_ws('|', \"table\", \"from\", \"to\") FROM pragma_foreign_key_list('window_value')");
        let attached = all("SELECT name || tbl_name FROM sqlite_schema WHERE type IN ('view', 'index') ORDER BY name");
        (columns, tables, keys, attached)
    };
    let whole = made("");
    let rows = "INSERT INTO value(id, flags) VALUES (1, 0); INSERT INTO window_value(reading) VALUES (1)";
    assert_eq!(whole, made(rows));
    assert_eq!(whole.0[1].len(), 1 + 3 * QUANTITIES.len());
    let mut indexed = made("CREATE INDEX by_flags ON value(flags)");
    assert!(indexed.3.iter().any(|name| name == "by_flagsvalue"), "{:?}", indexed.3);
    indexed.3.retain(|name| name != "by_flagsvalue");
    assert_eq!(whole, indexed);
}

/// Identity: a quantity that joins later gets its columns; older readings say why they have none of it.
#[test]
fn a_new_quantity_gets_columns_and_older_readings_say_why_they_lack_it() {
    let s = Station::new();
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
    assert_eq!(old.reading.values[0], QuantityValue::Null("not among the quantities when it was computed".into()));
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
    assert_eq!(error, "expected quantity `ppfd` in `umol m-2 s-1`, as the database has it, but found `W m-2`");
    assert!(Store::open_daemon(&path, &[("a\"; DROP", "1")]).unwrap_err().to_string().contains("lower-case letters"));
    drop(folder);
}

/// Identity: with `psow=0` a commit is padded to whole sectors, so the log grows by more than its frames; a plain
/// connection's does not. Shows that the setting of the URI arrives.
#[test]
fn every_connection_writes_without_power_safe_overwrite() {
    let grown = |s: &Station, write: &dyn Fn()| {
        let log = || std::fs::metadata(s.folder.path().join("v.db-wal")).unwrap().len();
        let before = log();
        write();
        log() - before
    };
    let s = Station::new();
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

/// Identity: registering again is free; a change, also back to what was, is one event.
#[test]
fn what_comes_in_force_is_registered_once_and_each_change_is_an_event() {
    let s = Station::new();
    let store = &s.store;
    assert_eq!(register(store), s.made_with);
    assert!(store.latest_events(9).unwrap().is_empty());
    let b = store.register_configuration("version = 1 # b", NOON.plus_seconds(1.0)).unwrap();
    assert_ne!(b, s.made_with.configuration);
    // The clock has gone back meanwhile.
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
