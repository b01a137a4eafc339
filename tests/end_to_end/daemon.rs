//! The daemon as a process, reading the virtual spectrometer over a pseudo-terminal: acknowledgement, stop, kill, restart.

use rusqlite::{Connection, OpenFlags};
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};
use vigilux::clock::{CompressedClock, UtcMicros};

const PROGRAM: &str = env!("CARGO_BIN_EXE_vigilux");

/// A process that ends with the test.
struct Process(Child);

impl Process {
    fn signal(&self, name: &str) {
        let sent = Command::new("kill").arg(format!("-{name}")).arg(self.0.id().to_string()).status();
        assert!(sent.is_ok_and(|s| s.success()), "the process is there to be signalled");
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        // Both fail only where it has ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A folder with a bench that runs, and a station to run.
struct Site {
    folder: tempfile::TempDir,
    clock: String,
    _bench: Process,
}

impl Site {
    fn new(factor: f64, instrument: &str, schedule: &str, bench_arguments: &[&str]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let start = UtcMicros::parse("2026-06-21T08:00:00Z").unwrap();
        let clock = CompressedClock::starting_now(start, factor).argument();
        let certificate = folder.path().join("certificate.toml");
        let written = Command::new(PROGRAM).args(["bench", "--certificate"]).arg(&certificate).status().unwrap();
        assert!(written.success());
        let config = format!(
            "version = 1\n[station]\nname = \"Test roof\"\nkind = \"roof\"\nlatitude_deg = 48.0\nlongitude_deg = 11.0\n\
             time_zone = \"Europe/Berlin\"\n[store]\npath = \"station.db\"\n[[instrument]]\nname = \"south\"\n\
             link = \"line\"\ncalibrations = [\"certificate.toml\"]\n{instrument}\n[instrument.schedule]\n{schedule}\n"
        );
        std::fs::write(folder.path().join("station.toml"), config).unwrap();
        std::fs::write(folder.path().join("dark.csv"), "wavelength_nm,irradiance_w_m2_nm\n250,0\n1100,0\n").unwrap();
        let mut bench = Command::new(PROGRAM)
            .current_dir(folder.path())
            .args(["bench", "--link", "line", "--compressed-clock", &clock])
            .args(bench_arguments)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut first = String::new();
        BufReader::new(bench.stdout.take().unwrap()).read_line(&mut first).unwrap();
        assert!(Path::new(first.trim()).exists(), "expected a pseudo-terminal, but found `{first}`");
        Self { folder, clock, _bench: Process(bench) }
    }

    /// Starts the daemon: the process and its lines on stdout.
    fn run(&self) -> (Process, Receiver<String>) {
        let log = std::fs::File::options().create(true).append(true).open(self.folder.path().join("log")).unwrap();
        let mut daemon = Command::new(PROGRAM)
            .current_dir(self.folder.path())
            .args(["run", "--config", "station.toml", "--compressed-clock", &self.clock])
            .stdout(Stdio::piped())
            .stderr(log)
            .spawn()
            .unwrap();
        let out = BufReader::new(daemon.stdout.take().unwrap());
        let (send, receive) = channel();
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                if send.send(line).is_err() {
                    break;
                }
            }
        });
        (Process(daemon), receive)
    }

    fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }

    fn database(&self) -> Connection {
        Connection::open_with_flags(self.folder.path().join("station.db"), OpenFlags::SQLITE_OPEN_READ_WRITE).unwrap()
    }
}

fn acknowledged(line: &str) -> i64 {
    let mut words = line.split(' ');
    assert_eq!(words.next(), Some("stored"), "{line}");
    let id = words.next().and_then(|w| w.parse().ok()).unwrap_or_else(|| panic!("no id in `{line}`"));
    assert!(words.next().is_some_and(|t| UtcMicros::parse(t).is_ok()), "no time in `{line}`");
    id
}

