//! The daemon as a process, reading the virtual spectrometer over a pseudo-terminal: acknowledgement, kill, restart, stop.

use crate::site::{Site, acknowledged, texts};
use std::time::{Duration, Instant};
use vigilux::clock::UtcMicros;
use vigilux::simulator::TruthRecord;

/// The daemon must have ended this long after a signal.
const STOP: Duration = Duration::from_secs(5);

/// Independent: SQLite's own integrity check, and every acknowledged reading with its time, after each of 50 kills at
/// random moments.
#[test]
fn fifty_kills_at_random_moments_lose_no_acknowledged_reading() {
    let site = Site::new(240.0, "warm_up_min = 0", "cron = \"0,30 * * * * *\"");
    let _bench = site.bench(&[]);
    let mut known: Vec<(i64, UtcMicros)> = Vec::new();
    let mut state = 20_260_621_u64;
    for kill in 0..50 {
        let daemon = site.run();
        let mut new = vec![site.reading(&daemon)];
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        std::thread::sleep(Duration::from_micros((state >> 33) % 400_000));
        daemon.process.signal("KILL");
        drop(daemon.process);
        new.extend(daemon.lines.iter().map(|l| acknowledged(&l)));
        let last = known.last().map_or(0, |k| k.0);
        assert!(new[0].0 > last, "kill {kill}: logging resumes beyond {last}, but found {new:?}");
        known.extend(new);
        let database = site.database();
        let integrity: String = database.query_row("PRAGMA integrity_check", [], |r| r.get(0)).unwrap();
        assert_eq!(integrity, "ok", "kill {kill}");
        let mut rows = database.prepare("SELECT id, time_mid FROM reading ORDER BY id").unwrap();
        let rows = rows.query_map([], |r| Ok((r.get(0)?, UtcMicros(r.get(1)?)))).unwrap();
        let rows: Vec<(i64, UtcMicros)> = rows.map(Result::unwrap).collect();
        for reading in &known {
            assert!(rows.binary_search(reading).is_ok(), "kill {kill}: acknowledged reading {reading:?} is not there");
        }
        let span = rows.last().map_or(0, |r| r.0) - rows[0].0 + 1;
        assert_eq!(span, rows.len() as i64, "kill {kill}: ids have a hole");
    }
    println!("{} readings acknowledged over 50 kills", known.len());
}

/// TERM and INT end the daemon within 5 s with status 0 inside an exposure of many seconds, and the stop is recorded. In
/// compressed time and in the dark, exposure control first lengthens the integration time; the daemon under test continues
/// from there in real time, so its first exposure is open when the signal arrives.
#[test]
fn it_stops_within_five_seconds_inside_a_long_exposure() {
    let exposure = "[instrument.exposure]\nintegration_max_ms = 60000\nbudget_s = 200";
    let mut site = Site::new(600.0, exposure, "cron = \"0 */10 * * * *\"");
    let dark = ["--scene", "spectrum", "--spectrum", "dark.csv"];
    let bench = site.bench(&dark);
    let mut daemon = site.run();
    let short_s = || -> Option<f64> {
        let json: Vec<String> = site.column("SELECT json FROM saved_state WHERE name = 'exposure'");
        serde_json::from_str::<serde_json::Value>(json.first()?).ok()?["short_s"].as_f64()
    };
    site.reading(&daemon);
    site.wait_until("exposure of many seconds", || short_s().filter(|s| *s > 15.0));
    daemon.process.signal("TERM");
    assert_eq!(daemon.process.end_within(STOP).code(), Some(0), "log:\n{}", site.log());
    drop(bench);

    let config = std::fs::read_to_string(site.path("station.toml")).unwrap();
    site.put("station.toml", &config.replace("0 */10 * * * *", "* * * * * *"));
    site = site.at("2026-06-24T08:00:00Z", 1.0);
    let _bench = site.bench(&dark);
    for (signal, times) in [("TERM", 1), ("INT", 2)] {
        let before: i64 = site.column("SELECT count(*) FROM reading")[0];
        let connected = site.log().matches("connected to").count();
        let mut daemon = site.run();
        site.wait_until("connection", || (site.log().matches("connected to").count() > connected).then_some(()));
        // A tick every second: by now the first exposure of a reading has been open for seconds and will be for many more.
        std::thread::sleep(Duration::from_secs(3));
        assert!(daemon.process.lives(), "it still runs; log:\n{}", site.log());
        daemon.process.signal("USR1");
        site.logged("south: reading");
        daemon.process.signal(signal);
        let begin = Instant::now();
        let status = daemon.process.end_within(STOP);
        println!("{signal}: gone after {:?}", begin.elapsed());
        assert_eq!(status.code(), Some(0), "{signal}; log:\n{}", site.log());
        let after: i64 = site.column("SELECT count(*) FROM reading")[0];
        assert_eq!(after, before, "nothing was stored: the exposure was still open");
        let gaps: i64 = site.column("SELECT count(*) FROM event WHERE cause = 'stopped'")[0];
        assert!(gaps >= times, "{signal}: expected the interrupted reading as a gap, but found {gaps} gaps");
        let stops: i64 = site.column("SELECT count(*) FROM event WHERE kind = 'stopped'")[0];
        assert_eq!(stops, times + 1, "{signal}");
    }
}

