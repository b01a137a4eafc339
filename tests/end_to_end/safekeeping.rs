//! `verify` and `backup` on a database in use, after a kill, and on damaged copies of it.

use crate::site::{PATIENCE, Site, texts};
use rusqlite::Connection;
use std::collections::BTreeMap;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use vigilux::archive::verify::verify_database;
use vigilux::store::Reader;
use vigilux::store::row_checksum::crc32_of_row;

fn verify(site: &Site, name: &str) -> (Option<i32>, serde_json::Value, String) {
    let output = site.output(&["verify", "--json", "--all", "--database", name]);
    let (out, complaints) = texts(&output);
    (output.status.code(), serde_json::from_str(&out).unwrap_or_default(), complaints)
}

/// A check by its name.
fn check<'a>(report: &'a serde_json::Value, name: &str) -> &'a serde_json::Value {
    let checks = report["checks"].as_array().unwrap_or_else(|| panic!("no checks in {report}"));
    let check = checks.iter().find(|c| c["check"]["name"] == name).unwrap_or_else(|| panic!("no `{name}` in {report}"));
    &check["check"]
}

/// The faults of a check, in one text.
fn faults(report: &serde_json::Value, name: &str) -> String {
    check(report, name)["faults"].as_array().unwrap().iter().map(|f| format!("{}\n", f.as_str().unwrap())).collect()
}

/// Flips one bit of a blob in the file itself, as a failing disk does.
fn flip(database: &Path, blob: &[u8]) {
    let mut bytes = std::fs::read(database).unwrap();
    let part = &blob[..blob.len().min(40)];
    let at = bytes.windows(part.len()).position(|w| w == part).expect("the blob begins in one page");
    bytes[at + part.len() - 1] ^= 0x10;
    std::fs::write(database, bytes).unwrap();
}

/// Gives the rows of a table that meet a condition the checksum of what they are.
fn seal(path: &Path, table: &str, condition: &str) {
    let database = Connection::open(path).unwrap();
    let sql = format!("SELECT name FROM pragma_table_info('{table}') WHERE name <> 'row_crc32'");
    let mut statement = database.prepare(&sql).unwrap();
    let names: Vec<String> = statement.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
    let mut statement =
        database.prepare(&format!("SELECT {} FROM {table} WHERE {condition}", names.join(", "))).unwrap();
    let sealed = statement.query_map([], |row| {
        Ok((row.get::<_, i64>(0)?, crc32_of_row(names.iter().map(String::as_str).zip(0..), row)?))
    });
    for (id, crc32) in sealed.unwrap().collect::<Result<Vec<_>, _>>().unwrap() {
        database.execute(&format!("UPDATE {table} SET row_crc32 = ?2 WHERE id = ?1"), [id, i64::from(crc32)]).unwrap();
    }
}

/// The content of all tables that are not derived from others, by table and row.
fn content(path: &Path) -> Result<BTreeMap<String, String>, rusqlite::Error> {
    let database = Connection::open(path)?;
    let mut content = BTreeMap::new();
    let sql = "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name";
    let tables: Vec<String> = database.prepare(sql)?.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
    for table in tables {
        let mut statement = database.prepare(&format!("SELECT * FROM {table}"))?;
        let columns = statement.column_count();
        let mut rows = statement.query([])?;
        let mut n = 0;
        while let Some(row) = rows.next()? {
            let values: Vec<String> = (0..columns)
                .map(|k| Ok::<_, rusqlite::Error>(format!("{:?}", row.get_ref(k)?)))
                .collect::<Result<_, _>>()?;
            content.insert(format!("{table} {n}"), values.join(","));
            n += 1;
        }
    }
    Ok(content)
}

