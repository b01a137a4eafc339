//! The daemon under a service manager: messages, watchdog, reload, a suspended process, a clock that is set, output that nobody reads.

use crate::site::{Daemon, PATIENCE, Site, acknowledged, texts};
use std::io::{Read, Write};
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// The daemon must have ended this long after a signal.
const STOP: Duration = Duration::from_secs(5);
/// The watchdog's time in these tests [µs].
const WATCHDOG_US: &str = "2000000";
const EVERY_MINUTE: &str = "cron = \"0 * * * * *\"";

/// The socket of a service manager.
struct Manager(UnixDatagram, PathBuf);

impl Manager {
    fn new(site: &Site) -> Self {
        let path = site.path("notify");
        // A second manager replaces the first.
        let _ = std::fs::remove_file(&path);
        Self(UnixDatagram::bind(&path).unwrap(), path)
    }

    /// The next message within a time.
    fn message(&self, within: Duration) -> Option<String> {
        self.0.set_read_timeout(Some(within)).unwrap();
        let mut bytes = [0; 4096];
        self.0.recv(&mut bytes).ok().map(|n| String::from_utf8_lossy(&bytes[..n]).into_owned())
    }

    /// Waits for a message with this text.
    fn expect(&self, text: &str, site: &Site) -> String {
        let begin = Instant::now();
        while begin.elapsed() < PATIENCE {
            if let Some(message) = self.message(Duration::from_secs(1)).filter(|m| m.contains(text)) {
                return message;
            }
        }
        panic!("no message `{text}`; log:\n{}", site.log())
    }

    fn run(&self, site: &Site, mut command: Command) -> Daemon {
        command.env("NOTIFY_SOCKET", &self.1).env("WATCHDOG_USEC", WATCHDOG_US).env_remove("WATCHDOG_PID");
        site.run_by(command)
    }
}

