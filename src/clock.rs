//! Time: one type for instants and one trait for clocks, so that a test can simulate months within a second.
//!
//! Only [`RealClock`] and [`CompressedClock`] read the wall clock.
//!
//! Invariants:
//! - Every wait of the program goes through [`Clock`].
//! - Every wait ends soon after its [`Stop`] is requested.

mod instant;

pub use instant::{UtcMicros, parse_date, time_zone, zone_name};
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// Longest interval between two checks of the stop flag during a wait for something other than time.
pub const STOP_SLICE: Duration = Duration::from_millis(250);
/// Longest sleep before the wall clock is read again, because it may be set meanwhile.
const WALL_SLICE: Duration = Duration::from_secs(1);

/// A request to stop, shared by all waits.
///
/// A condition variable ends waits for time at once, so that an idle daemon does not poll.
#[derive(Clone, Debug, Default)]
pub struct Stop(Arc<StopInner>);

#[derive(Debug, Default)]
struct StopInner {
    raised: AtomicBool,
    /// Held while the flag is raised, and from the last check of the flag to the beginning of a wait, so that no wake-up is lost.
    waiting: Mutex<()>,
    raising: Condvar,
}

impl Stop {
    /// A flag that is not raised.
    pub fn new() -> Self {
        Self::default()
    }
    /// Raises the flag; it is never lowered.
    pub fn request(&self) {
        let _held = self.0.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        self.0.raised.store(true, Ordering::SeqCst);
        self.0.raising.notify_all();
    }
    /// Whether the flag is raised.
    pub fn requested(&self) -> bool {
        self.0.raised.load(Ordering::SeqCst)
    }
    /// Sleeps for a duration in real time, or until the flag is raised; may return early.
    fn wait(&self, span: Duration) {
        let held = self.0.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        if !self.requested() {
            drop(self.0.raising.wait_timeout(held, span));
        }
    }
}

/// How a wait ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wake {
    /// The instant was reached.
    Reached,
    /// The stop flag was raised first.
    Stopped,
}

/// The latest end of an exchange, on the monotonic scale of its clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Deadline(pub Duration);

/// A source of time.
///
/// `now` returns *simulated* time. Integration and transfer take simulated time; input/output margins take real time. The
/// two differ only under [`CompressedClock`].
pub trait Clock: Send + Sync {
    /// The current (simulated) instant.
    fn now(&self) -> UtcMicros;
    /// Time since a fixed instant, never decreasing; real time, except under [`SteppedClock`].
    fn monotonic(&self) -> Duration;
    /// The length of a simulated duration on the monotonic scale.
    fn real_for(&self, simulated: Duration) -> Duration;
    /// Sleeps until the simulated instant `t`, or until `stop` is raised.
    fn sleep_until(&self, t: UtcMicros, stop: &Stop) -> Wake;
    /// Sleeps for a duration on the monotonic scale (back-off, margins), or until `stop` is raised.
    fn pause(&self, span: Duration, stop: &Stop) -> Wake;

    /// The deadline of an exchange that may take `simulated` (integration and transfer) plus a real `margin`.
    fn deadline(&self, simulated: Duration, margin: Duration) -> Deadline {
        Deadline(self.monotonic() + self.real_for(simulated) + margin)
    }
    /// Time remaining until `deadline`; zero after it.
    fn left(&self, deadline: Deadline) -> Duration {
        deadline.0.saturating_sub(self.monotonic())
    }
}

fn wall_clock() -> UtcMicros {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    UtcMicros(since.as_micros().min(i64::MAX as u128) as i64)
}

fn pause_for(span: Duration, stop: &Stop) -> Wake {
    let end = Instant::now() + span;
    loop {
        if stop.requested() {
            return Wake::Stopped;
        }
        let left = end.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return Wake::Reached;
        }
        stop.wait(left);
    }
}

/// The machine's own clock.
#[derive(Debug)]
pub struct RealClock {
    started: Instant,
}

