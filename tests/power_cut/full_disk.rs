//! A disk that is full for a while, and a file that may grow no more: the daemon keeps measuring in both cases.

use crate::recording::build_recorder;
use crate::site::{PATIENCE, Site};
use std::time::Duration;

/// While the disk is full the daemon measures; afterwards every minute has its reading, in order, and the log reported it once.
#[test]
fn a_full_disk_costs_no_reading_while_memory_lasts() {
    // As the kernel numbers them: no space left on the device, file too large.
    for (error, name) in [(28, "ENOSPC"), (27, "EFBIG")] {
        let site = Site::new(240.0, "warm_up_min = 0", "cron = \"0 * * * * *\"");
        let _bench = site.bench(&[]);
        let recorder = build_recorder(&site.path(""));
        let folder = site.path("").canonicalize().unwrap();
        let mut command = site.vigilux(&[]);
        command.env("LD_PRELOAD", recorder).env("VIGILUX_RECORD_DATABASE", folder.join("station.db"));
        command.env("VIGILUX_RECORD_FULL", folder.join("full"));
        let mut daemon = site.run_by(command);
        while site.reading(&daemon).0 < 3 {}
        site.put("full", &error.to_string());
        site.logged("readings are queued in memory");
        std::thread::sleep(Duration::from_secs(3));
        assert!(daemon.process.lives(), "{name}; log:\n{}", site.log());
        daemon.process.signal("USR1");
        site.logged("the database cannot be written: ");
        let last_before = daemon.lines.try_iter().last().map_or(3, |line| crate::site::acknowledged(&line).0);
        assert!(daemon.lines.recv_timeout(Duration::from_millis(500)).is_err(), "nothing is called stored meanwhile");
        std::fs::remove_file(folder.join("full")).unwrap();
        site.logged("space is available again");
        while site.reading(&daemon).0 < last_before + 20 {}
        daemon.process.signal("TERM");
        assert!(daemon.process.end_within(PATIENCE).success(), "{name}; log:\n{}", site.log());
        assert_eq!(
            site.log().matches("readings are queued in memory (").count(),
            1,
            "it is said once; log:\n{}",
            site.log()
        );

        assert_eq!(site.column::<String>("PRAGMA integrity_check"), ["ok"], "{name}");
        let ids: Vec<i64> = site.column("SELECT id FROM reading ORDER BY id");
        assert!(ids.iter().copied().eq(1..=ids.len() as i64), "{name}: identifiers have a hole");
        // Every minute has a reading, or a gap with another cause than the disk.
        let minutes: Vec<i64> = site.column("SELECT time_start / 60000000 FROM reading ORDER BY id");
        assert!(minutes.is_sorted(), "{name}: readings are out of order");
        let gaps: Vec<String> = site.column("SELECT cause || ': ' || text FROM event WHERE kind = 'gap'");
        assert!(!gaps.iter().any(|g| g.starts_with("storage_full")), "{name}: {gaps:?}");
        let missed: i64 =
            site.column("SELECT coalesce(sum(cast(text AS INTEGER)), 0) FROM event WHERE kind = 'gap'")[0];
        let span = minutes[minutes.len() - 1] - minutes[0] + 1;
        assert!(minutes.len() as i64 + missed >= span, "{name}: {} of {span} minutes, {gaps:?}", minutes.len());
        let said: Vec<String> = site.column("SELECT text FROM event WHERE kind = 'storage' AND instrument = 'south'");
        assert!(said.len() == 1 && said[0].contains("readings were queued in memory"), "{name}: {said:?}");
    }
}

/// A daemon that starts while the disk is full, with another configuration, measures, and stores what it measured when there is
/// room.
#[test]
fn a_daemon_that_starts_on_a_full_disk_measures() {
    let site = Site::new(240.0, "warm_up_min = 0", "cron = \"0 * * * * *\"");
    let _bench = site.bench(&[]);
    let mut first = site.run();
    while site.reading(&first).0 < 3 {}
    first.process.signal("TERM");
    assert!(first.process.end_within(PATIENCE).success(), "log:\n{}", site.log());
    let configuration = std::fs::read_to_string(site.path("station.toml")).unwrap();
    site.put("station.toml", &format!("{configuration}# changed\n"));
    site.put("full", "28");

    let recorder = build_recorder(&site.path(""));
    let folder = site.path("").canonicalize().unwrap();
    let mut command = site.vigilux(&[]);
    command.env("LD_PRELOAD", recorder).env("VIGILUX_RECORD_DATABASE", folder.join("station.db"));
    command.env("VIGILUX_RECORD_FULL", folder.join("full"));
    let mut daemon = site.run_by(command);
    site.logged("readings are queued in memory");
    std::thread::sleep(Duration::from_secs(4));
    assert!(daemon.process.lives(), "log:\n{}", site.log());
    assert!(daemon.lines.try_recv().is_err(), "nothing is called stored meanwhile");
    std::fs::remove_file(folder.join("full")).unwrap();
    site.logged("space is available again");
    let last = site.column::<i64>("SELECT max(id) FROM reading")[0];
    while site.reading(&daemon).0 < last + 3 {}
    daemon.process.signal("TERM");
    assert!(daemon.process.end_within(PATIENCE).success(), "log:\n{}", site.log());

    assert_eq!(site.column::<String>("PRAGMA integrity_check"), ["ok"]);
    assert_eq!(site.column::<i64>("SELECT configuration FROM daemon_start ORDER BY id"), [1, 2]);
    assert_eq!(site.column::<i64>("SELECT DISTINCT configuration FROM reading ORDER BY 1"), [1, 2]);
    let minutes: Vec<i64> =
        site.column("SELECT time_start / 60000000 FROM reading WHERE configuration = 2 ORDER BY id");
    assert!(minutes.len() > 8, "{minutes:?}");
    let gaps: Vec<String> = site.column("SELECT cause || ': ' || text FROM event WHERE kind = 'gap'");
    assert!(!gaps.iter().any(|g| g.starts_with("storage_full")), "{gaps:?}");
    let verified = site.output(&["verify", "--all", "--database", "station.db"]);
    assert!(verified.status.success(), "{}", String::from_utf8_lossy(&verified.stdout));
}

/// A limit of the file size ends no process: the write fails, and readings are queued.
#[test]
fn a_file_size_limit_does_not_end_the_daemon() {
    let site = Site::new(240.0, "warm_up_min = 0", "cron = \"0 * * * * *\"");
    let _bench = site.bench(&[]);
    let mut command = std::process::Command::new("sh");
    // In units of 512 bytes.
    command.current_dir(site.path("")).args(["-c", "ulimit -f 1600; exec \"$@\"", "sh", crate::site::PROGRAM]);
    let mut daemon = site.run_by(command);
    site.logged("readings are queued in memory");
    std::thread::sleep(Duration::from_secs(2));
    assert!(daemon.process.lives(), "log:\n{}", site.log());
    daemon.process.signal("TERM");
    daemon.process.end_within(PATIENCE);
}
