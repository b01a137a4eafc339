//! `vigilux run`: the daemon.

use super::Failure;
use crate::acquisition::assemble::{assemble, serial_link};
use crate::acquisition::supervision::{Charge, supervise};
use crate::acquisition::{Observer, StationError};
use crate::clock::{Clock, CompressedClock, RealClock, Stop};
use crate::config;
use crate::processing::ProcessedReading;
use crate::record::{Frame, Reading};
use crate::system;
use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;

/// Arguments of `vigilux run`.
#[derive(Debug, clap::Args)]
pub struct RunArgs {
    /// The configuration
    #[arg(long, value_name = "FILE")]
    pub config: PathBuf,
    /// Time shared with a virtual spectrometer: `simulated_us,real_us,factor`
    #[arg(long, hide = true, value_parser = CompressedClock::parse)]
    pub compressed_clock: Option<CompressedClock>,
}

/// Asks whether the clock is known to be synchronised.
type Synchronised = fn() -> Option<bool>;

/// How often idle memory is let go of [µs].
const THREE_HOURS_US: i64 = 3 * 3_600_000_000;

/// What the program does with a stored reading: it says so, and tidies up now and then.
#[derive(Default)]
struct Onlooker {
    /// Which three hours since 1970 the newest reading is in.
    hours: Option<i64>,
}

impl Onlooker {
    /// Prints the acknowledgement, unbuffered: whoever reads it may rely on the reading being kept.
    fn acknowledge(id: i64, reading: &Reading) {
        let line = format!("stored {id} {}\n", reading.time_mid);
        // Nobody listening is no reason to stop measuring.
        let mut out = std::io::stdout().lock();
        let _ = out.write_all(line.as_bytes()).and_then(|()| out.flush());
    }

    /// Lets go of idle memory with the first reading of every three hours: what is in use comes back in the readings after it,
    /// each page by a fault.
    fn tidy(&mut self, reading: &Reading) {
        let hours = Some(reading.time_mid.0.div_euclid(THREE_HOURS_US));
        if std::mem::replace(&mut self.hours, hours) != hours {
            system::let_go_of_idle_memory();
        }
    }
}

impl Observer for Onlooker {
    fn stored(&mut self, id: i64, processed: &ProcessedReading, _frames: &[Frame]) {
        Self::acknowledge(id, &processed.reading);
        self.tidy(&processed.reading);
    }
    fn stored_late(&mut self, id: i64, reading: &Reading) {
        Self::acknowledge(id, reading);
        self.tidy(reading);
    }
}

/// Runs until TERM or INT.
pub fn run(args: &RunArgs) -> Result<(), Failure> {
    system::give_memory_back();
    super::start_logging();
    let (clock, synchronised): (Arc<dyn Clock>, Synchronised) = match args.compressed_clock {
        Some(clock) => (Arc::new(clock), || Some(true)),
        None => (Arc::new(RealClock::new()), system::clock_synchronised),
    };
    let setup = config::load(&args.config, clock.now())?;
    let station = assemble(&setup, &clock, serial_link(&clock), synchronised).map_err(failed)?;
    tracing::info!(
        station = setup.config.station.name,
        database = %setup.config.store.path.display(),
        "vigilux {} measures",
        env!("CARGO_PKG_VERSION")
    );
    let charges = station
        .roads
        .iter()
        .map(|parts| Charge { parts: parts.clone(), observer: Box::<Onlooker>::default() })
        .collect();
    let result = supervise(charges, &Stop::new());
    station.stopped();
    result.map_err(failed)
}

/// Words of what ended the station, a second daemon on the same database included.
fn failed(error: StationError) -> Failure {
    Failure::from_error("the station stopped", &error)
}