/// Every byte of a database may go wrong: what changes in its content, `verify` finds. Flips that change no content are those in
/// unused space.
fn flipped_bytes_are_found(site: &Site, flips: usize) {
    let original = content(&site.path("copy.db")).unwrap();
    let bytes = std::fs::read(site.path("copy.db")).unwrap();
    let path = site.path("flipped.db");
    let (mut harmless, mut unseen, mut seed) = (0, Vec::new(), 20_260_621_u64);
    for _ in 0..flips {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let mut flipped = bytes.clone();
        let at = (seed >> 16) as usize % bytes.len();
        flipped[at] ^= 1 << (seed >> 60 & 7);
        std::fs::write(&path, flipped).unwrap();
        let found = Reader::open(&path).map_or(1, |reader| {
            let checks = verify_database(&reader, 3, &mut |_, _| {});
            checks.iter().map(|check| check.count()).sum()
        });
        match content(&path) {
            Ok(same) if same == original => harmless += 1,
            Ok(other) if found == 0 => {
                let (row, _) = original.iter().find(|(row, values)| other.get(*row) != Some(values)).unwrap();
                unseen.push(format!("byte {at}: {row}"));
            }
            _ => {}
        }
    }
    println!("{flips} flips: {harmless} without effect, {} unseen: {unseen:?}", unseen.len());
    assert!(unseen.is_empty(), "{unseen:?}");
    assert!(harmless < flips / 2, "{harmless} of {flips} flips had no effect");
}

