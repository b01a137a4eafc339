//! `vigilux run`: the daemon, until TERM or INT.

use super::Failure;
use crate::acquisition::assemble::{assemble, serial_link};
use crate::acquisition::supervision::{SupervisedLoop, supervise};
use crate::acquisition::{AcquisitionError, Observer};
use crate::clock::{Clock, CompressedClock, RealClock, Stop};
use crate::config;
use crate::processing::ProcessedReading;
use crate::record::{Frame, Reading};
use crate::system;
use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;

/// Arguments of `run`.
#[derive(Debug, clap::Args)]
pub struct RunArgs {
    /// The configuration
    #[arg(long, value_name = "FILE")]
    pub config: PathBuf,
    /// Time shared with a virtual spectrometer: `simulated_us,real_us,factor`
    #[arg(long, hide = true, value_parser = CompressedClock::parse)]
    pub compressed_clock: Option<CompressedClock>,
}

/// Returns whether the clock is known to be synchronised.
type Synchronised = fn() -> Option<bool>;

/// Prints an acknowledgement for each stored reading.
struct Acknowledge;

impl Acknowledge {
    /// One line, unbuffered: its reader may rely on the reading being stored.
    fn print(id: i64, reading: &Reading) {
        let line = format!("stored {id} {}\n", reading.time_mid);
        // A closed stdout is no reason to stop measuring.
        let mut out = std::io::stdout().lock();
        let _ = out.write_all(line.as_bytes()).and_then(|()| out.flush());
    }
}

impl Observer for Acknowledge {
    fn stored(&mut self, id: i64, processed: &ProcessedReading, _frames: &[Frame]) {
        Self::print(id, &processed.reading);
    }
    fn stored_late(&mut self, id: i64, reading: &Reading) {
        Self::print(id, reading);
    }
}

/// Runs `run`.
pub fn run(args: &RunArgs) -> Result<(), Failure> {
    system::give_memory_back();
    super::start_logging();
    let (clock, synchronised): (Arc<dyn Clock>, Synchronised) = match args.compressed_clock {
        Some(clock) => (Arc::new(clock), || Some(true)),
        None => (Arc::new(RealClock::new()), system::clock_synchronised),
    };
    let setup = config::load(&args.config, clock.now())?;
    let daemon = assemble(&setup, &clock, serial_link(&clock), synchronised).map_err(failed)?;
    tracing::info!(
        station = setup.config.station.name,
        database = %setup.config.store.path.display(),
        "vigilux {} measures",
        env!("CARGO_PKG_VERSION")
    );
    let charges = daemon
        .loops
        .iter()
        .map(|context| SupervisedLoop { context: context.clone(), observer: Box::new(Acknowledge) })
        .collect();
    let result = supervise(charges, &Stop::new());
    daemon.stopped();
    result.map_err(failed)
}

/// The error that ended the station.
fn failed(error: AcquisitionError) -> Failure {
    Failure::from_error("the station stopped", &error)
}
