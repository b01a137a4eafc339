//! Recomputation and its activation: results, readings left as they are, interruptions, and a daemon that measures meanwhile.

use crate::closed_loop::{Loop, index};
use crate::lamps::glasshouse;
use std::ops::ControlFlow;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::mpsc::channel;
use std::time::{Duration, Instant};
use vigilux::archive::recompute::{self, Outcome, Request, SkipReason};
use vigilux::archive::verify::verify_database;
use vigilux::calibration::{Calibration, file};
use vigilux::clock::{Clock, UtcMicros};
use vigilux::quantities::registry;
use vigilux::record::{EventKind, QuantityValue, Reading};
use vigilux::simulator::scenes::SceneKind;
use vigilux::simulator::settings::Settings;
use vigilux::store::{Reader, StoredReading};

const ALL: (UtcMicros, UtcMicros) = (UtcMicros(i64::MIN), UtcMicros(i64::MAX));
/// The longest write transaction allowed while the daemon measures.
const SHORT: Duration = Duration::from_millis(200);

fn path(station: &Loop) -> &Path {
    &station.setup.config.store.path
}

fn request(calibration: Option<&Calibration>) -> Request<'_> {
    Request { from: ALL.0, to: ALL.1, calibration, without_drawn: false, threads: 2 }
}

fn run(station: &Loop, request: &Request<'_>) -> Outcome {
    let store = recompute::open(path(station)).expect("the database opens");
    recompute::recompute(&store, request, station.clock.now(), &mut |_, _| true).expect("it runs through")
}

/// Every reading as stored, in the order of the registry.
fn all(path: &Path, computation: Option<i64>) -> Vec<StoredReading> {
    let reader = Reader::open(path).expect("the database opens").with_computation(computation);
    reader.readings(ALL.0, ALL.1).expect("readings").map(|r| r.expect("a reading")).collect()
}

/// The results of a computation, without its number.
fn said(readings: &[StoredReading]) -> Vec<(&Reading, &Reading, Option<i64>)> {
    readings.iter().map(|r| (&r.reading, r.as_computed(), r.made_with.calibration)).collect()
}

/// Recomputes everything with the calibrations it had; every bit must be the same, under another computation.
pub fn unchanged(station: &Loop) {
    let before = all(path(station), None);
    let outcome = run(station, &request(None));
    let after = all(path(station), None);
    assert_eq!((outcome.recomputed, outcome.skipped.len()), (before.len() as u64, 0), "{outcome:?}");
    assert!(after.iter().all(|r| r.made_with.computation == outcome.computation));
    assert!(said(&before) == said(&after), "some reading is not what it was");
    assert!(outcome.longest_transaction < SHORT, "{:?}", outcome.longest_transaction);
    sound(path(station));
}

/// `verify` finds nothing: every value follows from the stored frames.
fn sound(path: &Path) {
    let reader = Reader::open(path).expect("the database opens");
    for check in verify_database(&reader, u64::MAX, &mut |_, _| {}) {
        assert_eq!(check.count(), 0, "{check:?}");
    }
}

/// A lamp for some hours from 2026-03-01T01:00Z on: no sun, so that values are linear in the response.
fn lamp(hours: f64) -> Loop {
    let mut bench = Settings::default();
    bench.scene.kind = SceneKind::Lamp;
    bench.scene.lamp_on_min = 45.0;
    bench.scene.lamp_off_min = 15.0;
    let config = glasshouse("").replace("\"glasshouse\"", "\"lamp\"").replace("mains_hz = 50", "mains_hz = 0");
    let mut station = Loop::new(&bench, &config, "2026-03-01T01:00:00Z");
    station.run_hours(hours);
    station
}

/// Identity: without drawn quantities these are null as not requested and all other values are the same bits; the database
/// stays sound; with it again all is as it was.
#[test]
fn drawn_quantities_can_be_left_out_and_come_back() {
    let station = lamp(1.5);
    let before = all(path(&station), None);
    let outcome = run(&station, &Request { without_drawn: true, ..request(None) });
    assert_eq!(outcome.recomputed, before.len() as u64);
    let after = all(path(&station), None);
    let (mut left_out, mut others) = (0, 0);
    for (was, is) in before.iter().zip(&after) {
        for (quantity, (was, is)) in registry().iter().zip(was.reading.values.iter().zip(&is.reading.values)) {
            if quantity.recipe.is_drawn() {
                assert_eq!(*is, QuantityValue::Null("not requested".into()), "{}", quantity.id);
                left_out += u32::from(was.value().is_some());
            } else {
                assert_eq!(was, is, "{}", quantity.id);
                others += 1;
            }
        }
    }
    assert!(left_out > 100 && others > 1000, "{left_out} indices left out, {others} other values");
    sound(path(&station));
    run(&station, &request(None));
    assert!(said(&before) == said(&all(path(&station), None)), "some reading is not what it was");
}

