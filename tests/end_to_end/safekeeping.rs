//! `verify` and `backup` on a database in use, after a kill, and on damaged copies of it.

use crate::site::{PATIENCE, Site, texts};
use rusqlite::Connection;
use std::path::Path;

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
    assert_eq!(texts(&refused).1, "copy.db: expected no existing file; --overwrite replaces it\n");
    assert_eq!(std::fs::read(site.path("copy.db")).unwrap(), before);
    let itself = site.output(&["backup", "station.db", "--overwrite", "--config", "station.toml"]);
    assert_eq!(itself.status.code(), Some(2), "{:?}", texts(&itself));
    let again = site.output(&["backup", "copy.db", "--overwrite", "--config", "station.toml", "--json"]);
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
    let (report, _) = damaged("a value", &change("UPDATE value SET ppfd = ppfd * 1.000000001 WHERE reading = 9"));
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
    let aged = verify(&site, "aged.db");
    assert!(aged.0 == Some(0) && aged.1.to_string().contains("raw frames of 4 readings were purged"), "{aged:?}");
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
}