fn wait_for_end(process: &mut Process, longest: Duration) -> std::process::ExitStatus {
    let begin = Instant::now();
    loop {
        if let Some(status) = process.0.try_wait().unwrap() {
            return status;
        }
        assert!(begin.elapsed() < longest, "expected the process to end within {longest:?}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// Independent: SQLite's own integrity check, and every acknowledged reading, after each of 50 kills at random moments.
#[test]
fn fifty_kills_at_random_moments_lose_no_acknowledged_reading() {
    let site = Site::new(240.0, "warm_up_min = 0", "cron = \"0,30 * * * * *\"", &[]);
    let mut known: Vec<i64> = Vec::new();
    let mut state = 20_260_621_u64;
    for kill in 0..50 {
        let (daemon, lines) = site.run();
        let first =
            lines.recv_timeout(Duration::from_secs(30)).unwrap_or_else(|_| panic!("no reading; log:\n{}", site.log()));
        let mut new = vec![acknowledged(&first)];
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        std::thread::sleep(Duration::from_micros((state >> 33) % 400_000));
        daemon.signal("KILL");
        drop(daemon);
        new.extend(lines.iter().map(|l| acknowledged(&l)));
        let last = known.last().copied().unwrap_or(0);
        assert!(new[0] > last, "kill {kill}: logging resumes beyond {last}, but found {new:?}");
        known.extend(new);
        let database = site.database();
        let integrity: String = database.query_row("PRAGMA integrity_check", [], |r| r.get(0)).unwrap();
        assert_eq!(integrity, "ok", "kill {kill}");
        let mut ids = database.prepare("SELECT id FROM reading ORDER BY id").unwrap();
        let ids: Vec<i64> = ids.query_map([], |r| r.get(0)).unwrap().map(Result::unwrap).collect();
        for id in &known {
            assert!(ids.binary_search(id).is_ok(), "kill {kill}: acknowledged reading {id} is lost");
        }
        assert_eq!(ids.last().copied().unwrap_or(0) - ids[0] + 1, ids.len() as i64, "kill {kill}: ids have a hole");
    }
    println!("{} readings acknowledged over 50 kills", known.len());
}

/// Identity: TERM and INT end the daemon within 5 s with status 0, also inside a long exposure, and the stop is on record.
#[test]
fn it_stops_within_five_seconds_inside_a_long_exposure() {
    for signal in ["TERM", "INT"] {
        // In the dark exposure control climbs to exposures of many seconds, in real time.
        let site = Site::new(
            1.0,
            "[instrument.exposure]\nintegration_max_ms = 60000\nbudget_s = 200",
            "cron = \"* * * * * *\"",
            &["--scene", "spectrum", "--spectrum", "dark.csv"],
        );
        let (mut daemon, _lines) = site.run();
        std::thread::sleep(Duration::from_secs(8));
        assert!(daemon.0.try_wait().unwrap().is_none(), "it still runs; log:\n{}", site.log());
        daemon.signal("USR1");
        std::thread::sleep(Duration::from_millis(300));
        daemon.signal(signal);
        let status = wait_for_end(&mut daemon, Duration::from_secs(5));
        assert_eq!(status.code(), Some(0), "{signal}; log:\n{}", site.log());
        assert!(site.log().contains("south: reading"), "a snapshot is logged; log:\n{}", site.log());
        let stops: i64 =
            site.database().query_row("SELECT count(*) FROM event WHERE kind = 'stopped'", [], |r| r.get(0)).unwrap();
        assert_eq!(stops, 1);
    }
}

/// Identity: a second daemon on the same database is refused with a message; the first goes on.
#[test]
fn a_second_daemon_on_the_same_database_is_refused() {
    let site = Site::new(240.0, "", "cron = \"0 * * * * *\"", &[]);
    let (daemon, lines) = site.run();
    lines.recv_timeout(Duration::from_secs(30)).expect("a reading");
    let second = Command::new(PROGRAM)
        .current_dir(site.folder.path())
        .args(["run", "--config", "station.toml", "--compressed-clock", &site.clock])
        .output()
        .unwrap();
    let words = String::from_utf8_lossy(&second.stderr).into_owned();
    assert!(!second.status.success() && words.contains("station.db"), "{words}");
    lines.recv_timeout(Duration::from_secs(30)).expect("the first goes on");
    drop(daemon);
}

/// Identity: without an instrument the daemon lives, says why in a gap with its cause, and reads once one appears.
#[test]
fn it_lives_without_an_instrument_and_reads_when_one_appears() {
    let site = Site::new(240.0, "", "cron = \"0 * * * * *\"", &[]);
    std::fs::rename(site.folder.path().join("line"), site.folder.path().join("elsewhere")).unwrap();
    let (mut daemon, lines) = site.run();
    assert!(lines.recv_timeout(Duration::from_secs(3)).is_err(), "nothing can be read yet");
    assert!(daemon.0.try_wait().unwrap().is_none(), "it lives; log:\n{}", site.log());
    let gaps: i64 = site
        .database()
        .query_row("SELECT count(*) FROM event WHERE cause = 'instrument_absent'", [], |r| r.get(0))
        .unwrap();
    assert!(gaps >= 1);
    std::fs::rename(site.folder.path().join("elsewhere"), site.folder.path().join("line")).unwrap();
    lines.recv_timeout(Duration::from_secs(40)).unwrap_or_else(|_| panic!("no reading; log:\n{}", site.log()));
    daemon.signal("TERM");
    assert!(wait_for_end(&mut daemon, Duration::from_secs(5)).success());
}

/// Independent: the demo plays its day and its summary weighs what was called good against the bench's truth.
#[test]
fn the_demo_plays_its_day_and_sums_it_up() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path().join("demo");
    let mut demo = Command::new(PROGRAM)
        .args(["demo", "--seconds", "60", "--dir"])
        .arg(&dir)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut text = String::new();
    demo.stdout.take().unwrap().read_to_string(&mut text).unwrap();
    assert!(demo.wait().unwrap().success(), "{text}");
    for part in [
        "readings stored",
        "gaps by cause",
        "flags by count",
        "daily light integral",
        "peak UV index",
        "worst good ppfd",
        "show --database",
    ] {
        assert!(text.contains(part), "no `{part}` in\n{text}");
    }
    assert!(!text.contains("no good value to compare"), "{text}");
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
