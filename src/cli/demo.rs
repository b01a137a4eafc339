//! `vigilux demo`: a day on an invented roof in about a minute and a half.
//!
//! A virtual spectrometer runs in another process on a pseudo-terminal; the real daemon reads it over that line in compressed time.
//! On the daemon's side only the clock is simulated.

mod site;
mod summary;
mod view;

use super::Failure;
use crate::acquisition::Observer;
use crate::acquisition::assemble::{assemble, serial_link};
use crate::acquisition::supervision::{SupervisedLoop, supervise};
use crate::clock::{Clock, CompressedClock, Stop, UtcMicros};
use crate::config;
use crate::processing::ProcessedReading;
use crate::quantities::{Group, SourceRule};
use crate::record::{Event, Frame};
use crate::simulator::comparison::Comparison;
use crate::simulator::truth::TruthTail;
use crate::system;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use summary::Tally;
use view::View;

/// Arguments of `vigilux demo`.
#[derive(Debug, clap::Args)]
pub struct DemoArgs {
    /// Folder for the database and all other files [default: a new `vigilux-demo` in the current folder]
    #[arg(long, value_name = "DIR")]
    pub dir: Option<PathBuf>,
    /// Cloud cover
    #[arg(long, value_enum, default_value = "broken")]
    pub sky: crate::simulator::scenes::SkyKind,
    /// Seed of weather and noise
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Duration of the demo [s]
    #[arg(long, value_name = "SECONDS", default_value_t = 90.0)]
    pub seconds: f64,
}

/// The process of the virtual spectrometer; ends with the demo.
struct Spectrometer(Child);

impl Drop for Spectrometer {
    fn drop(&mut self) {
        // TERM lets it flush its truth; a process that has ended is no error.
        system::terminate(&self.0);
        let _ = self.0.wait();
    }
}

/// Runs the demo.
pub fn run(args: &DemoArgs) -> Result<(), Failure> {
    if !(args.seconds >= 20.0 && args.seconds <= 86_400.0) {
        return Err(Failure::Usage(format!("--seconds: expected 20 to 86400, but found {}", args.seconds)));
    }
    let dir = folder(args.dir.as_deref())?;
    let site = site::write(&dir, args).map_err(|e| Failure::from_error(&format!("{}", dir.display()), &e))?;
    let factor = site.length_s() / args.seconds;
    let clock = CompressedClock::starting_now(site.begin, factor);
    let spectrometer = start(&dir, &clock)?;
    let clock: Arc<dyn Clock> = Arc::new(clock);
    let setup = config::load(&site.config, clock.now())?;
    let daemon = assemble(&setup, &clock, serial_link(&clock), || Some(true))
        .map_err(|e| Failure::from_error("the demo's station", &e))?;
    let stop = Stop::new();
    let view = View::new(&site, args.seconds, setup.config.station.time_zone.clone());
    view.opening(&dir)?;
    let tally = Arc::new(Mutex::new(Tally::default()));
    let truth = TruthTail::open(&dir.join(site::TRUTH)).map_err(|e| Failure::from_error("the truth", &e))?;
    let observer = DemoObserver {
        view,
        tally: Arc::clone(&tally),
        truth,
        comparison: Comparison::new(SourceRule::Sun),
        stop: stop.clone(),
        end: site.end,
    };
    // The demo's configuration names one instrument.
    let observer: Box<dyn Observer> = Box::new(observer);
    let charges = daemon
        .loops
        .iter()
        .cloned()
        .zip([observer])
        .map(|(context, observer)| SupervisedLoop { context, observer })
        .collect();
    let result = supervise(charges, &stop, None);
    daemon.stopped();
    drop(spectrometer);
    result.map_err(|e| Failure::from_error("the demo stopped", &e))?;
    let tally = tally.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    super::print(&tally.report(&dir, &setup.config))
}

/// The safety notice for the demo's ultraviolet values: its station stands under the open sky.
fn caution() -> String {
    Group::Ultraviolet.caution(Some(SourceRule::Sun)).unwrap_or_default()
}

/// The folder for the demo's files: the requested one, or the first free name in the current folder. Nothing is overwritten.
fn folder(requested: Option<&Path>) -> Result<PathBuf, Failure> {
    let dir = match requested {
        Some(dir) => dir.to_path_buf(),
        None => (1..)
            .map(|n| PathBuf::from(if n == 1 { "vigilux-demo".to_owned() } else { format!("vigilux-demo-{n}") }))
            .find(|p| !p.exists())
            .unwrap_or_default(),
    };
    if dir.join(site::DATABASE).exists() {
        return Err(Failure::Usage(format!(
            "--dir: expected a folder without an earlier demo, but found {}",
            dir.join(site::DATABASE).display()
        )));
    }
    std::fs::create_dir_all(&dir).map_err(|e| Failure::from_error(&format!("{}", dir.display()), &e))?;
    dir.canonicalize().map_err(|e| Failure::from_error(&format!("{}", dir.display()), &e))
}

/// Starts the virtual spectrometer and waits for its line.
fn start(dir: &Path, clock: &CompressedClock) -> Result<Spectrometer, Failure> {
    let failed = |e: std::io::Error| Failure::from_error("the virtual spectrometer did not start", &e);
    let program = std::env::current_exe().map_err(failed)?;
    let child = Command::new(program)
        .arg("simulate")
        .arg("--config")
        .arg(dir.join(site::SIMULATOR))
        .arg("--link")
        .arg(dir.join(site::LINE))
        .arg("--truth")
        .arg(dir.join(site::TRUTH))
        .arg("--compressed-clock")
        .arg(clock.argument())
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()
        .map_err(failed)?;
    let mut spectrometer = Spectrometer(child);
    let mut line = String::new();
    if let Some(out) = spectrometer.0.stdout.take() {
        BufReader::new(out).read_line(&mut line).map_err(failed)?;
    }
    if line.trim().is_empty() {
        return Err(Failure::Failed(
            "expected the virtual spectrometer to print the path of its line, but it ended".to_owned(),
        ));
    }
    Ok(spectrometer)
}

/// Observes the daemon: shows each stored reading, compares it with the truth, stops at the end of the day.
struct DemoObserver {
    view: View,
    tally: Arc<Mutex<Tally>>,
    truth: TruthTail,
    comparison: Comparison,
    stop: Stop,
    end: UtcMicros,
}

impl Observer for DemoObserver {
    fn stored(&mut self, _id: i64, processed: &ProcessedReading, frames: &[Frame]) {
        let records = self.truth.read_new();
        let truth = processed.reduced.as_ref().and_then(|reduced| {
            self.comparison.truth(reduced, frames, |crc| records.iter().rev().find(|r| r.crc32 == crc))
        });
        self.tally
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
            .reading(&processed.reading, truth.as_deref());
        self.view.reading(&processed.reading);
        if processed.reading.time_mid >= self.end {
            self.view.close();
            self.stop.request();
        }
    }

    fn event(&mut self, event: &Event) {
        self.tally.lock().unwrap_or_else(std::sync::PoisonError::into_inner).event(event);
    }
}
