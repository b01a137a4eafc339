//! Whether the loop of an instrument makes progress, and whether the whole process was suspended.
//!
//! The loop waits only through its clock and its link. [`ProgressClock`] and [`ProgressLink`] stand between, and note before each
//! wait by when it has to be over; the supervision asks [`Progress::overdue`]. The supervision also calls [`Heartbeat::beat`] every
//! [`BEAT`]: when no thread has done so for long, the process did not run, whatever the loop was doing.
//!
//! Invariants:
//! - A wait is given its own length and [`STEP`] on top; the work between two waits (computing, a transaction) is given [`STEP`].
//! - A loop that has ended is never overdue.

use super::clock_watch::was_suspended;
use crate::clock::{Clock, Deadline, Stop, UtcMicros, Wake};
use crate::fault::Fault;
use crate::instrument::{Link, LinkKind};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Longest work of a loop between two waits, and longest delay of a wait beyond its end. A transaction waits up to 5 s for a lock and
/// a worn memory card may stop for tens of seconds; no healthy step takes longer than this.
pub const STEP: Duration = Duration::from_secs(60);

/// Interval of the heartbeat.
pub const BEAT: Duration = Duration::from_secs(2);

/// The heartbeat of the process: finds out that it was suspended.
#[derive(Clone, Debug, Default)]
pub struct Heartbeat(Arc<Mutex<Beats>>);

#[derive(Debug, Default)]
struct Beats {
    /// `None` before the first beat of the supervision.
    last: Option<Instant>,
    suspensions: u64,
}

impl Heartbeat {
    /// The process runs; called by the supervision every [`BEAT`].
    pub fn beat(&self) {
        self.beat_at(Instant::now());
    }

    fn beat_at(&self, now: Instant) {
        let mut beats = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if beats.last.is_some_and(|last| was_suspended(BEAT, now.saturating_duration_since(last))) {
            beats.suspensions += 1;
        }
        beats.last = Some(now);
    }

    /// Suspensions so far. After one, the loop may run before the supervision; whichever comes first counts it.
    fn suspensions(&self) -> u64 {
        let begun = self.0.lock().unwrap_or_else(PoisonError::into_inner).last.is_some();
        if begun {
            self.beat();
        }
        self.0.lock().unwrap_or_else(PoisonError::into_inner).suspensions
    }
}

/// The progress of one loop, shared with its observers.
#[derive(Clone)]
pub struct Progress {
    clock: Arc<dyn Clock>,
    heartbeat: Heartbeat,
    state: Arc<Mutex<State>>,
}

#[derive(Debug, Default)]
struct State {
    /// On the monotonic scale; `None` before the first wait and after the end of the loop.
    due: Option<Duration>,
    /// Suspensions that the loop knows of.
    suspensions: u64,
}

impl Progress {
    /// Of a loop that has not begun. clock: the clock that the loop will use, without [`ProgressClock`].
    pub fn new(clock: Arc<dyn Clock>, heartbeat: &Heartbeat) -> Self {
        Self { clock, heartbeat: heartbeat.clone(), state: Arc::default() }
    }

    /// The heartbeat of the process.
    pub fn heartbeat(&self) -> &Heartbeat {
        &self.heartbeat
    }

    // A panic ends the process; in tests it cannot leave this inconsistent.
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// How long ago the loop should have moved on; `None` while it is in time.
    pub fn overdue(&self) -> Option<Duration> {
        let due = self.lock().due?;
        self.clock.monotonic().checked_sub(due).filter(|late| !late.is_zero())
    }

    /// The loop has ended.
    pub fn ended(&self) {
        self.lock().due = None;
    }

    /// Whether the process was suspended since the last call of [`Self::take_suspended`].
    pub fn suspended(&self) -> bool {
        self.heartbeat.suspensions() != self.lock().suspensions
    }

    /// The same, and forgets it.
    pub fn take_suspended(&self) -> bool {
        let found = self.heartbeat.suspensions();
        std::mem::replace(&mut self.lock().suspensions, found) != found
    }

    /// Performs a wait of at most `span` on the monotonic scale.
    fn during<T>(&self, span: Duration, wait: impl FnOnce() -> T) -> T {
        let began = self.clock.monotonic();
        self.lock().due = Some(began.saturating_add(span).saturating_add(STEP));
        let result = wait();
        self.lock().due = Some(self.clock.monotonic() + STEP);
        result
    }
}

/// The clock of a loop, which notes its waits.
pub struct ProgressClock {
    inner: Arc<dyn Clock>,
    progress: Progress,
}

impl ProgressClock {
    /// Notes the waits in `progress`.
    pub fn new(progress: &Progress) -> Self {
        Self { inner: Arc::clone(&progress.clock), progress: progress.clone() }
    }
}

