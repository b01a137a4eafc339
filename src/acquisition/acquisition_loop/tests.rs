//! Whole ticks on a stepped clock, with the fake instrument of the session's tests.

use super::*;
use crate::acquisition::absence::absence;
use crate::acquisition::assemble::{Daemon, assemble};
use crate::acquisition::context::LinkMaker;
use crate::clock::{Clock, SteppedClock};
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

struct Rig {
    clock: Arc<SettableClock>,
    link: FakeLink,
    stop: Stop,
    daemon: Daemon,
    acquisition: AcquisitionLoop,
    seen: Seen,
    _folder: tempfile::TempDir,
}

/// What the observer was told.
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

impl Rig {
    /// With darks of a source and a key of the schedule. At noon `night` gives no darks.
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

    /// Runs the ticks of some minutes from noon on.
    fn run_minutes(&mut self, minutes: u32) {
        let until = start().plus_seconds(30.0 + 60.0 * f64::from(minutes) - 1.0);
        self.acquisition.run(&mut self.seen, Some(until)).unwrap();
    }

    /// Causes and texts of the gaps on record, oldest first.
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
    let mut rig = Rig::new("night", "");
    assert_eq!(rig.next_outcome(), TickOutcome::Stored);
    rig.run_minutes(5);
    assert_eq!((rig.seen.stored.len(), rig.gaps()), (5, vec![]));
    let status = rig.daemon.loops[0].status.snapshot();
    assert_eq!((status.serial.as_deref(), status.counts.stored), (Some("0042"), 5));
}

/// Without an instrument every tick that is due is missed, and all of them are one gap.
#[test]
fn an_absent_instrument_makes_every_due_tick_a_gap() {
    let mut rig = Rig::new("night", "");
    rig.state().unplugged = true;
    rig.run_minutes(5);
    assert_eq!(rig.gaps(), [(GapCause::InstrumentAbsent, "5 readings missed: fake: unplugged".to_owned())]);
    rig.state().unplugged = false;
    rig.run_minutes(7);
    assert_eq!((rig.seen.stored.len(), rig.gaps().len()), (2, 1), "it is connected before the next tick");
}

/// Behind a closed gate nothing is due, and nothing is missed.
#[test]
fn a_closed_gate_is_no_gap() {
    let mut rig = Rig::new("night", "local_window = \"05:00-06:00\"");
    assert_eq!(rig.next_outcome(), TickOutcome::NotDue);
    rig.state().unplugged = true;
    rig.run_minutes(5);
    assert_eq!((rig.seen.stored.len(), rig.gaps()), (0, vec![]));
}

/// The light of another instrument than the calibration's is never stored.
#[test]
fn an_instrument_of_another_serial_number_is_never_read() {
    let mut rig = Rig::new("night", "");
    rig.state().serial = "0043".into();
    rig.run_minutes(3);
    assert_eq!((rig.seen.stored.len(), rig.gaps()[0].0), (0, GapCause::InstrumentIdentity));
}

/// An instrument that is exchanged while the daemon runs is found out before its light is stored.
#[test]
fn an_instrument_exchanged_between_two_readings_is_found_out() {
    let mut rig = Rig::new("night", "");
    assert_eq!(rig.next_outcome(), TickOutcome::Stored);
    rig.state().serial = "0043".into();
    let TickOutcome::Gap(gap) = rig.next_outcome() else { panic!("no gap") };
    assert_eq!(gap.cause, GapCause::InstrumentIdentity);
    assert_eq!(rig.seen.stored.len(), 1);
}

/// A stop request inside the first exposure of a reading ends the loop, with a gap for the tick.
#[test]
fn a_stop_inside_a_reading_ends_the_loop_with_a_gap() {
    let mut rig = Rig::new("night", "");
    assert_eq!(rig.next_outcome(), TickOutcome::Stored);
    rig.state().stop_when_waiting = true;
    rig.run_minutes(5);
    assert!(rig.stop.requested());
    assert_eq!(
        (rig.seen.stored.len(), rig.gaps()),
        (1, vec![(GapCause::Stopped, "1 reading missed: stopped on request".to_owned())])
    );
}

