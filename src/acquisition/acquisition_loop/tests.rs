//! Complete ticks on a stepped clock, with the fake instrument of the tests of the session.

mod damage;

use super::*;
use crate::acquisition::absence::absence;
use crate::acquisition::assemble::{Daemon, assemble};
use crate::acquisition::context::LinkMaker;
use crate::clock::{Clock, SteppedClock, Wake};
use crate::config;
use crate::fault::GapCause;
use crate::instrument::Link;
use crate::instrument::fake_instrument::{FakeLink, FakeState};
use crate::processing::ProcessedReading;
use crate::record::{Event, EventKind, Flag, Frame, Reading};
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, MutexGuard};
use std::time::Duration;

const CONFIG: &str = r#"
version = 1
[station]
name = "Example roof"
kind = "roof"
latitude_deg = 47.5
longitude_deg = 8.7
altitude_m = 440
time_zone = "Europe/Zurich"
[store]
path = "station.db"
[[instrument]]
name = "south"
link = "/dev/ttyExample"
calibrations = ["calibration.toml"]
[instrument.schedule]
cron = "0 * * * * *"
LOCAL_WINDOW
[instrument.exposure]
budget_s = 5
[instrument.darks]
sources = ["SOURCE"]
"#;

const CALIBRATION: &str = r#"
[calibration]
id = "example-2026"
instrument_serial = "0042"
valid_from = 2026-01-01
valid_until = 2027-01-01
certificate = "made up for tests"
temperature_c = 21.0
temperature_range_c = [-5.0, 45.0]
[wavelength]
coefficients = [300.0, 25.0]
uncertainty_nm = 0.1
fwhm_nm = 20.0
[noise]
electrons_per_count = 3.0
read_noise_counts = 6.0
[response]
wavelength_nm = [280, 1000]
counts_per_s_per_w_m2_nm = [1e5, 2e6]
relative_uncertainty = 0.02
"#;

/// A stepped clock whose wall time can be set.
struct SettableClock {
    stepped: Arc<SteppedClock>,
    set_by_us: AtomicI64,
}

impl SettableClock {
    fn offset(&self) -> i64 {
        self.set_by_us.load(Ordering::SeqCst)
    }
}

impl Clock for SettableClock {
    fn now(&self) -> UtcMicros {
        UtcMicros(self.stepped.now().0 + self.offset())
    }
    fn monotonic(&self) -> Duration {
        self.stepped.monotonic()
    }
    fn real_for(&self, simulated: Duration) -> Duration {
        simulated
    }
    fn sleep_until(&self, t: UtcMicros, stop: &Stop) -> Wake {
        self.stepped.sleep_until(UtcMicros(t.0 - self.offset()), stop)
    }
    fn pause(&self, span: Duration, stop: &Stop) -> Wake {
        self.stepped.pause(span, stop)
    }
}

struct Fixture {
    clock: Arc<SettableClock>,
    link: FakeLink,
    stop: Stop,
    daemon: Daemon,
    acquisition: AcquisitionLoop,
    seen: Seen,
    _folder: tempfile::TempDir,
}

/// The calls that the observer received.
#[derive(Default)]
struct Seen {
    stored: Vec<Reading>,
    late: Vec<i64>,
}

impl Observer for Seen {
    fn stored(&mut self, _: i64, processed: &ProcessedReading, _: &[Frame]) {
        self.stored.push(processed.reading.clone());
    }
    fn stored_late(&mut self, id: i64, _: &Reading) {
        self.late.push(id);
    }
}

/// 2026-06-21, shortly before noon in UTC.
fn start() -> UtcMicros {
    UtcMicros::parse("2026-06-21T11:59:30Z").unwrap()
}

