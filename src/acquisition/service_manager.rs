//! Messages to the service manager: ready, reloading, stopping, a line of status, and the watchdog.
//!
//! Speaks the protocol of `sd_notify`; without a service manager nothing is sent. Invariant: the watchdog is fed only while every loop
//! makes progress, so that a hung read or transaction ends in a restart.

use super::progress::Progress;
use super::status::Status;
use sd_notify::NotifyState;
use std::time::Duration;

/// Interval of the line of status without a watchdog.
const STATUS_INTERVAL: Duration = Duration::from_secs(15);

/// A loop as the service manager is told of it.
pub struct WatchedLoop {
    /// Its status.
    pub status: Status,
    /// Its progress.
    pub progress: Progress,
}

/// The service manager, as the environment names it.
pub struct ServiceManager {
    watchdog: Option<Duration>,
    sent: String,
    /// Names of the loops that are overdue.
    overdue: Vec<String>,
}

impl ServiceManager {
    /// From `NOTIFY_SOCKET` and `WATCHDOG_USEC`; `None` without a service manager.
    pub fn from_environment() -> Option<Self> {
        std::env::var_os("NOTIFY_SOCKET")?;
        Some(Self { watchdog: sd_notify::watchdog_enabled(), sent: String::new(), overdue: Vec::new() })
    }

    /// How often [`Self::report`] is to be called: four times in the time of the watchdog.
    pub fn interval(&self) -> Duration {
        self.watchdog.map_or(STATUS_INTERVAL, |longest| (longest / 4).clamp(Duration::from_millis(50), STATUS_INTERVAL))
    }

    /// The daemon measures.
    pub fn ready(&self) {
        send(&[NotifyState::Ready]);
    }

    /// The configuration is being read again; [`Self::ready`] follows.
    pub fn reloading(&self) {
        // Newer service managers ask for the time, to tell an old message from a new one.
        let time = NotifyState::monotonic_usec_now().ok();
        send(&[Some(NotifyState::Reloading), time].into_iter().flatten().collect::<Vec<_>>());
    }

    /// The daemon ends.
    pub fn stopping(&self) {
        send(&[NotifyState::Stopping, NotifyState::Status("finishing the last readings")]);
    }

    /// Feeds the watchdog, unless a loop is overdue, and sends the line of status if it has changed.
    pub fn report(&mut self, loops: &[WatchedLoop]) {
        let late: Vec<(String, Duration)> =
            loops.iter().filter_map(|l| Some((l.status.snapshot().instrument, l.progress.overdue()?))).collect();
        for (name, by) in late.iter().filter(|(name, _)| !self.overdue.contains(name)) {
            let restart = if self.watchdog.is_some() { "; the watchdog will restart the daemon" } else { "" };
            tracing::error!(instrument = name, "no progress, {by:.0?} beyond its deadline{restart}");
        }
        self.overdue = late.into_iter().map(|(name, _)| name).collect();
        let text = status_text(loops, &self.overdue);
        let mut messages = Vec::new();
        if self.watchdog.is_some() && self.overdue.is_empty() {
            messages.push(NotifyState::Watchdog);
        }
        if text != self.sent {
            messages.push(NotifyState::Status(&text));
        }
        send(&messages);
        self.sent = text;
    }
}

fn send(messages: &[NotifyState<'_>]) {
    if !messages.is_empty()
        && let Err(why) = sd_notify::notify(messages)
    {
        tracing::debug!("the service manager could not be told: {why}");
    }
}

/// One line on all loops.
fn status_text(loops: &[WatchedLoop], overdue: &[String]) -> String {
    let of_loop = |l: &WatchedLoop| {
        let snapshot = l.status.snapshot();
        let hung = if overdue.contains(&snapshot.instrument) { " (no progress)" } else { "" };
        format!("{}{hung}", snapshot.summary())
    };
    loops.iter().map(of_loop).collect::<Vec<_>>().join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquisition::progress::Heartbeat;
    use crate::clock::{SteppedClock, UtcMicros};
    use std::sync::Arc;

    /// The line names every instrument with its last reading, or with the fault that keeps it away.
    #[test]
    fn the_status_is_one_line_on_all_instruments() {
        let watched = |name: &str| WatchedLoop {
            status: Status::new(name),
            progress: Progress::new(Arc::new(SteppedClock::new(UtcMicros(0))), &Heartbeat::default()),
        };
        let loops = [watched("south"), watched("north")];
        let noon = UtcMicros(1_782_043_200_000_000);
        loops[0].status.update(|s| {
            s.serial = Some("7".into());
            s.counts.stored = 3;
            s.last = Some((3, noon));
        });
        loops[1].status.update(|s| s.last_fault = Some((noon, "line: no such device".into())));
        assert_eq!(
            status_text(&loops, &["north".into()]),
            "south: 3 readings stored, the last of 2026-06-21T12:00:00Z; north: no instrument (line: no such device), \
             0 readings stored (no progress)"
        );
    }
}