/// A clock that is set while a reading runs costs that reading, whose times are not known, and nothing else.
#[test]
fn a_clock_that_is_set_inside_a_reading_costs_that_reading() {
    let mut rig = Rig::new("night", "");
    assert_eq!(rig.next_outcome(), TickOutcome::Stored);
    let clock = Arc::clone(&rig.clock);
    rig.link.alter(":READ?", move |bytes| {
        clock.set_by_us.store(3_600_000_000, Ordering::SeqCst);
        vec![(0.0, bytes)]
    });
    assert_eq!(rig.next_outcome(), TickOutcome::Gap(GapReason::clock_stepped()));
    assert_eq!(rig.next_outcome(), TickOutcome::Stored);
}

/// A clock set forward by an hour inside a reading leaves the warm-up as long as it was.
#[test]
fn a_clock_that_is_set_does_not_end_the_warm_up() {
    let mut rig = Rig::new("night", "");
    assert_eq!(rig.next_outcome(), TickOutcome::Stored);
    let length_s = rig.daemon.loops[0].instrument.warm_up_s;
    let until = rig.acquisition.control.warm_up.until(length_s).unwrap();
    let clock = Arc::clone(&rig.clock);
    rig.link.alter(":READ?", move |bytes| {
        clock.set_by_us.store(3_600_000_000, Ordering::SeqCst);
        vec![(0.0, bytes)]
    });
    rig.next_outcome();
    let moved_s = rig.acquisition.control.warm_up.until(length_s).unwrap().seconds_since(until);
    assert!((moved_s - 3600.0).abs() < 1.0, "the end of the warm-up moved by {moved_s} s");
    assert_eq!(rig.next_outcome(), TickOutcome::Stored);
    assert!(rig.seen.stored.iter().all(|r| r.flags.has(Flag::Warming)));
}

/// A fault in the darks after a reading leaves the reading stored, flagged.
#[test]
fn a_fault_after_the_light_leaves_the_reading_stored() {
    let mut light_only = Rig::new("night", "");
    assert_eq!(light_only.next_outcome(), TickOutcome::Stored);
    let light = light_only.state().truth.len();
    let mut rig = Rig::new("shutter", "");
    // The light arrives; nothing comes back for the first dark, in any of the retries.
    (0..light).for_each(|_| rig.link.alter(":READ?", |bytes| vec![(0.0, bytes)]));
    (0..10).for_each(|_| rig.link.alter(":READ?", |_| vec![]));
    assert_eq!(rig.next_outcome(), TickOutcome::Stored);
    assert!(rig.seen.stored[0].flags.has(Flag::LinkFault), "{:?}", rig.seen.stored[0].flags);
    assert!(rig.acquisition.connected.is_none(), "an instrument that does not answer is connected anew");
    rig.state().alterations.clear();
    assert_eq!(rig.next_outcome(), TickOutcome::Stored);
    assert_eq!(rig.gaps(), []);
}

/// Ticks that come while a reading and its darks still run are gaps `busy`, not readings that are made up for.
#[test]
fn ticks_inside_a_long_reading_are_missed() {
    let mut rig = Rig::new("night", "");
    rig.daemon.loops[0].instrument.schedule.window_s = Some(90.0);
    rig.acquisition = AcquisitionLoop::new(&rig.daemon.loops[0], rig.stop.clone());
    rig.run_minutes(5);
    let busy: Vec<String> = rig.gaps().into_iter().filter(|g| g.0 == GapCause::Busy).map(|g| g.1).collect();
    assert!(!busy.is_empty(), "{:?}", rig.gaps());
    let missed: usize =
        rig.gaps().iter().map(|g| g.1.split(' ').next().and_then(|n| n.parse::<usize>().ok()).unwrap_or(0)).sum();
    // One tick a minute from noon on; the last reading ends after the minutes asked for.
    let since_noon_s = rig.clock.now().seconds_since(start()) - 30.0;
    assert_eq!(rig.seen.stored.len() + missed, (since_noon_s / 60.0) as usize + 1, "{:?}", rig.gaps());
}