impl Fixture {
    /// With a source of darks and a key of the schedule. At noon the source `night` gives no darks.
    fn new(source: &str, schedule: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let text = CONFIG.replace("SOURCE", source).replace("LOCAL_WINDOW", schedule);
        std::fs::write(folder.path().join("station.toml"), text).unwrap();
        std::fs::write(folder.path().join("calibration.toml"), CALIBRATION).unwrap();
        let setup = config::load(&folder.path().join("station.toml"), start()).unwrap();
        let stepped = Arc::new(SteppedClock::new(start()));
        let clock = Arc::new(SettableClock { stepped: Arc::clone(&stepped), set_by_us: AtomicI64::new(0) });
        let stop = Stop::new();
        let link = FakeLink::new(stepped, stop.clone());
        let shared: Arc<dyn Clock> = clock.clone();
        let line = link.clone();
        let maker: LinkMaker = Arc::new(move |_: &Stop| -> Box<dyn Link> { Box::new(line.clone()) });
        let daemon = assemble(&setup, &shared, |_| Arc::clone(&maker), || Some(true)).unwrap();
        let acquisition = AcquisitionLoop::new(&daemon.loops[0], stop.clone());
        Self { clock, link, stop, daemon, acquisition, seen: Seen::default(), _folder: folder }
    }

    fn state(&self) -> MutexGuard<'_, FakeState> {
        self.link.0.lock().unwrap()
    }

    /// Runs the ticks of a number of minutes from noon on.
    fn run_minutes(&mut self, minutes: i32) {
        let until = start().plus_seconds(30.0 + 60.0 * f64::from(minutes) - 1.0);
        self.acquisition.run(&mut self.seen, Some(until)).unwrap();
    }

    /// Causes and texts of the stored gaps, oldest first.
    fn gaps(&self) -> Vec<(GapCause, String)> {
        let mut events: Vec<Event> = self.daemon.store.latest_events(100).unwrap();
        events.sort_by_key(|e| e.time);
        let gap = |e: Event| match e.kind {
            EventKind::Gap(cause) => Some((cause, e.text)),
            _ => None,
        };
        events.into_iter().filter_map(gap).collect()
    }

    fn next_outcome(&mut self) -> TickOutcome {
        let tick = self.acquisition.schedule.next_tick(self.acquisition.ticks.last).unwrap();
        self.acquisition.wait_for(tick, &mut self.seen).unwrap();
        let outcome = self.acquisition.perform(tick, &mut self.seen).unwrap();
        self.acquisition.conclude(tick, outcome.clone(), &mut self.seen).unwrap();
        outcome
    }
}

/// An instrument that answers is read at every tick.
#[test]
fn every_tick_of_an_instrument_that_answers_is_stored() {
    let mut fixture = Fixture::new("night", "");
    assert_eq!(fixture.next_outcome(), TickOutcome::Stored);
    fixture.run_minutes(5);
    assert_eq!((fixture.seen.stored.len(), fixture.gaps()), (5, vec![]));
    let status = fixture.daemon.loops[0].status.snapshot();
    assert_eq!((status.serial.as_deref(), status.counts.stored), (Some("0042"), 5));
}

/// Without an instrument every due tick is missed, and all of them are one gap.
#[test]
fn an_absent_instrument_makes_every_due_tick_a_gap() {
    let mut fixture = Fixture::new("night", "");
    fixture.state().unplugged = true;
    fixture.run_minutes(5);
    assert_eq!(fixture.gaps(), [(GapCause::InstrumentAbsent, "5 readings missed: fake: unplugged".to_owned())]);
    fixture.state().unplugged = false;
    fixture.run_minutes(7);
    assert_eq!(
        (fixture.seen.stored.len(), fixture.gaps().len()),
        (2, 1),
        "the instrument is connected before the next tick"
    );
}

/// With a closed gate no tick is due, and none is missed.
#[test]
fn a_closed_gate_is_no_gap() {
    let mut fixture = Fixture::new("night", "local_window = \"05:00-06:00\"");
    assert_eq!(fixture.next_outcome(), TickOutcome::NotDue);
    fixture.state().unplugged = true;
    fixture.run_minutes(5);
    assert_eq!((fixture.seen.stored.len(), fixture.gaps()), (0, vec![]));
}

/// Exposures of an instrument without a calibration for its serial number are never stored.
#[test]
fn an_instrument_of_another_serial_number_is_never_read() {
    let mut fixture = Fixture::new("night", "");
    fixture.state().serial = "0043".into();
    fixture.run_minutes(3);
    assert_eq!((fixture.seen.stored.len(), fixture.gaps()[0].0), (0, GapCause::InstrumentIdentity));
}