impl Clock for ProgressClock {
    fn now(&self) -> UtcMicros {
        self.inner.now()
    }
    fn monotonic(&self) -> Duration {
        self.inner.monotonic()
    }
    fn real_for(&self, simulated: Duration) -> Duration {
        self.inner.real_for(simulated)
    }
    fn sleep_until(&self, t: UtcMicros, stop: &Stop) -> Wake {
        let simulated = Duration::from_secs_f64(t.seconds_since(self.inner.now()).max(0.0));
        self.progress.during(self.inner.real_for(simulated), || self.inner.sleep_until(t, stop))
    }
    fn pause(&self, span: Duration, stop: &Stop) -> Wake {
        self.progress.during(span, || self.inner.pause(span, stop))
    }
}

/// The link of a loop, which notes its waits.
pub struct ProgressLink {
    inner: Box<dyn Link>,
    progress: Progress,
}

impl ProgressLink {
    /// Notes the waits in `progress`.
    pub fn new(inner: Box<dyn Link>, progress: &Progress) -> Self {
        Self { inner, progress: progress.clone() }
    }

    /// Performs a call that ends at `deadline`.
    fn until<T>(&mut self, deadline: Deadline, call: impl FnOnce(&mut dyn Link) -> T) -> T {
        let (progress, inner) = (self.progress.clone(), &mut *self.inner);
        progress.during(progress.clock.left(deadline), || call(inner))
    }

    /// Performs a call that has no deadline of its own, and takes less than [`STEP`].
    fn short<T>(&mut self, call: impl FnOnce(&mut dyn Link) -> T) -> T {
        let inner = &mut *self.inner;
        self.progress.lock().due = Some(self.progress.clock.monotonic() + STEP);
        call(inner)
    }
}

impl Link for ProgressLink {
    fn write(&mut self, bytes: &[u8], deadline: Deadline) -> Result<(), Fault> {
        self.until(deadline, |link| link.write(bytes, deadline))
    }
    fn read(&mut self, buffer: &mut [u8], deadline: Deadline) -> Result<usize, Fault> {
        self.until(deadline, |link| link.read(buffer, deadline))
    }
    fn drain(&mut self) -> Result<(), Fault> {
        self.short(|link| link.drain())
    }
    fn reopen(&mut self) -> Result<(), Fault> {
        self.short(|link| link.reopen())
    }
    fn close(&mut self) {
        self.short(|link| link.close());
    }
    fn name(&self) -> &str {
        self.inner.name()
    }
    fn kind(&self) -> LinkKind {
        self.inner.kind()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::SteppedClock;

    const NOON: UtcMicros = UtcMicros(1_782_043_200_000_000);

    fn progress() -> (Arc<SteppedClock>, Progress, ProgressClock) {
        let clock = Arc::new(SteppedClock::new(NOON));
        let progress = Progress::new(clock.clone(), &Heartbeat::default());
        let watched = ProgressClock::new(&progress);
        (clock, progress, watched)
    }

    /// After a wait a loop is in time for one step, then overdue; once it has ended, never.
    #[test]
    fn work_after_a_wait_is_overdue_after_one_step() {
        let (clock, progress, watched) = progress();
        assert_eq!(progress.overdue(), None);
        watched.sleep_until(NOON.plus_seconds(7200.0), &Stop::new());
        clock.advance_to(clock.now() + STEP);
        assert_eq!(progress.overdue(), None);
        clock.advance_to(clock.now() + Duration::from_secs(3));
        assert_eq!(progress.overdue(), Some(Duration::from_secs(3)));
        progress.ended();
        assert_eq!(progress.overdue(), None);
    }

    /// During a wait of an hour the loop is in time, and overdue one step after the end of that hour.
    #[test]
    fn a_wait_is_given_its_own_length() {
        let (clock, progress, _) = progress();
        progress.during(Duration::from_secs(3600), || {
            clock.advance_to(NOON.plus_seconds(3600.0) + STEP);
            assert_eq!(progress.overdue(), None);
            clock.advance_to(clock.now() + Duration::from_secs(1));
            assert_eq!(progress.overdue(), Some(Duration::from_secs(1)));
        });
        assert_eq!(progress.overdue(), None, "the wait is over");
    }

    /// A heartbeat that comes much too late means that the process was suspended: each loop is told once. A busy machine is no
    /// suspension, and without a supervision nothing is.
    #[test]
    fn a_heartbeat_that_comes_too_late_is_a_suspension() {
        let (_, south, _) = progress();
        let north = Progress::new(Arc::new(SteppedClock::new(NOON)), south.heartbeat());
        assert!(!south.suspended(), "no supervision");
        for (at_s, expected) in [(2.0, false), (11.0, false), (25.0, true)] {
            let begin = Instant::now();
            south.heartbeat().beat_at(begin);
            south.heartbeat().beat_at(begin + Duration::from_secs_f64(at_s));
            assert_eq!(south.suspended(), expected, "after {at_s} s");
            assert_eq!((south.take_suspended(), north.take_suspended()), (expected, expected), "after {at_s} s");
            assert!(!south.take_suspended());
        }
    }
}