/// A restart continues with the integration time and the warm-up of before: no search through exposures, no new flag.
#[test]
fn a_restart_goes_on_with_the_exposure_and_the_warm_up_of_before() {
    let site = Site::new(120.0, "warm_up_min = 3", "cron = \"0,30 * * * * *\"");
    let _bench = site.bench(&["--truth", "truth"]);
    let daemon = site.run();
    let warming = 1_i64 << vigilux::record::Flag::Warming as u8;
    let flags = |id: i64| -> i64 { site.column(&format!("SELECT flags FROM reading WHERE id = {id}"))[0] };
    let first = site.reading(&daemon).0;
    assert_ne!(flags(first) & warming, 0, "the first reading is warming");
    while flags(site.reading(&daemon).0) & warming != 0 {}
    daemon.process.signal("KILL");
    drop(daemon);
    let tracker: Vec<String> = site.column("SELECT json FROM saved_state WHERE name = 'exposure'");
    let short_s = serde_json::from_str::<serde_json::Value>(&tracker[0]).unwrap()["short_s"].as_f64().unwrap();
    let last: i64 = site.column("SELECT max(time_end) FROM reading")[0];

    let daemon = site.run();
    let (id, _) = site.reading(&daemon);
    drop(daemon);
    assert_eq!(flags(id) & warming, 0, "a restart does not cool the instrument");
    let start: i64 = site.column(&format!("SELECT time_start FROM reading WHERE id = {id}"))[0];
    let truth = std::fs::read(site.path("truth")).unwrap();
    let light: Vec<TruthRecord> = truth
        .split(|b| *b == b'\n')
        .filter_map(|line| TruthRecord::parse(line).ok())
        .filter(|t| t.shutter_open && t.start.0 > last && t.start.0 >= start - 1_000_000)
        .collect();
    let ratio = light.first().map(|t| t.length_s).unwrap_or_default() / short_s;
    assert!((0.99..1.01).contains(&ratio), "first exposure {:?}, expected {short_s} s", light.first());
}

/// A second daemon on the same database is refused with a message that names the holder; the first one continues.
#[test]
fn a_second_daemon_on_the_same_database_is_refused() {
    let site = Site::new(240.0, "", "cron = \"0 * * * * *\"");
    let _bench = site.bench(&[]);
    let daemon = site.run();
    site.reading(&daemon);
    let second = site.output_in_time(&["run", "--config", "station.toml"]);
    // Nothing is wrong with usage or configuration, so this is a failure and no status 2.
    let (out, words) = texts(&second);
    assert_eq!((second.status.code(), out.as_str()), (Some(1), ""), "{words}");
    let want =
        format!("expected no other daemon on this database, but process {} holds its lock\n", daemon.process.id());
    assert!(words.contains("station.db: ") && words.ends_with(&want), "{words}");
    site.reading(&daemon);
}
