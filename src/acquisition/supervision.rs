//! Keeps the roads running: one blocking thread an instrument, signals on a small runtime of their own.
//!
//! TERM or INT asks every road to stop, which takes at most a few seconds even inside a long exposure; a second one leaves at
//! once. USR1 logs a snapshot of every road. A road that ends in an error is started again with back-off; a panic ends
//! the process, since a half-dead daemon is worse than a restart.

use super::StationError;
use super::acquisition_loop::{AcquisitionLoop, Interrupted};
use super::context::{LoopContext, Observer};
use super::status::Status;
use crate::clock::{Stop, Wake};
use crate::instrument::Backoff;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc;

/// One road to keep running: what it is made of, and whom it tells.
pub struct Charge {
    /// Makes the road afresh for every start.
    pub parts: LoopContext,
    /// Told of every stored reading and event.
    pub observer: Box<dyn Observer>,
}

/// Runs all roads until a signal or `stop`. Returns when every road has ended.
pub fn supervise(charges: Vec<Charge>, stop: &Stop) -> Result<(), StationError> {
    let mut statuses = Vec::new();
    let mut threads = Vec::new();
    // Each road holds a sender: the channel closes, and nothing has to be looked at now and then, when the last road has ended.
    let (running, ended) = mpsc::channel(1);
    for charge in charges {
        let status = charge.parts.status.clone();
        let name = format!("acq-{}", charge.parts.instrument.name);
        statuses.push(status.clone());
        let (stop, running) = (stop.clone(), running.clone());
        let thread = std::thread::Builder::new()
            .name(name)
            .spawn(move || {
                let result = keep_running(charge, &stop);
                drop(running);
                result
            })
            .map_err(StationError::Thread)?;
        threads.push(thread);
    }
    drop(running);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_io().build().map_err(StationError::Runtime)?;
    runtime.block_on(watch(ended, &statuses, stop))?;
    let mut first = Ok(());
    for thread in threads {
        if let Ok(Err(error)) = thread.join() {
            first = first.and(Err(error));
        }
    }
    first
}

/// Waits for signals and for the end of the roads.
async fn watch(mut ended: mpsc::Receiver<()>, statuses: &[Status], stop: &Stop) -> Result<(), StationError> {
    let mut term = signal(SignalKind::terminate()).map_err(StationError::Runtime)?;
    let mut int = signal(SignalKind::interrupt()).map_err(StationError::Runtime)?;
    let mut usr1 = signal(SignalKind::user_defined1()).map_err(StationError::Runtime)?;
    loop {
        let asked = tokio::select! {
            _ = term.recv() => true,
            _ = int.recv() => true,
            _ = usr1.recv() => {
                statuses.iter().for_each(|s| tracing::info!("{}", s.snapshot()));
                false
            }
            // Nothing is ever sent: this says that every sender is gone.
            _ = ended.recv() => return Ok(()),
        };
        if asked {
            if stop.requested() {
                tracing::warn!("asked to stop a second time: leaving at once");
                std::process::exit(1);
            }
            tracing::info!("asked to stop: finishing");
            stop.request();
        }
    }
}

/// One road from its start to its end. Where the one before it broke off is first put on record, and kept until that is done.
fn run_once(
    parts: &LoopContext,
    observer: &mut dyn Observer,
    stop: &Stop,
    interrupted: &mut Option<Interrupted>,
) -> Result<(), StationError> {
    let mut road = AcquisitionLoop::new(parts, stop.clone())?;
    if let Some(before) = interrupted.as_ref() {
        road.resume_after(before, observer)?;
        *interrupted = None;
    }
    road.run(observer, None).inspect_err(|error| *interrupted = Some(road.interrupted(error)))
}

/// One road until `stop`, started again after an error.
pub fn keep_running(mut charge: Charge, stop: &Stop) -> Result<(), StationError> {
    let mut backoff = Backoff::default();
    let mut interrupted = None;
    loop {
        let error = match run_once(&charge.parts, &mut *charge.observer, stop, &mut interrupted) {
            Ok(()) => return Ok(()),
            Err(error) if stop.requested() => return Err(error),
            Err(error) => error,
        };
        let wait = backoff.after_failure();
        tracing::error!(instrument = charge.parts.instrument.name, "{error}; starting again in {wait:?}");
        charge.parts.status.update(|s| s.doing = "waiting to start again");
        if charge.parts.clock.pause(wait, stop) == Wake::Stopped {
            return Ok(());
        }
    }
}