/// A database that another process holds while a reading is committed queues the reading, and stores it later, ahead of
/// the one that follows.
#[test]
fn a_held_database_queues_the_reading() {
    let mut rig = Rig::new("night", "");
    assert_eq!(rig.next_outcome(), TickOutcome::Stored);
    rig.daemon.store.wait_at_most(Duration::ZERO);
    let other = rusqlite::Connection::open(rig.daemon.store.path()).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    assert_eq!(rig.next_outcome(), TickOutcome::Queued);
    other.execute_batch("ROLLBACK").unwrap();
    rig.run_minutes(3);
    assert_eq!((rig.seen.late.clone(), rig.seen.stored.len(), rig.gaps()), (vec![2, 3], 1, vec![]));
}

/// What a loop that ended in an error left open is recorded by the next one, and no tick is recorded twice.
#[test]
fn a_restarted_loop_records_what_was_missed() {
    let mut rig = Rig::new("night", "");
    assert_eq!(rig.next_outcome(), TickOutcome::Stored);
    let tick = rig.acquisition.schedule.next_tick(rig.acquisition.ticks.last).unwrap();
    rig.acquisition.ticks = Ticks { last: tick, under_way: Some(tick) };
    let error = AcquisitionError::Thread(std::io::Error::other("an example"));
    let interrupted = rig.acquisition.interrupted(&error);
    rig.clock.stepped.advance_to(tick.plus_seconds(150.0));
    let mut next = AcquisitionLoop::new(&rig.daemon.loops[0], rig.stop.clone());
    next.resume_after(&interrupted, &mut rig.seen).unwrap();
    let gaps = rig.gaps();
    assert_eq!((gaps.len(), gaps[0].0), (1, GapCause::Stopped));
    assert!(gaps[0].1.starts_with("3 readings missed: the loop of this instrument ended in an error"), "{gaps:?}");
    rig.acquisition = next;
    assert_eq!(rig.next_outcome(), TickOutcome::Stored);
}

/// A daemon that was killed leaves a gap from the tick after its last reading up to now.
#[test]
fn ticks_since_a_daemon_was_killed_are_a_gap() {
    let mut rig = Rig::new("night", "");
    assert_eq!(rig.next_outcome(), TickOutcome::Stored);
    let name = rig.daemon.loops[0].instrument.name.clone();
    let first_missed = rig.acquisition.schedule.next_tick(rig.acquisition.ticks.last).unwrap();
    let store = &rig.daemon.store;
    assert_eq!(absence(store, &name, first_missed.plus_seconds(-1.0)).unwrap(), None);
    let gap = absence(store, &name, first_missed.plus_seconds(91.0 * 60.0)).unwrap().unwrap();
    assert_eq!((gap.time, gap.until), (first_missed, Some(first_missed.plus_seconds(91.0 * 60.0))));
    assert_eq!(gap.kind, EventKind::Gap(GapCause::DaemonAbsent));
    assert!(gap.text.starts_with("92 readings missed: no daemon was running"), "{}", gap.text);
}

/// A daemon that was stopped on request leaves a gap that says when.
#[test]
fn ticks_since_a_daemon_was_stopped_are_a_gap_that_says_so() {
    let mut rig = Rig::new("night", "");
    assert_eq!(rig.next_outcome(), TickOutcome::Stored);
    rig.daemon.stopped();
    let name = rig.daemon.loops[0].instrument.name.clone();
    let stopped = rig.clock.now();
    let gap = absence(&rig.daemon.store, &name, stopped.plus_seconds(600.0)).unwrap().unwrap();
    assert_eq!(gap.kind, EventKind::Gap(GapCause::DaemonStopped));
    assert_eq!(gap.text, format!("10 readings missed: the daemon was stopped at {stopped}"));
}

/// Ticks behind a closed gate are not missed, and an instrument that was not configured missed nothing.
#[test]
fn only_ticks_that_were_due_are_missed() {
    let mut rig = Rig::new("night", "local_window = \"14:00-14:10\"");
    assert_eq!(rig.next_outcome(), TickOutcome::Stored);
    let name = rig.daemon.loops[0].instrument.name.clone();
    let later = rig.clock.now().plus_seconds(7200.0);
    let gap = absence(&rig.daemon.store, &name, later).unwrap().unwrap();
    assert!(gap.text.starts_with("9 readings missed"), "{}", gap.text);
    assert_eq!(absence(&rig.daemon.store, "another", later).unwrap(), None);
}
