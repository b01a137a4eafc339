//! `vigilux run`: the daemon, until TERM or INT.

use super::Failure;
use super::configuration::ConfigArg;
use super::line_writer::{LineSender, LineWriter};
use super::log::Log;
use crate::acquisition::assemble::{assemble, serial_link};
use crate::acquisition::fault_log::FaultLog;
use crate::acquisition::reload::Reloader;
use crate::acquisition::status_socket::{self, StatusSocket};
use crate::acquisition::supervision::{SupervisedLoop, supervise};
use crate::acquisition::{AcquisitionError, LoopContext, Observer, Status};
use crate::clock::{Clock, CompressedClock, RealClock, Stop};
use crate::config;
use crate::processing::ProcessedReading;
use crate::record::{Frame, Reading};
use crate::system;
use std::sync::Arc;

/// Arguments of `run`.
#[derive(Debug, clap::Args)]
pub struct RunArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// Time shared with a virtual spectrometer: `simulated_us,real_us,factor`
    #[arg(long, hide = true, value_parser = CompressedClock::parse)]
    pub compressed_clock: Option<CompressedClock>,
}

/// Returns whether the clock is known to be synchronised.
type Synchronised = fn() -> Option<bool>;

/// Prints an acknowledgement for each stored reading, and logs how many were dropped because nobody read them.
struct Acknowledge {
    lines: LineSender,
    instrument: String,
    status: Status,
    dropped: FaultLog,
    clock: Arc<dyn Clock>,
}

impl Acknowledge {
    /// One line at once: its reader may rely on the reading being stored.
    fn print(&mut self, id: i64, reading: &Reading) {
        let now = self.clock.now();
        if !self.lines.send(format!("stored {id} {}\n", reading.time_mid).into_bytes()) {
            self.status.update(|s| s.unread_acknowledgements += 1);
            let text = "standard output is not read: acknowledgements are dropped; readings are stored all the same";
            let line = self.dropped.occurred("dropped_acknowledgements", text, false, now);
            line.inspect(|l| l.log(&self.instrument));
        }
        self.dropped.due(now).iter().for_each(|line| line.log(&self.instrument));
    }
}

impl Observer for Acknowledge {
    fn stored(&mut self, id: i64, processed: &ProcessedReading, _frames: &[Frame]) {
        self.print(id, &processed.reading);
    }
    fn stored_late(&mut self, id: i64, reading: &Reading) {
        self.print(id, reading);
    }
}

/// Runs `run`.
pub fn run(args: &RunArgs) -> Result<(), Failure> {
    system::give_memory_back();
    let _log = Log::start()?;
    let (clock, synchronised): (Arc<dyn Clock>, Synchronised) = match args.compressed_clock {
        Some(clock) => (Arc::new(clock), || Some(true)),
        None => (Arc::new(RealClock::new()), system::clock_synchronised),
    };
    let path = args.config.path()?;
    let setup = config::load(&path, clock.now())?;
    let daemon = assemble(&setup, &clock, serial_link(&clock), synchronised).map_err(failed)?;
    tracing::info!(
        station = setup.config.station.name,
        database = %setup.config.store.path.display(),
        "vigilux {} measures",
        env!("CARGO_PKG_VERSION")
    );
    let output = LineWriter::new(std::io::stdout()).map_err(|e| Failure::from_error("standard output", &e))?;
    let acknowledge = |context: &LoopContext| Acknowledge {
        lines: output.sender(),
        instrument: context.instrument.name.clone(),
        status: context.status.clone(),
        dropped: FaultLog::default(),
        clock: Arc::clone(&clock),
    };
    let loops = daemon
        .loops
        .iter()
        .map(|context| SupervisedLoop { context: context.clone(), observer: Box::new(acknowledge(context)) })
        .collect();
    let statuses = daemon.loops.iter().map(|context| context.status.clone()).collect();
    let database = &setup.config.store.path;
    let socket = StatusSocket::listen(database, &setup.config.station.name, statuses, Arc::clone(&clock));
    // Measuring goes on without it; `vigilux status` then says that the daemon does not run.
    let _socket = socket
        .inspect_err(|e| tracing::warn!("no status socket {}: {e}", status_socket::path_of(database).display()))
        .ok();
    let reloader = Reloader::new(&path, &setup, &daemon, Arc::clone(&clock));
    let result = supervise(loops, &Stop::new(), Some(reloader));
    daemon.stopped();
    result.map_err(failed)
}

/// The error that ended the station.
fn failed(error: AcquisitionError) -> Failure {
    Failure::from_error("the station stopped", &error)
}