/// An instrument replaced while the daemon runs is detected before its exposures are stored.
#[test]
fn an_instrument_replaced_between_two_readings_is_detected() {
    let mut fixture = Fixture::new("night", "");
    assert_eq!(fixture.next_outcome(), TickOutcome::Stored);
    fixture.state().serial = "0043".into();
    let TickOutcome::Gap(gap) = fixture.next_outcome() else { panic!("no gap") };
    assert_eq!(gap.cause, GapCause::InstrumentIdentity);
    assert_eq!(fixture.seen.stored.len(), 1);
}

/// A stop request during the first exposure of a reading ends the loop, with a gap for the tick.
#[test]
fn a_stop_during_a_reading_ends_the_loop_with_a_gap() {
    let mut fixture = Fixture::new("night", "");
    assert_eq!(fixture.next_outcome(), TickOutcome::Stored);
    fixture.state().stop_when_waiting = true;
    fixture.run_minutes(5);
    assert!(fixture.stop.requested());
    assert_eq!(
        (fixture.seen.stored.len(), fixture.gaps()),
        (1, vec![(GapCause::Stopped, "1 reading missed: stopped on request".to_owned())])
    );
}

/// A reading during which the clock is set is discarded, because its times are unknown; the next one is stored.
#[test]
fn a_reading_during_which_the_clock_is_set_is_discarded() {
    let mut fixture = Fixture::new("night", "");
    assert_eq!(fixture.next_outcome(), TickOutcome::Stored);
    let clock = Arc::clone(&fixture.clock);
    fixture.link.alter(":READ?", move |bytes| {
        clock.set_by_us.store(3_600_000_000, Ordering::SeqCst);
        vec![(0.0, bytes)]
    });
    assert_eq!(fixture.next_outcome(), TickOutcome::Gap(GapReason::clock_stepped()));
    assert_eq!(fixture.next_outcome(), TickOutcome::Stored);
}

/// Setting the clock forward by an hour during a reading does not shorten the warm-up.
#[test]
fn setting_the_clock_does_not_end_the_warm_up() {
    let mut fixture = Fixture::new("night", "");
    assert_eq!(fixture.next_outcome(), TickOutcome::Stored);
    let length_s = fixture.daemon.loops[0].instrument.warm_up_s;
    let until = fixture.acquisition.control.warm_up.until(length_s).unwrap();
    let clock = Arc::clone(&fixture.clock);
    fixture.link.alter(":READ?", move |bytes| {
        clock.set_by_us.store(3_600_000_000, Ordering::SeqCst);
        vec![(0.0, bytes)]
    });
    fixture.next_outcome();
    let moved_s = fixture.acquisition.control.warm_up.until(length_s).unwrap().seconds_since(until);
    assert!((moved_s - 3600.0).abs() < 1.0, "the end of the warm-up moved by {moved_s} s");
    assert_eq!(fixture.next_outcome(), TickOutcome::Stored);
    assert!(fixture.seen.stored.iter().all(|r| r.flags.has(Flag::Warming)));
}

/// After a fault in the darks following a reading, the reading is stored with a flag.
#[test]
fn a_reading_is_stored_despite_a_fault_in_its_darks() {
    let mut light_only = Fixture::new("night", "");
    assert_eq!(light_only.next_outcome(), TickOutcome::Stored);
    let light = light_only.state().truth.len();
    let mut fixture = Fixture::new("shutter", "");
    // The light exposures arrive; for the first dark nothing arrives in any retry.
    (0..light).for_each(|_| fixture.link.alter(":READ?", |bytes| vec![(0.0, bytes)]));
    (0..10).for_each(|_| fixture.link.alter(":READ?", |_| vec![]));
    assert_eq!(fixture.next_outcome(), TickOutcome::Stored);
    assert!(fixture.seen.stored[0].flags.has(Flag::LinkFault), "{:?}", fixture.seen.stored[0].flags);
    assert!(fixture.acquisition.connected.is_none(), "an instrument that does not answer is reconnected");
    fixture.state().alterations.clear();
    assert_eq!(fixture.next_outcome(), TickOutcome::Stored);
    assert_eq!(fixture.gaps(), []);
}