impl RealClock {
    /// Starts the monotonic scale now.
    #[expect(clippy::new_without_default, reason = "a clock that starts is not a default value")]
    pub fn new() -> Self {
        Self { started: Instant::now() }
    }
}

impl Clock for RealClock {
    fn now(&self) -> UtcMicros {
        wall_clock()
    }
    fn monotonic(&self) -> Duration {
        self.started.elapsed()
    }
    fn real_for(&self, simulated: Duration) -> Duration {
        simulated
    }
    fn sleep_until(&self, t: UtcMicros, stop: &Stop) -> Wake {
        // The wall clock may be set during the sleep, so the remaining time is computed again after every slice.
        loop {
            if stop.requested() {
                return Wake::Stopped;
            }
            let left = t.0 - self.now().0;
            if left <= 0 {
                return Wake::Reached;
            }
            stop.wait(Duration::from_micros(left as u64).min(WALL_SLICE));
        }
    }
    fn pause(&self, span: Duration, stop: &Stop) -> Wake {
        pause_for(span, stop)
    }
}

/// A clock that runs `factor` times faster than the machine's; the shared origin makes two processes agree.
#[derive(Debug, Clone, Copy)]
pub struct CompressedClock {
    /// Simulated instant at the origin.
    pub simulated_origin: UtcMicros,
    /// The machine's wall clock at the origin.
    pub real_origin: UtcMicros,
    /// Simulated seconds per real second; greater than zero.
    pub factor: f64,
    started: Instant,
}

impl CompressedClock {
    /// A clock that shows `simulated_origin` when the wall clock shows `real_origin`.
    pub fn new(simulated_origin: UtcMicros, real_origin: UtcMicros, factor: f64) -> Self {
        Self { simulated_origin, real_origin, factor, started: Instant::now() }
    }

    /// A clock that shows `simulated_origin` now.
    pub fn starting_now(simulated_origin: UtcMicros, factor: f64) -> Self {
        Self::new(simulated_origin, wall_clock(), factor)
    }

    /// Reads `simulated_us,real_us,factor`, the format of the hidden argument `--compressed-clock`.
    pub fn parse(text: &str) -> Result<Self, String> {
        let want =
            || format!("expected `simulated_us,real_us,factor` with a positive finite factor, but found `{text}`");
        let parts: Vec<&str> = text.split(',').collect();
        let [a, b, c] = parts[..] else { return Err(want()) };
        let (Ok(a), Ok(b), Ok(factor)) = (a.parse(), b.parse(), c.parse::<f64>()) else { return Err(want()) };
        if !(factor > 0.0 && factor.is_finite()) {
            return Err(want());
        }
        Ok(Self::new(UtcMicros(a), UtcMicros(b), factor))
    }

    /// The argument for another process with the same clock.
    pub fn argument(&self) -> String {
        format!("{},{},{}", self.simulated_origin.0, self.real_origin.0, self.factor)
    }
}

impl Clock for CompressedClock {
    fn now(&self) -> UtcMicros {
        let real = (wall_clock().0 - self.real_origin.0) as f64;
        UtcMicros(self.simulated_origin.0 + (real * self.factor).round() as i64)
    }
    fn monotonic(&self) -> Duration {
        self.started.elapsed()
    }
    fn real_for(&self, simulated: Duration) -> Duration {
        simulated.div_f64(self.factor)
    }
    fn sleep_until(&self, t: UtcMicros, stop: &Stop) -> Wake {
        loop {
            if stop.requested() {
                return Wake::Stopped;
            }
            let left = (t.0 - self.now().0) as f64 / self.factor;
            if left <= 0.0 {
                return Wake::Reached;
            }
            stop.wait(Duration::from_micros(left.ceil() as u64).min(WALL_SLICE));
        }
    }
    fn pause(&self, span: Duration, stop: &Stop) -> Wake {
        pause_for(span, stop)
    }
}

