//! Power cuts at every point of the daemon's run.
//!
//! The daemon runs under a recorder of everything it does to its database (`recorder.c`). The record is then played back
//! onto a model of a disk that loses power at every point of it (`disk.rs`), and each possible state is opened with another
//! SQLite (`witness.py`): it has to be intact, its readings contiguous and byte for byte what was stored, and no
//! acknowledged reading may be missing. `VIGILUX_POWER_CUT_STATES` asks for more states
//! (default 11 000; 150 000 take six minutes on two cores, and are 94 000 different ones).

mod disk;
mod full_disk;
mod proof;
mod recording;
#[path = "../end_to_end/site.rs"]
#[allow(dead_code, reason = "the tests of the daemon use the rest of it")]
mod site;
#[path = "../support/mod.rs"]
mod support;

use proof::{Outcome, examine, memory_folder};
use recording::Entry;
use site::{PATIENCE, Site};
use std::path::{Path, PathBuf};
use std::process::Command;
use vigilux::quantities;
use vigilux::store::Reader;

/// Default number of states.
const STATES: usize = 11_000;
/// Number of states for a control that must fail.
const CONTROL_STATES: usize = 900;

fn recorded(mut command: Command, recorder: &Path, record: &Path, database: &Path) -> Command {
    command.env("LD_PRELOAD", recorder).env("VIGILUX_RECORD", record).env("VIGILUX_RECORD_DATABASE", database);
    command
}

/// Three runs of the daemon: one in which the disk fails to synchronise for a while and which is stopped, one that is killed
/// inside a transaction, and one that recovers. Returns the record and the database at the end.
fn life(site: &Site) -> (Vec<Entry>, PathBuf) {
    let recorder = recording::build_recorder(&site.path(""));
    // The recorder compares names as the kernel has them.
    let folder = site.path("").canonicalize().unwrap();
    let (record, database) = (folder.join("record"), folder.join("station.db"));
    let command = || recorded(site.vigilux(&[]), &recorder, &record, &database);
    let stop_after = |last: i64| {
        let mut daemon = site.run_by(command());
        while site.reading(&daemon).0 < last {}
        daemon.process.signal("TERM");
        assert!(daemon.process.end_within(PATIENCE).success(), "log:\n{}", site.log());
    };
    let mut failing = command();
    failing.env("VIGILUX_RECORD_UNSYNCED", folder.join("unsynced"));
    let mut daemon = site.run_by(failing);
    for (last, unsynced) in [(20, true), (40, false), (60, false)] {
        while site.reading(&daemon).0 < last {}
        match unsynced {
            true => site.put("unsynced", ""),
            // Absent the second time.
            false => drop(std::fs::remove_file(folder.join("unsynced"))),
        }
    }
    daemon.process.signal("TERM");
    assert!(daemon.process.end_within(PATIENCE).success(), "log:\n{}", site.log());
    let recovered = site.log().matches("was opened again, written again and read back").count();
    assert!(recovered > 3, "{recovered} recoveries; log:\n{}", site.log());
    let mut killed = command();
    killed.env("VIGILUX_RECORD_KILL", "4321");
    let mut killed = site.run_by(killed);
    assert!(!killed.process.end_within(PATIENCE).success(), "the recorder ends it; log:\n{}", site.log());
    let after_kill = killed.lines.iter().map(|line| site::acknowledged(&line).0).max().unwrap();
    stop_after(after_kill + 40);
    (recording::read(&record, &database), database)
}

fn columns() -> Vec<(&'static str, &'static str)> {
    quantities::registry().iter().map(|q| (q.id, q.unit)).collect()
}

fn report(what: &str, outcome: &Outcome) {
    println!(
        "{what}: {} states of {} points in {:.0} s, {} of them gone on from, {} wrong {:?}",
        outcome.states,
        outcome.points,
        outcome.took.as_secs_f64(),
        outcome.continued,
        outcome.failures(),
        outcome.wrong
    );
    outcome.examples.iter().for_each(|e| println!("  {e}"));
}

/// The same readings written by the witness's SQLite under other settings, cut in the same ways.
fn control(reference: &Path, recorder: &Path, synchronous: &str, psow: u8) -> Outcome {
    let folder = memory_folder();
    let (record, database) = (folder.path().join("record"), folder.path().join("control.db"));
    let mut python = Command::new(support::python::interpreter());
    python.arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/power_cut/control.py")).arg(reference);
    python.arg(&database).arg(synchronous).arg(psow.to_string());
    let output = recorded(python, recorder, &record, &database).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let outcome = examine(&recording::read(&record, &database), reference, &[], CONTROL_STATES);
    report(&format!("control, synchronous={synchronous} psow={psow}"), &outcome);
    outcome
}

/// Independent: another SQLite finds nothing wrong, wherever the power fails. The same proof fails without the settings that the
/// program opens its database with, which shows that it can fail.
#[test]
fn no_acknowledged_reading_is_lost_wherever_the_power_fails() {
    let wanted = std::env::var("VIGILUX_POWER_CUT_STATES").map_or(STATES, |n| n.parse().expect("a number of states"));
    let site = Site::new(480.0, "warm_up_min = 0", "cron = \"0 * * * * *\"");
    let bench = site.bench(&[]);
    let (entries, database) = life(&site);
    drop(bench);

    // The database that the states are compared with is itself intact, frame by frame.
    let reader = Reader::open(&database).unwrap();
    let count = reader.counts().unwrap().readings;
    for id in 1..=count {
        assert!(!reader.frames(id).unwrap().is_empty(), "reading {id} has frames that decode");
    }
    let acknowledged = entries.iter().filter(|e| matches!(e, Entry::Acknowledged(_))).count() as i64;
    assert!(acknowledged > 100 && count - acknowledged <= 1, "{acknowledged} acknowledged of {count}");
    let page_size: u32 = site.column("PRAGMA page_size")[0];
    assert_eq!(page_size, vigilux::store::PAGE_SIZE, "the page size that ships is the one that is proven");
    drop(reader);

    let outcome = examine(&entries, &database, &columns(), wanted);
    report(&format!("{acknowledged} acknowledged readings"), &outcome);
    let recorder = site.path("recorder.so");
    let same = control(&database, &recorder, "FULL", 0);
    let unsynced = control(&database, &recorder, "OFF", 0);
    let unpadded = control(&database, &recorder, "FULL", 1);
    assert_eq!(outcome.failures(), 0, "{:?}", outcome.examples);
    assert!(outcome.states >= 10_000.min(wanted * 3 / 4), "{} states", outcome.states);
    assert_eq!(same.failures(), 0, "{:?}", same.examples);
    assert!(unsynced.wrong.contains_key("damaged") && unsynced.wrong.contains_key("acknowledged reading lost"));
    assert!(unpadded.failures() > 0, "without psow=0 a block's neighbours are at risk");
}
