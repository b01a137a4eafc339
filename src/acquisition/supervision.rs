//! Runs the loops: one blocking thread an instrument, signals on a small runtime of their own.
//!
//! TERM or INT requests a stop of every loop, which takes at most a few seconds even inside a long exposure; a second one ends
//! the process at once. USR1 logs a snapshot of every loop; HUP is logged and ignored. A loop that ends in an error is started again with back-off; a panic
//! ends the process, since a half-dead daemon is worse than a restart.

use super::AcquisitionError;
use super::acquisition_loop::{AcquisitionLoop, Interrupted};
use super::context::{LoopContext, Observer};
use super::status::Status;
use crate::clock::{Stop, Wake};
use crate::instrument::Backoff;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc;

/// A loop to keep running.
pub struct SupervisedLoop {
    /// What the loop works with, at every start.
    pub context: LoopContext,
    /// Is told of every stored reading and event.
    pub observer: Box<dyn Observer>,
}

/// Runs all loops until a signal or `stop`. Returns when every loop has ended.
pub fn supervise(loops: Vec<SupervisedLoop>, stop: &Stop) -> Result<(), AcquisitionError> {
    let mut statuses = Vec::new();
    let mut threads = Vec::new();
    // Each loop holds a sender: the channel closes when the last loop has ended, and nothing has to be polled.
    let (running, ended) = mpsc::channel(1);
    for supervised in loops {
        let name = format!("acq-{}", supervised.context.instrument.name);
        statuses.push(supervised.context.status.clone());
        let (stop, running) = (stop.clone(), running.clone());
        let thread = std::thread::Builder::new()
            .name(name)
            .spawn(move || {
                let result = keep_running(supervised, &stop);
                drop(running);
                result
            })
            .map_err(AcquisitionError::Thread)?;
        threads.push(thread);
    }
    drop(running);
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_io().build().map_err(AcquisitionError::Runtime)?;
    runtime.block_on(handle_signals(ended, &statuses, stop))?;
    let mut first = Ok(());
    for thread in threads {
        if let Ok(Err(error)) = thread.join() {
            first = first.and(Err(error));
        }
    }
    first
}

/// Waits for signals and for the end of the loops.
async fn handle_signals(
    mut ended: mpsc::Receiver<()>,
    statuses: &[Status],
    stop: &Stop,
) -> Result<(), AcquisitionError> {
    let mut term = signal(SignalKind::terminate()).map_err(AcquisitionError::Runtime)?;
    let mut int = signal(SignalKind::interrupt()).map_err(AcquisitionError::Runtime)?;
    let mut usr1 = signal(SignalKind::user_defined1()).map_err(AcquisitionError::Runtime)?;
    let mut hup = signal(SignalKind::hangup()).map_err(AcquisitionError::Runtime)?;
    loop {
        let stop_requested = tokio::select! {
            _ = term.recv() => true,
            _ = int.recv() => true,
            _ = usr1.recv() => {
                statuses.iter().for_each(|s| tracing::info!("{}", s.snapshot()));
                false
            }
            _ = hup.recv() => {
                tracing::warn!("HUP is ignored: a changed configuration needs a restart");
                false
            }
            // Nothing is ever sent: this says that every sender is gone.
            _ = ended.recv() => return Ok(()),
        };
        if stop_requested {
            if stop.requested() {
                tracing::warn!("asked to stop a second time: leaving at once");
                std::process::exit(1);
            }
            tracing::info!("asked to stop: finishing");
            stop.request();
        }
    }
}

/// One loop until `stop`, started again after an error.
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
        tracing::error!(instrument = context.instrument.name, "{error}; starting again in {wait:?}");
        context.status.update(|s| s.activity = "waiting to start again");
        if context.clock.pause(wait, stop) == Wake::Stopped {
            return Ok(());
        }
    }
}

/// One loop from its start to its end. What an interrupted loop before it left open is recorded first.
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