/// Builds the obstacles; the command then has them in the folder of the site.
fn with_obstacles(site: &Site) -> Command {
    let library = site.path("obstacles.so");
    if !library.exists() {
        let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/end_to_end/obstacles.c");
        let mut compiler = Command::new("cc");
        compiler.args(["-O2", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", "-o"]).arg(&library).arg(&source);
        let built = compiler.output().expect("a C compiler is there");
        assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    }
    let mut command = site.vigilux(&[]);
    command.env("LD_PRELOAD", &library).env("VIGILUX_OBSTACLES", library.parent().unwrap());
    command
}

/// Ready only when it measures, a status that names the instrument, the watchdog fed, a reload between its two messages, stopping.
#[test]
fn the_service_manager_is_told_what_the_daemon_does() {
    let site = Site::new(240.0, "", EVERY_MINUTE);
    let _bench = site.bench(&[]);
    let manager = Manager::new(&site);
    let mut daemon = manager.run(&site, site.vigilux(&[]));
    assert_eq!(manager.message(PATIENCE).as_deref(), Some("READY=1\n"), "the first message; log:\n{}", site.log());
    assert!(site.path("station.db").exists(), "the database is open by then");
    site.reading(&daemon);
    manager.expect("WATCHDOG=1", &site);
    let status = manager.expect("readings stored, the last of", &site);
    assert!(status.contains("STATUS=south: "), "{status}");
    daemon.process.signal("HUP");
    let reloading = manager.expect("RELOADING=1", &site);
    assert!(reloading.contains("MONOTONIC_USEC="), "{reloading}");
    manager.expect("READY=1", &site);
    daemon.process.signal("TERM");
    manager.expect("STOPPING=1", &site);
    assert!(daemon.process.end_within(STOP).success(), "log:\n{}", site.log());
}

/// The daemon hangs at an obstacle: the watchdog is no longer fed, the service manager kills it, and the next one goes on.
fn hangs_and_is_restarted(obstacle: &str) {
    let site = Site::new(240.0, "warm_up_min = 0", EVERY_MINUTE);
    let _bench = site.bench(&[]);
    let manager = Manager::new(&site);
    let daemon = manager.run(&site, with_obstacles(&site));
    let first = site.reading(&daemon);
    site.put(obstacle, "");
    let hung = Instant::now();
    let longest = Duration::from_micros(WATCHDOG_US.parse().unwrap());
    let mut fed = Instant::now();
    while fed.elapsed() < longest {
        assert!(hung.elapsed() < Duration::from_secs(150), "the watchdog is still fed; log:\n{}", site.log());
        if manager.message(Duration::from_millis(200)).is_some_and(|m| m.contains("WATCHDOG=1")) {
            fed = Instant::now();
        }
    }
    println!("{obstacle}: the watchdog starved {:?} after the hang", hung.elapsed());
    assert!(hung.elapsed() > Duration::from_secs(30), "a slow disk is no hang");
    site.logged("no progress, ");
    daemon.process.signal("KILL");
    let acknowledged_before: Vec<i64> = daemon.lines.try_iter().map(|l| acknowledged(&l).0).chain([first.0]).collect();
    drop(daemon);
    std::fs::remove_file(site.path(obstacle)).unwrap();
    let daemon = manager.run(&site, with_obstacles(&site));
    site.reading(&daemon);
    manager.expect("WATCHDOG=1", &site);
    let gap = site.gap("daemon_absent");
    assert!(gap.contains("readings missed: no daemon was running"), "{gap}");
    let stored: Vec<i64> = site.column("SELECT id FROM reading");
    assert!(acknowledged_before.iter().all(|id| stored.contains(id)), "{acknowledged_before:?} are in {stored:?}");
}

/// A transaction that does not return from the disk ends in a restart.
#[test]
fn a_hung_transaction_ends_in_a_restart() {
    hangs_and_is_restarted("sync");
}

/// A read from the instrument that does not return, beyond its deadline, ends in a restart.
#[test]
fn a_hung_read_ends_in_a_restart() {
    hangs_and_is_restarted("read");
}

/// A changed schedule becomes active on HUP, without a tick that ends in neither a reading nor a gap; what needs a restart is named;
/// a faulty file changes nothing.
#[test]
fn a_reload_adopts_the_schedule_and_names_what_needs_a_restart() {
    let site = Site::new(240.0, "warm_up_min = 0", "cron = \"0 */10 * * * *\"");
    let _bench = site.bench(&[]);
    let mut daemon = site.run();
    site.reading(&daemon);
    let config = std::fs::read_to_string(site.path("station.toml")).unwrap();

    site.put("station.toml", &config.replace("0 */10 * * * *", "0 99 * * * *"));
    daemon.process.signal("HUP");
    site.logged("the configuration stays as it was: station.toml:");
    assert!(site.log().contains("instrument[0].schedule.cron: expected"), "{}", site.log());
    site.reading(&daemon);

    let faster =
        config.replace("0 */10 * * * *", "0 * * * * *").replace("longitude_deg = 11.0", "longitude_deg = 12.0");
    site.put("station.toml", &faster);
    daemon.process.signal("HUP");
    site.logged("station.toml: adopted: instrument.south.schedule.cron");
    site.logged("station.toml: needs a restart and is not active yet: station.longitude_deg");
    site.logged("schedule and limits of the reloaded configuration are active");
    let (_, mut before) = site.reading(&daemon);
    let mut by_minute = 0;
    while by_minute < 5 {
        let (_, next) = site.reading(&daemon);
        by_minute += usize::from(next.seconds_since(before) < 90.0);
        before = next;
    }
    daemon.process.signal("TERM");
    assert!(daemon.process.end_within(STOP).success(), "log:\n{}", site.log());
    let active: Vec<String> = site.column("SELECT text FROM configuration ORDER BY active_since DESC LIMIT 1");
    assert!(active[0].contains("0 * * * * *") && active[0].contains("longitude_deg = 11.0"), "{}", active[0]);
    let verified = site.output(&["verify", "--all", "--database", "station.db"]);
    assert!(verified.status.success(), "{:?}", texts(&verified));
}

/// A process that is stopped for longer than a tick leaves a gap that says so, between two readings and inside an exposure.
#[test]
fn a_suspended_process_leaves_a_gap_with_its_cause() {
    let dark = ["--scene", "spectrum", "--spectrum", "dark.csv"];
    let long = "warm_up_min = 0\n[instrument.exposure]\nintegration_max_ms = 20000\nbudget_s = 40";
    for (what, instrument, bench) in [("between readings", "warm_up_min = 0", &[][..]), ("in an exposure", long, &dark)]
    {
        let site = Site::new(30.0, instrument, EVERY_MINUTE);
        let _bench = site.bench(bench);
        let mut daemon = site.run();
        for _ in 0..if bench.is_empty() { 2 } else { 6 } {
            site.reading(&daemon);
        }
        if !bench.is_empty() {
            // The next tick is at most two seconds away, and its exposures take most of the two after it.
            site.wait_until("a reading", || {
                daemon.process.signal("USR1");
                std::thread::sleep(Duration::from_millis(100));
                site.log()
                    .lines()
                    .rev()
                    .find(|l| l.contains("south: "))
                    .filter(|l| l.contains("south: reading"))
                    .map(drop)
            });
        }
        daemon.process.signal("STOP");
        // No wait for the daemon: the time for which it is stopped.
        std::thread::sleep(Duration::from_secs(14));
        daemon.process.signal("CONT");
        let missed = |gap: &str| -> i64 { gap.split(' ').next().and_then(|n| n.parse().ok()).unwrap_or(0) };
        // The gap grows tick by tick.
        let gap = site
            .wait_until("gap of some minutes", || Some(site.gap("process_suspended")).filter(|gap| missed(gap) >= 5));
        let missed = missed(&gap);
        println!("{what}: {gap}");
        assert!((5..=8).contains(&missed), "{what}: about seven minutes were missed: {gap}");
        assert!(gap.ends_with("the process was suspended: stopped, or the machine was asleep"), "{what}: {gap}");
        let both = "SELECT count(*) FROM event b, event s WHERE b.cause = 'busy' AND s.cause = 'process_suspended' \
                    AND b.time <= s.until AND b.until >= s.time";
        assert_eq!(site.column::<i64>(both), [0], "{what}: no tick has both causes");
        daemon.process.signal("TERM");
        assert!(daemon.process.end_within(STOP).success(), "{what}; log:\n{}", site.log());
        let verified = site.output(&["verify", "--all", "--database", "station.db"]);
        assert!(verified.status.success(), "{what}: {:?}", texts(&verified));
    }
}

/// A wall clock that is set back by an hour while the daemon sleeps costs no more than a tick or two.
#[test]
fn a_clock_set_back_during_a_sleep_does_not_stop_measuring() {
    let site = Site::new(30.0, "warm_up_min = 0", EVERY_MINUTE);
    let _bench = site.bench(&[]);
    let daemon = site.run_by(with_obstacles(&site));
    let (_, before) = site.reading(&daemon);
    // 120 s of the machine's clock are an hour of the station's.
    site.put("back.new", "120");
    std::fs::rename(site.path("back.new"), site.path("back")).unwrap();
    let set = Instant::now();
    let after = loop {
        let line = daemon.lines.recv_timeout(Duration::from_secs(40).saturating_sub(set.elapsed()));
        let (_, time) =
            acknowledged(&line.unwrap_or_else(|_| panic!("no reading after the step; log:\n{}", site.log())));
        if time < before {
            break time;
        }
    };
    let back_s = before.seconds_since(after);
    assert!((3000.0..3600.0).contains(&back_s), "the reading after the step lies {back_s} s before the one before it");
    // The log counts the machine's seconds.
    site.logged("the clock was set back by 120");
}

/// Starts the daemon with a standard output whose pipe is full, and perhaps standard error, too; returns it with the pipe.
fn run_with_full_output(site: &Site, also_log: bool) -> (std::process::Child, std::io::PipeReader) {
    let (reader, mut writer) = std::io::pipe().unwrap();
    // Linux gives a pipe 64 KiB.
    writer.write_all(&[b'.'; 65_536]).unwrap();
    let mut command = site.vigilux(&["run", "--config", "station.toml", "--compressed-clock", site.clock()]);
    command.stdin(Stdio::null()).stdout(writer.try_clone().unwrap());
    if also_log {
        command.stderr(writer);
    } else {
        command.stderr(std::fs::File::options().create(true).append(true).open(site.path("log")).unwrap());
    }
    (command.spawn().unwrap(), reader)
}

/// Standard output that nobody reads, with and without the log in the same pipe: readings are stored, dropped acknowledgements are
/// counted in the log, TERM ends the daemon within 5 s, and whoever reads later gets whole lines.
#[test]
fn output_that_nobody_reads_does_not_stop_measuring() {
    let site = Site::new(480.0, "warm_up_min = 0", EVERY_MINUTE);
    let _bench = site.bench(&[]);
    for also_log in [false, true] {
        let (mut child, mut reader) = run_with_full_output(&site, also_log);
        let count = || -> i64 {
            let readable = site.path("station.db").exists();
            let ask = || site.database().query_row("SELECT count(*) FROM reading", [], |r| r.get(0)).ok();
            readable.then(ask).flatten().unwrap_or(0)
        };
        let before = count();
        // More than the queue of lines holds.
        site.wait_until("a hundred readings", || (count() >= before + 100).then_some(()));
        if !also_log {
            site.logged("standard output is not read: acknowledgements are dropped");
            assert_eq!(site.log().matches("acknowledgements are dropped").count(), 1, "{}", site.log());
        }
        let begin = Instant::now();
        let pid = child.id();
        assert!(Command::new("sh").args(["-c", &format!("kill -s TERM {pid}")]).status().unwrap().success());
        while child.try_wait().unwrap().is_none() {
            assert!(begin.elapsed() < STOP, "it still runs after {:?}", begin.elapsed());
            std::thread::sleep(Duration::from_millis(20));
        }
        println!("log too: {also_log}; gone after {:?}", begin.elapsed());
        let mut text = String::new();
        reader.read_to_string(&mut text).unwrap();
        assert_eq!(text.trim_start_matches('.'), "", "nothing was written to a full pipe");
        let stops: i64 = site.column("SELECT count(*) FROM event WHERE kind = 'stopped'")[0];
        assert_eq!(stops, 1 + i64::from(also_log));
    }
}

/// An unknown level of the log is refused before anything is opened.
#[test]
fn an_unknown_level_of_the_log_is_refused() {
    let site = Site::new(240.0, "", EVERY_MINUTE);
    let refused = site.vigilux(&["run", "--config", "station.toml"]).env("VIGILUX_LOG", "debgu").output().unwrap();
    let want = "VIGILUX_LOG: expected a level, one of off, error, warn, info, debug, trace, or MODULE=LEVEL, separated by commas, but \
                found `debgu`\n";
    assert_eq!((refused.status.code(), texts(&refused)), (Some(2), (String::new(), want.to_owned())));
    assert!(!site.path("station.db").exists());
}

/// Where standard error leads to the journal, events arrive there with their fields. Needs a mount namespace, for a journal of its own.
#[test]
fn the_journal_receives_events_with_their_fields() {
    let site = Site::new(240.0, "", EVERY_MINUTE);
    std::fs::create_dir(site.path("systemd")).unwrap();
    std::fs::create_dir(site.path("systemd/journal")).unwrap();
    let journal = UnixDatagram::bind(site.path("systemd/journal/socket")).unwrap();
    journal.set_read_timeout(Some(PATIENCE)).unwrap();
    let config = std::fs::metadata(site.path("station.toml")).unwrap();
    let stream = {
        use std::os::unix::fs::MetadataExt;
        format!("{}:{}", config.dev(), config.ino())
    };
    // Any file serves as the stream: what counts is that the variable names it.
    let script = format!(
        "mount --bind \"$1\" /run && exec \"$2\" run --config station.toml --compressed-clock {} 2<station.toml",
        site.clock()
    );
    let folder = site.path("");
    let mut command = Command::new("unshare");
    command.args(["--mount", "sh", "-c", &script, "sh"]).arg(&folder).arg(crate::site::PROGRAM).current_dir(&folder);
    let probe = Command::new("unshare").args(["--mount", "mount", "--bind", "/tmp", "/mnt"]).output();
    if !probe.is_ok_and(|p| p.status.success()) {
        println!("not tested: this machine gives no mount namespace");
        return;
    }
    let mut child = command.env("JOURNAL_STREAM", stream).stdin(Stdio::null()).stdout(Stdio::null()).spawn().unwrap();
    let mut bytes = [0; 16_384];
    let begin = Instant::now();
    let entry = loop {
        assert!(begin.elapsed() < PATIENCE, "no entry on the absent instrument");
        let n = journal.recv(&mut bytes).unwrap();
        let text = String::from_utf8_lossy(&bytes[..n]).into_owned();
        if text.contains("no such device") {
            break text;
        }
    };
    child.kill().unwrap();
    child.wait().unwrap();
    for field in ["4\nTARGET", "VIGILUX_INSTRUMENT", "south", "VIGILUX_FAULT", "instrument_absent", "VIGILUX_COUNT"] {
        assert!(entry.contains(field), "no {field} in {entry:?}");
    }
}