fn own_calibration(station: &Loop) -> Calibration {
    station.setup.calibrations[0].entries().next().expect("a calibration").1.clone()
}

/// The station's calibration with a tenth more response, valid in an interval.
fn brighter(station: &Loop, from: &str, until: &str) -> Calibration {
    let mut c = own_calibration(station);
    c.id = "a tenth more".into();
    c.response.counts_per_s_per_w_m2_nm.iter_mut().for_each(|r| *r *= 1.1);
    (c.valid_from, c.valid_until) = (UtcMicros::parse(from).expect("a time"), UtcMicros::parse(until).expect("a time"));
    c.text = file::write(&c, None);
    file::parse_stored(&c.text, None).expect("it reads back")
}

fn relative(a: f64, b: f64) -> f64 {
    ((a - b) / b).abs()
}

/// Identity: a tenth more response makes values a tenth smaller within the calibration's validity; all other values stay; the
/// former values remain readable; with the first calibration again every bit is as it was.
#[test]
fn another_calibration_changes_what_it_should_and_can_be_taken_back() {
    let mut station = lamp(3.0);
    let before = all(path(&station), None);
    let live = before[0].made_with;
    let other = brighter(&station, "2026-03-01T02:00:00Z", "2026-03-01T03:00:00Z");
    let outcome = run(&station, &request(Some(&other)));
    let inside = |r: &StoredReading| other.valid_from <= r.reading.time_mid && r.reading.time_mid < other.valid_until;
    let kept = before.iter().filter(|r| !inside(r)).count() as u64;
    assert_eq!(outcome.skipped.clone().into_iter().collect::<Vec<_>>(), [(SkipReason::OutsideValidity, kept)]);
    assert_eq!(outcome.recomputed, before.len() as u64 - kept);
    let after = all(path(&station), None);
    let mut compared = 0;
    for (was, is) in before.iter().zip(&after) {
        if !inside(was) {
            assert_eq!(was, is);
            continue;
        }
        assert_eq!(is.made_with.computation, outcome.computation);
        for id in ["ppfd", "illuminance", "irradiance"] {
            let [was, is] = [was, is].map(|r| r.reading.values[index(id)].value().expect("a value"));
            // Rounding, and what the sum of a dark lamp's noise leaves of it.
            assert!(relative(1.1 * is, was) < 1e-9 || was.abs() < 1e-6, "{id}: {was} became {is}");
            compared += 1;
        }
        let [was, is] = [was, is].map(|r| r.reading.values[index("cie_x")].value());
        if let (Some(was), Some(is)) = (was, is) {
            assert!(relative(is, was) < 1e-9, "a ratio stays: {was} became {is}");
        }
    }
    assert!(compared > 100, "{compared}");
    assert_eq!(said(&all(path(&station), Some(live.computation))), said(&before));
    let events = Reader::open(path(&station)).unwrap().latest_events(1).unwrap();
    assert_eq!(events[0].kind, EventKind::Recomputed);
    assert!(events[0].text.contains("recomputed with calibration `a tenth more`"), "{}", events[0].text);
    sound(path(&station));

    // The daemon's own is still in force for what comes, without an event.
    station.restart();
    station.run_hours(0.5);
    let last = all(path(&station), None).pop().expect("a reading");
    assert_eq!((last.made_with.calibration, last.made_with.computation), (live.calibration, live.computation));
    assert!(!station.events.iter().any(|e| e.kind == EventKind::CalibrationChanged), "{:?}", station.events);

    let changed = all(path(&station), None);
    let again = run(&station, &request(None));
    assert_eq!(again.skipped.len(), 0);
    assert!(said(&all(path(&station), None)) == said(&changed), "it keeps the calibration that is in force");
    let own = own_calibration(&station);
    run(&station, &request(Some(&own)));
    let back = all(path(&station), None);
    assert!(said(&back[..before.len()]) == said(&before), "with the first calibration all is as it was");
    sound(path(&station));
}

/// Stopped anywhere, the old values stay active; started again it continues, with the result of an uninterrupted run.
#[test]
fn what_was_stopped_goes_on_and_comes_out_the_same() {
    let station = lamp(3.0);
    let before = all(path(&station), None);
    let other = brighter(&station, "2026-01-01T00:00:00Z", "2027-01-01T00:00:00Z");
    let mut stops = 0;
    let mut last = None;
    let outcome = loop {
        let store = recompute::open(path(&station)).expect("the database opens");
        let mut calls = 0;
        let mut go_on = |_, _| {
            calls += 1;
            calls < 2
        };
        let request = Request { threads: 1, ..request(Some(&other)) };
        let outcome = recompute::recompute(&store, &request, station.clock.now(), &mut go_on).expect("no error");
        assert!(outcome.resumed_after >= last, "{outcome:?}");
        last = outcome.resumed_after;
        if outcome.activated.is_some() {
            break outcome;
        }
        stops += 1;
        assert!(all(path(&station), None) == before, "the old values stay in force");
        assert!(stops < 100);
    };
    assert!(stops >= 2, "{stops}");
    assert_eq!(outcome.activated.expect("activated").readings, before.len() as u64);
    let in_pieces = all(path(&station), None);
    // Another identity in between: without interruption, on the same readings.
    run(&station, &request(None));
    let whole = run(&station, &request(Some(&other)));
    assert_ne!(whole.computation, outcome.computation);
    assert!(said(&all(path(&station), None)) == said(&in_pieces));
}