/// A database in use, after a kill and a restart, passes, and so does a copy made meanwhile; damage done to copies is
/// detected and named.
#[test]
fn a_whole_database_verifies_and_damage_is_named() {
    let site = Site::new(240.0, "warm_up_min = 0", "cron = \"0,30 * * * * *\"");
    let _bench = site.bench(&[]);
    let killed = site.run();
    while site.reading(&killed).0 < 12 {}
    killed.process.signal("KILL");
    drop(killed);
    let mut daemon = site.run();
    while site.reading(&daemon).0 < 30 {}

    // While it runs.
    let (status, report, complaints) = verify(&site, "station.db");
    assert_eq!((status, &report["ok"]), (Some(0), &true.into()), "{report}\n{complaints}");
    let values = check(&report, "values");
    assert!(values["checked"].as_i64() >= Some(30), "{values}");
    let copied = site.output(&["backup", "copy.db", "--config", "station.toml"]);
    assert!(copied.status.success(), "{:?}", texts(&copied));
    assert!(texts(&copied).0.contains(" readings in copy.db ("), "{:?}", texts(&copied));
    let before = std::fs::read(site.path("copy.db")).unwrap();
    let refused = site.output(&["backup", "copy.db", "--config", "station.toml"]);
    assert_eq!(refused.status.code(), Some(2));
    assert_eq!(texts(&refused).1, "copy.db: expected no existing file; --force replaces it\n");
    assert_eq!(std::fs::read(site.path("copy.db")).unwrap(), before);
    let itself = site.output(&["backup", "station.db", "--force", "--config", "station.toml"]);
    assert_eq!(itself.status.code(), Some(2), "{:?}", texts(&itself));
    let again = site.output(&["backup", "copy.db", "--force", "--config", "station.toml", "--json"]);
    assert!(again.status.success(), "{:?}", texts(&again));
    assert!(!site.path("copy.db.part").exists());
    daemon.process.signal("TERM");
    assert!(daemon.process.end_within(PATIENCE).success());
    let plain = site.output(&["verify", "--database", "copy.db"]);
    assert!(plain.status.success() && texts(&plain).0.contains("database: ok"), "{:?}", texts(&plain));

    // Damaged copies.
    let damaged = |what: &str, damage: &dyn Fn(&Path)| {
        let path = site.path("damaged.db");
        std::fs::copy(site.path("copy.db"), &path).unwrap();
        damage(&path);
        let (status, report, complaints) = verify(&site, "damaged.db");
        assert_eq!(status, Some(1), "{what}: {report}\n{complaints}");
        (report, complaints)
    };
    let change = |sql: &'static str| {
        move |path: &Path| assert!(Connection::open(path).unwrap().execute(sql, []).unwrap() > 0, "{sql}")
    };
    let blob = |sql: &str| -> Vec<u8> {
        Connection::open(site.path("copy.db")).unwrap().query_row(sql, [], |row| row.get(0)).unwrap()
    };

    let sums = blob("SELECT sums FROM frame WHERE id / 16 = 7 LIMIT 1");
    let (report, complaints) = damaged("a bit of a frame", &|path| flip(path, &sums));
    let said = faults(&report, "frames");
    assert!(said.starts_with("reading 7: frame 112: expected detail and sums with checksum "), "{said}");
    assert!(complaints.starts_with("the database has ") && complaints.trim_end().ends_with("faults"), "{complaints}");
    let changed = change("UPDATE value SET ppfd = ppfd * 1.000000001 WHERE reading = 9");
    let (report, _) = damaged("a value", &changed);
    assert!(faults(&report, "rows").starts_with("value "), "{report}");
    // Other commands leave it out, name it and fail.
    let exported = site.output(&["export", "--database", "damaged.db"]);
    let rows = texts(&exported).0.lines().filter(|l| l.starts_with(|c: char| c.is_ascii_digit())).count() as i64;
    let all: i64 = Connection::open(site.path("copy.db"))
        .unwrap()
        .query_row("SELECT count(*) FROM reading", [], |r| r.get(0))
        .unwrap();
    assert_eq!((exported.status.code(), rows), (Some(1), all - 1));
    let complaint = texts(&exported).1;
    assert!(
        complaint.starts_with("1 damaged row is left out; `vigilux verify` checks the whole database\n    value "),
        "{complaint}"
    );
    let daily = site.output(&["daily", "--database", "damaged.db"]);
    assert!(daily.status.code() == Some(1) && texts(&daily).0.contains("2026-06-21"), "{:?}", texts(&daily));
    // With a checksum that matches, the value still does not follow from the frames.
    let (report, _) = damaged("a value with its checksum", &|path| {
        changed(path);
        seal(path, "value", "reading = 9");
    });
    assert!(faults(&report, "values").starts_with("reading 9: ppfd: stored "), "{report}");
    let (report, _) = damaged("a frame", &change("DELETE FROM frame WHERE id / 16 = 5"));
    assert!(faults(&report, "frames").starts_with("reading 5: expected "), "{report}");
    let (report, _) = damaged("frames that went without a word", &change("DELETE FROM frame WHERE id / 16 < 5"));
    assert!(faults(&report, "frames").starts_with("reading 1: expected "), "{report}");
    std::fs::copy(site.path("copy.db"), site.path("aged.db")).unwrap();
    let aged = Connection::open(site.path("aged.db")).unwrap();
    aged.execute_batch(
        "DELETE FROM frame WHERE id / 16 < 5;
         INSERT INTO event(time, until, kind, text)
             SELECT min(time_start), max(time_start), 'raw_purged', '' FROM reading WHERE id < 5;",
    )
    .unwrap();
    drop(aged);
    seal(&site.path("aged.db"), "event", "kind = 'raw_purged'");
    let aged = verify(&site, "aged.db");
    assert!(aged.0 == Some(0) && aged.1.to_string().contains("raw frames of 4 readings were purged"), "{aged:?}");
    let (report, _) = damaged("a text", &change("UPDATE calibration SET text = text || ' '"));
    assert!(faults(&report, "rows").starts_with("calibration 1: expected a row with checksum "), "{report}");
    let (report, _) = damaged("three readings", &change("DELETE FROM reading WHERE id BETWEEN 20 AND 22"));
    assert_eq!(faults(&report, "readings"), "identifiers are not consecutive: readings 20 to 22 are missing\n");
    assert!(faults(&report, "gaps").contains("ended in neither a reading nor a gap"), "{report}");
    let (report, _) = damaged("a dark", &change("UPDATE dark SET sums = zeroblob(length(sums))"));
    assert!(faults(&report, "darks").starts_with("dark 1: expected "), "{report}");
    let (report, complaints) = damaged("half a file", &|path| {
        let bytes = std::fs::read(path).unwrap();
        std::fs::write(path, &bytes[..bytes.len() / 2]).unwrap();
    });
    assert!(report.is_null() || !faults(&report, "integrity").is_empty(), "{report}\n{complaints}");
    assert!(!complaints.is_empty());

    let flips = std::env::var("VIGILUX_FLIPPED_BYTES").map_or(60, |n| n.parse().expect("a number of flips"));
    flipped_bytes_are_found(&site, flips);
    for name in ["station.db", "station.db.lock", "copy.db"] {
        let mode = std::fs::metadata(site.path(name)).unwrap().permissions().mode();
        assert_eq!(mode & 0o777 & !0o640, 0, "{name} has mode {mode:o}");
    }
}