/// Ticks during a reading and its darks are gaps `busy`; their readings are not taken later.
#[test]
fn ticks_during_a_long_reading_are_missed() {
    let mut fixture = Fixture::new("night", "");
    fixture.daemon.loops[0].instrument.schedule.window_s = Some(90.0);
    fixture.acquisition = AcquisitionLoop::new(&fixture.daemon.loops[0], fixture.stop.clone());
    fixture.run_minutes(5);
    let busy: Vec<String> = fixture.gaps().into_iter().filter(|g| g.0 == GapCause::Busy).map(|g| g.1).collect();
    assert!(!busy.is_empty(), "{:?}", fixture.gaps());
    let missed: usize =
        fixture.gaps().iter().map(|g| g.1.split(' ').next().and_then(|n| n.parse::<usize>().ok()).unwrap_or(0)).sum();
    // One tick per minute from noon on; the last reading ends after the requested minutes.
    let since_noon_s = fixture.clock.now().seconds_since(start()) - 30.0;
    assert_eq!(fixture.seen.stored.len() + missed, (since_noon_s / 60.0) as usize + 1, "{:?}", fixture.gaps());
}

/// If another process locks the database during a commit, the reading is queued, and stored later, before the next one.
#[test]
fn a_reading_is_queued_while_the_database_is_locked() {
    let mut fixture = Fixture::new("night", "");
    assert_eq!(fixture.next_outcome(), TickOutcome::Stored);
    fixture.daemon.store.set_busy_timeout(Duration::ZERO);
    let other = rusqlite::Connection::open(fixture.daemon.store.path()).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    assert_eq!(fixture.next_outcome(), TickOutcome::Queued);
    other.execute_batch("ROLLBACK").unwrap();
    fixture.run_minutes(3);
    assert_eq!((fixture.seen.late.clone(), fixture.seen.stored.len(), fixture.gaps()), (vec![2, 3], 1, vec![]));
}

/// A loop records the ticks missed since its predecessor ended in an error, and no tick twice.
#[test]
fn a_restarted_loop_records_what_was_missed() {
    let mut fixture = Fixture::new("night", "");
    assert_eq!(fixture.next_outcome(), TickOutcome::Stored);
    let tick = fixture.acquisition.schedule.next_tick(fixture.acquisition.ticks.last).unwrap();
    fixture.acquisition.ticks = Ticks { last: tick, unfinished: Some(tick) };
    let error = AcquisitionError::Thread(std::io::Error::other("an example"));
    let interrupted = fixture.acquisition.interrupted(&error);
    fixture.clock.stepped.advance_to(tick.plus_seconds(150.0));
    let mut next = AcquisitionLoop::new(&fixture.daemon.loops[0], fixture.stop.clone());
    next.resume_after(&interrupted, &mut fixture.seen).unwrap();
    let gaps = fixture.gaps();
    assert_eq!((gaps.len(), gaps[0].0), (1, GapCause::Stopped));
    assert!(gaps[0].1.starts_with("3 readings missed: the loop of this instrument ended in an error"), "{gaps:?}");
    fixture.acquisition = next;
    assert_eq!(fixture.next_outcome(), TickOutcome::Stored);
}

/// A daemon that was killed leaves a gap from the tick after its last reading up to now.
#[test]
fn ticks_since_a_daemon_was_killed_are_a_gap() {
    let mut fixture = Fixture::new("night", "");
    assert_eq!(fixture.next_outcome(), TickOutcome::Stored);
    let name = fixture.daemon.loops[0].instrument.name.clone();
    let first_missed = fixture.acquisition.schedule.next_tick(fixture.acquisition.ticks.last).unwrap();
    let store = &fixture.daemon.store;
    assert_eq!(absence(store, &name, first_missed.plus_seconds(-1.0)).unwrap(), None);
    let gap = absence(store, &name, first_missed.plus_seconds(91.0 * 60.0)).unwrap().unwrap();
    assert_eq!((gap.time, gap.until), (first_missed, Some(first_missed.plus_seconds(91.0 * 60.0))));
    assert_eq!(gap.kind, EventKind::Gap(GapCause::DaemonAbsent));
    assert!(gap.text.starts_with("92 readings missed: no daemon was running"), "{}", gap.text);
}