/// An unfinished computation of another identity is dropped and reported.
#[test]
fn an_unfinished_computation_of_another_identity_is_dropped() {
    let station = lamp(1.0);
    let store = recompute::open(path(&station)).expect("the database opens");
    let other = brighter(&station, "2026-01-01T00:00:00Z", "2027-01-01T00:00:00Z");
    let stopped = recompute::recompute(&store, &request(Some(&other)), station.clock.now(), &mut |seen, _| seen == 0);
    let stopped = stopped.expect("no error");
    assert_eq!(stopped.activated, None);
    assert_eq!(store.unfinished_computations().unwrap(), [stopped.computation]);
    drop(store);
    let outcome = run(&station, &request(None));
    assert_eq!(outcome.discarded, [stopped.computation]);
    let reader = Reader::open(path(&station)).unwrap();
    assert!(reader.unfinished_computations().unwrap().is_empty());
    assert!(reader.computation(stopped.computation).unwrap().is_none());
}

/// The daemon measures during a recomputation: no gap, each reading with its own values before and after the switch, and no
/// write transaction that makes it wait.
#[test]
fn the_daemon_measures_on_meanwhile() {
    let mut station = lamp(2.0);
    let first = all(path(&station), None);
    let live = first[0].made_with.computation;
    let (at_work, seen_at_work) = channel();
    let (measured, seen_measured) = channel();
    let file = path(&station).to_owned();
    let now = station.clock.now();
    let other = brighter(&station, "2026-01-01T00:00:00Z", "2027-01-01T00:00:00Z");
    let worker = std::thread::spawn(move || {
        let store = recompute::open(&file).expect("the database opens");
        let mut waited = false;
        recompute::recompute(&store, &request(Some(&other)), now, &mut |seen, total| {
            if !waited && seen > 0 && seen < total {
                waited = true;
                at_work.send(()).expect("the test listens");
                seen_measured.recv().expect("the test goes on");
            }
            true
        })
        .expect("it runs through")
    });
    seen_at_work.recv().expect("it begins");
    station.run_hours(1.0);
    measured.send(()).expect("it waits");
    let outcome = worker.join().expect("no panic");
    station.run_hours(1.0);
    let after = all(path(&station), None);
    assert!(after.len() > first.len() + 100, "{} and {}", after.len(), first.len());
    for (k, r) in after.iter().enumerate() {
        let want = if k < first.len() { outcome.computation } else { live };
        assert_eq!(r.made_with.computation, want, "reading {}", r.reading.id);
    }
    assert!(!station.events.iter().any(|e| matches!(e.kind, EventKind::Gap(_))), "{:?}", station.events);
    assert!(outcome.longest_transaction < SHORT, "{:?}", outcome.longest_transaction);
    sound(path(&station));
}

/// Readings whose raw frames were purged keep their values; `--from` and `--to` limit what is recomputed.
#[test]
fn what_has_no_frames_or_lies_outside_the_span_keeps_its_values() {
    let station = lamp(2.0);
    let before = all(path(&station), None);
    let (live, n) = (before[0].made_with.computation, before.len());
    let until = before[40].reading.time_start;
    station.station.store.purge_raw_frames(until, 1000, None).expect("frames go").expect("there are some");
    let outcome = run(&station, &request(None));
    assert_eq!(outcome.skipped.into_iter().collect::<Vec<_>>(), [(SkipReason::NoFrames, 40)]);
    let computations =
        |readings: &[StoredReading]| -> Vec<i64> { readings.iter().map(|r| r.made_with.computation).collect() };
    let after = all(path(&station), None);
    assert_eq!(computations(&after), [vec![live; 40], vec![outcome.computation; n - 40]].concat());
    assert!(said(&after) == said(&before));
    let (from, to) = (before[60].reading.time_mid, before[80].reading.time_mid);
    let span = run(&station, &Request { from, to, ..request(None) });
    assert_eq!((span.recomputed, span.activated.expect("activated").span.0), (20, from));
    let want =
        [vec![live; 40], vec![outcome.computation; 20], vec![span.computation; 20], vec![outcome.computation; n - 80]];
    assert_eq!(computations(&all(path(&station), None)), want.concat());
}

