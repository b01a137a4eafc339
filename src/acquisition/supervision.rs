//! Runs the loops: one blocking thread per instrument, and a runtime for signals.
//!
//! TERM or INT requests a stop of all loops, which takes a few seconds at most, also during a long exposure; a second signal ends
//! the process at once. USR1 logs the status of all loops; HUP reads the configuration again. A loop that ends in an error is restarted
//! with back-off. A panic ends the process, and a loop that makes no progress is reported to the service manager, which restarts the
//! process completely.

use super::AcquisitionError;
use super::acquisition_loop::{AcquisitionLoop, Interrupted};
use super::context::{LoopContext, Observer};
use super::progress::BEAT;
use super::reload::Reloader;
use super::service_manager::{ServiceManager, WatchedLoop};
use crate::clock::{Stop, Wake};
use crate::instrument::Backoff;
use std::time::Duration;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc;
use tokio::time::MissedTickBehavior;

/// Interval of a timer that is not used.
const IDLE: Duration = Duration::from_secs(3600);

/// A supervised loop.
pub struct SupervisedLoop {
    /// The context of the loop, at every start.
    pub context: LoopContext,
    /// Receives all stored readings and events.
    pub observer: Box<dyn Observer>,
}

/// Runs all loops until a signal or `stop`. Returns when every loop has ended. Without a `reloader` HUP is logged and ignored.
pub fn supervise(loops: Vec<SupervisedLoop>, stop: &Stop, reloader: Option<Reloader>) -> Result<(), AcquisitionError> {
    let mut watched = Vec::new();
    let mut threads = Vec::new();
    // Each loop has a sender: the channel closes when the last loop has ended.
    let (running, ended) = mpsc::channel(1);
    for supervised in loops {
        let name = format!("acq-{}", supervised.context.instrument.name);
        let progress = supervised.context.progress.clone();
        watched.push(WatchedLoop { status: supervised.context.status.clone(), progress: progress.clone() });
        let (stop, running) = (stop.clone(), running.clone());
        let thread = std::thread::Builder::new()
            .name(name)
            .spawn(move || {
                let result = keep_running(supervised, &stop);
                progress.ended();
                drop(running);
                result
            })
            .map_err(AcquisitionError::Thread)?;
        threads.push(thread);
    }
    drop(running);
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(AcquisitionError::Runtime)?;
    let supervision = Supervision { watched, reloader, manager: ServiceManager::from_environment() };
    runtime.block_on(supervision.handle_signals(ended, stop))?;
    let mut first = Ok(());
    for thread in threads {
        if let Ok(Err(error)) = thread.join() {
            first = first.and(Err(error));
        }
    }
    first
}

/// What the main thread works with while the loops run.
struct Supervision {
    watched: Vec<WatchedLoop>,
    reloader: Option<Reloader>,
    manager: Option<ServiceManager>,
}

impl Supervision {
    /// Waits for signals and for the end of the loops, and reports to the service manager meanwhile.
    async fn handle_signals(mut self, mut ended: mpsc::Receiver<()>, stop: &Stop) -> Result<(), AcquisitionError> {
        let listen = |kind| signal(kind).map_err(AcquisitionError::Runtime);
        let (mut term, mut int) = (listen(SignalKind::terminate())?, listen(SignalKind::interrupt())?);
        let (mut usr1, mut hup) = (listen(SignalKind::user_defined1())?, listen(SignalKind::hangup())?);
        if let Some(manager) = &self.manager {
            manager.ready();
        }
        let mut reports = tokio::time::interval(self.manager.as_ref().map_or(IDLE, ServiceManager::interval));
        // After a suspension one report is enough, and one beat.
        let mut beats = tokio::time::interval(BEAT);
        beats.set_missed_tick_behavior(MissedTickBehavior::Delay);
        reports.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                _ = term.recv() => self.request_stop(stop),
                _ = int.recv() => self.request_stop(stop),
                _ = usr1.recv() => self.watched.iter().for_each(|l| tracing::info!("{}", l.status.snapshot())),
                _ = hup.recv() => self.reload(),
                _ = beats.tick() => self.watched.iter().take(1).for_each(|l| l.progress.heartbeat().beat()),
                _ = reports.tick(), if self.manager.is_some() => {
                    if let Some(manager) = &mut self.manager {
                        manager.report(&self.watched);
                    }
                }
                // Nothing is sent: `recv` returns when all senders are dropped.
                _ = ended.recv() => return Ok(()),
            }
        }
    }

    fn request_stop(&self, stop: &Stop) {
        if stop.requested() {
            tracing::warn!("second stop request: exiting at once");
            std::process::exit(1);
        }
        tracing::info!("stop requested: finishing");
        if let Some(manager) = &self.manager {
            manager.stopping();
        }
        stop.request();
    }

    fn reload(&mut self) {
        let Some(reloader) = &mut self.reloader else {
            tracing::warn!("HUP is ignored here");
            return;
        };
        if let Some(manager) = &self.manager {
            manager.reloading();
        }
        reloader.reload();
        if let Some(manager) = &self.manager {
            manager.ready();
        }
    }
}

/// Runs one loop until `stop`, and restarts it after an error.
pub fn keep_running(mut supervised: SupervisedLoop, stop: &Stop) -> Result<(), AcquisitionError> {
    let mut backoff = Backoff::default();
    let mut interrupted = None;
    loop {
        let error = match run_once(&supervised.context, &mut *supervised.observer, stop, &mut interrupted) {
            Ok(()) => return Ok(()),
            Err(error) if stop.requested() => return Err(error),
            Err(error) => error,
        };
        let context = &supervised.context;
        let wait = backoff.after_failure();
        tracing::error!(instrument = context.instrument.name, "{error}; restarting in {wait:?}");
        context.status.update(|s| s.activity = "waiting to restart");
        if context.clock.pause(wait, stop) == Wake::Stopped {
            return Ok(());
        }
    }
}

/// Runs one loop to its end, after recording the ticks missed since an interrupted predecessor.
fn run_once(
    context: &LoopContext,
    observer: &mut dyn Observer,
    stop: &Stop,
    interrupted: &mut Option<Interrupted>,
) -> Result<(), AcquisitionError> {
    let mut acquisition = AcquisitionLoop::new(context, stop.clone());
    if let Some(before) = interrupted.as_ref() {
        acquisition.resume_after(before, observer)?;
        *interrupted = None;
    }
    acquisition.run(observer, None).inspect_err(|error| *interrupted = Some(acquisition.interrupted(error)))
}