/// A daemon that was stopped on request leaves a gap that says when.
#[test]
fn ticks_since_a_daemon_was_stopped_are_a_gap_that_says_so() {
    let mut fixture = Fixture::new("night", "");
    assert_eq!(fixture.next_outcome(), TickOutcome::Stored);
    fixture.daemon.stopped();
    let name = fixture.daemon.loops[0].instrument.name.clone();
    let stopped = fixture.clock.now();
    let gap = absence(&fixture.daemon.store, &name, stopped.plus_seconds(600.0)).unwrap().unwrap();
    assert_eq!(gap.kind, EventKind::Gap(GapCause::DaemonStopped));
    assert_eq!(gap.text, format!("10 readings missed: the daemon was stopped at {stopped}"));
}

/// Ticks with a closed gate are not missed; an instrument that was not configured has no missed ticks.
#[test]
fn only_ticks_that_were_due_are_missed() {
    let mut fixture = Fixture::new("night", "local_window = \"14:00-14:10\"");
    assert_eq!(fixture.next_outcome(), TickOutcome::Stored);
    let name = fixture.daemon.loops[0].instrument.name.clone();
    let later = fixture.clock.now().plus_seconds(7200.0);
    let gap = absence(&fixture.daemon.store, &name, later).unwrap().unwrap();
    assert!(gap.text.starts_with("9 readings missed"), "{}", gap.text);
    assert_eq!(absence(&fixture.daemon.store, "another", later).unwrap(), None);
}

/// Minutes of the readings that were stored, after noon.
fn minutes_stored(fixture: &Fixture) -> Vec<i64> {
    let noon = start().plus_seconds(30.0);
    fixture.seen.stored.iter().map(|r| (r.time_start.seconds_since(noon) / 60.0).floor() as i64).collect()
}

/// A clock set back by an hour between two readings costs none: the next tick is that of the new clock, and both runs through the
/// hour are stored under rising identifiers.
#[test]
fn a_clock_set_back_does_not_stop_measuring() {
    let mut fixture = Fixture::new("night", "");
    fixture.run_minutes(3);
    fixture.clock.set_by_us.store(-3_600_000_000, Ordering::SeqCst);
    fixture.run_minutes(-55);
    assert_eq!(minutes_stored(&fixture), [0, 1, 2, -57, -56]);
    let clock: Vec<Event> = fixture.daemon.store.latest_events(100).unwrap();
    let clock: Vec<&Event> = clock.iter().filter(|e| e.kind == EventKind::Clock).collect();
    assert_eq!(clock.len(), 1);
    let overlap_s = clock[0].until.unwrap().seconds_since(clock[0].time);
    assert!((overlap_s - 3600.0).abs() < 1.0 && clock[0].text.starts_with("the clock was set back by 3600.0 s"));
    assert_eq!(fixture.gaps(), []);
    let ids: Vec<i64> = fixture.daemon.store.latest(100).unwrap().iter().map(|r| r.reading.id).collect();
    assert_eq!(ids, [1, 2, 3, 4, 5]);
}

/// A clock set forward by an hour passes over sixty ticks: they are one gap with that cause, and the next tick is read.
#[test]
fn a_clock_set_forward_leaves_a_gap_with_its_cause() {
    let mut fixture = Fixture::new("night", "");
    fixture.run_minutes(3);
    fixture.clock.set_by_us.store(3_600_000_000, Ordering::SeqCst);
    fixture.run_minutes(65);
    let gaps = fixture.gaps();
    assert_eq!((gaps.len(), gaps[0].0), (1, GapCause::ClockStepped));
    assert_eq!(gaps[0].1, "60 readings missed: the clock was set forward past their times");
    assert_eq!(minutes_stored(&fixture), [0, 1, 2, 63, 64]);
}

/// A loop that is restarted after the clock was set back continues by the new clock, not when the old one is reached again.
#[test]
fn a_restarted_loop_follows_a_clock_that_was_set_back() {
    let mut fixture = Fixture::new("night", "");
    fixture.run_minutes(3);
    fixture.clock.set_by_us.store(-3_600_000_000, Ordering::SeqCst);
    let error = AcquisitionError::Thread(std::io::Error::other("an example"));
    let interrupted = fixture.acquisition.interrupted(&error);
    let mut next = AcquisitionLoop::new(&fixture.daemon.loops[0], fixture.stop.clone());
    next.resume_after(&interrupted, &mut fixture.seen).unwrap();
    fixture.acquisition = next;
    fixture.run_minutes(-55);
    assert_eq!(minutes_stored(&fixture), [0, 1, 2, -57, -56]);
}