/// A run that continues an interrupted one also counts the readings which that one left as they were.
#[test]
fn what_an_interrupted_run_left_as_it_was_is_counted() {
    let station = lamp(2.0);
    let before = all(path(&station), None);
    let until = before[40].reading.time_start;
    station.station.store.purge_raw_frames(until, 1000, None).expect("frames go").expect("there are some");
    let store = recompute::open(path(&station)).expect("the database opens");
    let request = Request { threads: 1, ..request(None) };
    let stopped = recompute::recompute(&store, &request, station.clock.now(), &mut |seen, _| seen == 0);
    let stopped = stopped.expect("no error");
    assert_eq!((stopped.activated, stopped.skipped.get(&SkipReason::NoFrames)), (None, Some(&40)));
    let whole = recompute::recompute(&store, &request, station.clock.now(), &mut |_, _| true).expect("no error");
    assert_eq!(whole.skipped.clone().into_iter().collect::<Vec<_>>(), [(SkipReason::FoundBefore, 40)], "{whole:?}");
    assert_eq!(whole.activated.expect("activated").readings, before.len() as u64 - 40);
}

/// A second recomputation at the same time is refused with a message.
#[test]
fn two_at_once_are_refused() {
    let station = lamp(0.2);
    let _first = recompute::open(path(&station)).expect("the database opens");
    let second = recompute::open(path(&station)).expect_err("it is taken").to_string();
    let want =
        format!("expected no other `vigilux recompute` on this database, but process {} holds", std::process::id());
    assert!(second.contains(&want), "{second}");
}

/// The built program, killed several times on the way, leaves the old values active; run once more it completes, and `show`
/// names what each computation made.
#[test]
fn killed_on_the_way_nothing_is_lost() {
    let station = lamp(24.0);
    let before = all(path(&station), None);
    let folder = tempfile::tempdir().expect("a folder");
    let calibration = folder.path().join("more.toml");
    let other = brighter(&station, "2026-01-01T00:00:00Z", "2027-01-01T00:00:00Z");
    std::fs::write(&calibration, &other.text).expect("it can be written");
    let program = || {
        let mut command = Command::new(env!("CARGO_BIN_EXE_vigilux"));
        command
            .arg("recompute")
            .arg("--database")
            .arg(path(&station))
            .arg("--calibration")
            .arg(&calibration)
            .arg("--json");
        command
    };
    let mut kills = 0;
    for share in [0.1, 0.4, 0.7] {
        let mut child = program().stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("it starts");
        let reader = Reader::open(path(&station)).expect("the database opens");
        let started = Instant::now();
        let reached = loop {
            let filled = reader.unfinished_computations().expect("computations").first().map_or(0, |id| {
                let rows = reader.computation_summaries().expect("computations");
                rows.iter().find(|c| c.made.id == *id).map_or(0, |c| c.readings)
            });
            if filled as f64 > share * before.len() as f64 {
                break ControlFlow::Continue(());
            }
            if child.try_wait().expect("its state").is_some() {
                break ControlFlow::Break(());
            }
            assert!(started.elapsed() < Duration::from_secs(60), "it does not come along");
            std::thread::sleep(Duration::from_millis(1));
        };
        child.kill().ok();
        child.wait().expect("it ends");
        if reached.is_break() || reader.unfinished_computations().expect("computations").is_empty() {
            break;
        }
        kills += 1;
        assert!(all(path(&station), None) == before, "the old values stay in force");
    }
    assert!(kills >= 2, "{kills}");
    let output = program().output().expect("it runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(json["readings"], before.len());
    assert!(json["computed_now"].as_u64().expect("a number") < before.len() as u64, "{json}");
    let in_pieces = all(path(&station), None);
    run(&station, &request(None));
    run(&station, &request(Some(&other)));
    assert!(said(&all(path(&station), None)) == said(&in_pieces));
    let list = Command::new(env!("CARGO_BIN_EXE_vigilux"))
        .args(["show", "--computations", "--database"])
        .arg(path(&station))
        .output()
        .expect("it runs");
    let list = String::from_utf8_lossy(&list.stdout).into_owned();
    assert!(list.contains(&format!("computation 1: {} readings from ", before.len())), "{list}");
    assert!(list.contains("with calibration a tenth more"), "{list}");
    let named = Command::new(env!("CARGO_BIN_EXE_vigilux"))
        .args(["show", "--computation", "99", "--database"])
        .arg(path(&station))
        .output()
        .expect("it runs");
    assert_eq!(named.status.code(), Some(2));
    let why = String::from_utf8_lossy(&named.stderr).into_owned();
    assert!(why.contains("--computation: expected one of 1, ") && why.contains(", but found 99"), "{why}");
}