/// A clock that advances only by waits and without delay, for tests that simulate months.
#[derive(Debug)]
pub struct SteppedClock {
    origin: i64,
    now: AtomicI64,
}

impl SteppedClock {
    /// A clock that shows `start`.
    pub fn new(start: UtcMicros) -> Self {
        Self { origin: start.0, now: AtomicI64::new(start.0) }
    }
    /// Advances to `t`; no effect if `t` is in the past.
    pub fn advance_to(&self, t: UtcMicros) {
        self.now.fetch_max(t.0, Ordering::SeqCst);
    }
    /// The instant of a deadline.
    pub fn instant(&self, deadline: Deadline) -> UtcMicros {
        UtcMicros(self.origin) + deadline.0
    }
}

impl Clock for SteppedClock {
    fn now(&self) -> UtcMicros {
        UtcMicros(self.now.load(Ordering::SeqCst))
    }
    fn monotonic(&self) -> Duration {
        Duration::from_micros((self.now.load(Ordering::SeqCst) - self.origin).max(0) as u64)
    }
    fn real_for(&self, simulated: Duration) -> Duration {
        simulated
    }
    fn sleep_until(&self, t: UtcMicros, stop: &Stop) -> Wake {
        if stop.requested() {
            return Wake::Stopped;
        }
        self.advance_to(t);
        Wake::Reached
    }
    fn pause(&self, span: Duration, stop: &Stop) -> Wake {
        self.sleep_until(self.now() + span, stop)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A wait advances a stepped clock to its end; the clock never goes back.
    #[test]
    fn a_wait_advances_a_stepped_clock_and_never_sets_it_back() {
        let clock = SteppedClock::new(UtcMicros(1_000_000));
        assert_eq!(clock.sleep_until(UtcMicros(5_000_000), &Stop::new()), Wake::Reached);
        clock.advance_to(UtcMicros(2_000_000));
        assert_eq!(clock.now(), UtcMicros(5_000_000));
        assert_eq!(clock.instant(clock.deadline(Duration::from_secs(1), Duration::from_secs(2))), UtcMicros(8_000_000));
    }

    /// Raising the flag ends the waits of both sleeping clocks early; with the flag raised no wait begins.
    #[test]
    fn a_stop_ends_a_wait_before_its_time() {
        let compressed = CompressedClock::starting_now(UtcMicros(0), 2.0);
        let clocks: [&dyn Clock; 2] = [&RealClock::new(), &compressed];
        let hour = Duration::from_secs(3600);
        for clock in clocks {
            let (stop, started) = (Stop::new(), Instant::now());
            std::thread::scope(|threads| {
                let (until, stop) = (clock.now() + 2 * hour, &stop);
                let waits = [
                    threads.spawn(move || clock.sleep_until(until, stop)),
                    threads.spawn(move || clock.pause(hour, stop)),
                ];
                std::thread::sleep(Duration::from_millis(20));
                stop.request();
                for wait in waits {
                    assert_eq!(wait.join().unwrap(), Wake::Stopped);
                }
            });
            assert_eq!(clock.pause(hour, &stop), Wake::Stopped);
            assert!(started.elapsed() < Duration::from_secs(60), "{:?}", started.elapsed());
        }
    }

    /// Identity: the hidden argument reads back to the same clock; malformed text is refused with the expected format.
    #[test]
    fn a_compressed_clock_survives_its_argument() {
        let clock = CompressedClock::new(UtcMicros(7), UtcMicros(9), 960.0);
        let again = CompressedClock::parse(&clock.argument()).unwrap();
        assert_eq!((again.simulated_origin, again.real_origin, again.factor), (UtcMicros(7), UtcMicros(9), 960.0));
        for bad in ["", "1,2", "1,2,0", "1,2,-3", "1,2,NaN", "1,2,inf", "a,2,3"] {
            assert!(CompressedClock::parse(bad).unwrap_err().contains("expected `simulated_us"));
        }
    }
}
