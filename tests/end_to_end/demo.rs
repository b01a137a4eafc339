//! The demo, and commands on its database afterwards.

use crate::site::PROGRAM;
use rusqlite::Connection;
use std::process::Command;

/// The demo plays its day, and its summary compares good values with the simulator's truth.
#[test]
fn the_demo_plays_its_day_and_sums_it_up() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path().join("demo");
    let demo = Command::new(PROGRAM).args(["demo", "--seconds", "60", "--dir"]).arg(&dir).output().unwrap();
    let text = String::from_utf8_lossy(&demo.stdout).into_owned();
    assert!(demo.status.success(), "{text}\n{}", String::from_utf8_lossy(&demo.stderr));
    for part in [
        "readings stored",
        "gaps by cause",
        "flags by count",
        "daily light integral",
        "peak UV index",
        "largest error of ppfd",
        "show --database",
    ] {
        assert!(text.contains(part), "no `{part}` in\n{text}");
    }
    assert!(!text.contains("no good value"), "{text}");
    let database = Connection::open(dir.join("station.db")).unwrap();
    let stored: i64 = database.query_row("SELECT count(*) FROM reading", [], |r| r.get(0)).unwrap();
    assert!(stored > 200, "{stored}");
    let shown = Command::new(PROGRAM).args(["show", "--database"]).arg(dir.join("station.db")).output().unwrap();
    assert!(shown.status.success());
    let out = folder.path().join("day.csv");
    let exported = Command::new(PROGRAM)
        .args(["export", "--format", "csv", "--database"])
        .arg(dir.join("station.db"))
        .arg("--output")
        .arg(&out)
        .status()
        .unwrap();
    let rows = std::fs::read_to_string(&out).unwrap().lines().filter(|l| !l.starts_with('#')).count() as i64;
    assert!(exported.success() && rows == stored + 1, "{rows} lines of {stored} readings");
}
