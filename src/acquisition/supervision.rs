//! Runs the loops: one blocking thread per instrument, and a runtime for signals.
//!
//! TERM or INT requests a stop of all loops, which takes a few seconds at most, also during a long exposure; a second signal ends
//! the process at once. USR1 logs the status of all loops; HUP is logged and ignored. A loop that ends in an error is restarted
//! with back-off. A panic ends the process, so that the service manager restarts it completely.

use super::AcquisitionError;
use super::acquisition_loop::{AcquisitionLoop, Interrupted};
use super::context::{LoopContext, Observer};
use super::status::Status;
use crate::clock::{Stop, Wake};
use crate::instrument::Backoff;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc;

/// A supervised loop.
pub struct SupervisedLoop {
    /// The context of the loop, at every start.
    pub context: LoopContext,
    /// Receives all stored readings and events.
    pub observer: Box<dyn Observer>,
}

/// Runs all loops until a signal or `stop`. Returns when every loop has ended.
pub fn supervise(loops: Vec<SupervisedLoop>, stop: &Stop) -> Result<(), AcquisitionError> {
    let mut statuses = Vec::new();
    let mut threads = Vec::new();
    // Each loop has a sender: the channel closes when the last loop has ended.
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
            // Nothing is sent: `recv` returns when all senders are dropped.
            _ = ended.recv() => return Ok(()),
        };
        if stop_requested {
            if stop.requested() {
                tracing::warn!("second stop request: exiting at once");
                std::process::exit(1);
            }
            tracing::info!("stop requested: finishing");
            stop.request();
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
