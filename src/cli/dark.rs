//! `vigilux dark`: a set of darks with the head covered by a person.
//!
//! The daemon owns the instrument and the database while it runs, so this refuses to start beside it.

use super::Failure;
use crate::acquisition::LoopContext;
use crate::acquisition::assemble::{assemble, serial_link};
use crate::acquisition::dark_records;
use crate::calibration::Active;
use crate::clock::{Clock, CompressedClock, RealClock, Stop, UtcMicros};
use crate::config;
use crate::darks::{DarkOutcome, DarkRequest, DarkSet, plan_covered_darks};
use crate::exposure::ExposureSetup;
use crate::instrument::Session;
use crate::record::{DarkSource, Exposure, Shutter};
use crate::reduction::Scale;
use crate::store::NewInstrument;
use indicatif::{ProgressBar, ProgressStyle};
use std::io::{BufRead, IsTerminal, Write};
use std::path::PathBuf;
use std::sync::Arc;

/// Printed before anybody goes to the head.
const CAUTION: &str = "Caution: do not look into the sun or into a lamp. Protect eyes and skin where lamps emit ultraviolet. Lamps, and \
                       covers near them, get hot. Work at heights and on mains wiring is for qualified people. Keep off roofs in \
                       bad weather and when lightning is near. Local rules prevail.";

/// Arguments of `vigilux dark`.
#[derive(Debug, clap::Args)]
pub struct DarkArgs {
    /// The configuration
    #[arg(long, value_name = "FILE")]
    pub config: PathBuf,
    /// Which instrument, where the station has several
    #[arg(long, value_name = "NAME")]
    pub instrument: Option<String>,
    /// About how long the head may stay covered [min]
    #[arg(long, value_name = "MINUTES", default_value_t = 10.0)]
    pub minutes: f64,
    /// The head is covered already: do not ask
    #[arg(long)]
    pub covered: bool,
    /// Time shared with a virtual spectrometer: `simulated_us,real_us,factor`
    #[arg(long, hide = true, value_parser = CompressedClock::parse)]
    pub compressed_clock: Option<CompressedClock>,
}

/// Asks for the head to be covered, takes the library, says when to uncover.
pub fn run(args: &DarkArgs) -> Result<(), Failure> {
    if !(args.minutes > 0.0 && args.minutes <= 600.0) {
        return Err(Failure::Usage(format!(
            "--minutes: expected more than 0 and at most 600, but found {}",
            args.minutes
        )));
    }
    let clock: Arc<dyn Clock> = match args.compressed_clock {
        Some(clock) => Arc::new(clock),
        None => Arc::new(RealClock::new()),
    };
    let setup = config::load(&args.config, clock.now())?;
    let station = assemble(&setup, &clock, serial_link(&clock), || None).map_err(|e| {
        Failure::from_error("no darks were taken (is the daemon running? stop it first, it owns the instrument)", &e)
    })?;
    let names: Vec<&str> = station.roads.iter().map(|r| r.instrument.name.as_str()).collect();
    let parts = match &args.instrument {
        None if station.roads.len() == 1 => &station.roads[0],
        None => return Err(Failure::Usage(format!("--instrument: expected one of {}", names.join(", ")))),
        Some(name) => station.roads.iter().find(|r| r.instrument.name == *name).ok_or_else(|| {
            Failure::Usage(format!("--instrument: expected one of {}, but found `{name}`", names.join(", ")))
        })?,
    };
    let result = take(args, parts);
    station.stopped();
    result
}

fn take(args: &DarkArgs, parts: &LoopContext) -> Result<(), Failure> {
    let stop = Stop::new();
    let clock = &parts.clock;
    let mut session =
        Session::new((parts.link)(&stop), Arc::clone(clock), stop.clone(), parts.instrument.baud, parts.dialect);
    let (identity, detector) = session.connect().map_err(|e| Failure::from_error("no instrument", &e))?;
    let now = clock.now();
    let calibration = match parts.calibrations.active(now, &identity.serial) {
        Active::Valid(c) | Active::Expired(c) => c,
        Active::Missing => {
            return Err(Failure::Failed(format!("no calibration is in force for serial number `{}`", identity.serial)));
        }
    };
    let idn = format!("{},{},{},{}", identity.maker, identity.model, identity.serial, identity.firmware);
    let new =
        NewInstrument { name: &parts.instrument.name, serial: &identity.serial, identity: &idn, detector: &detector };
    let store_failure = |e: crate::store::StoreError| Failure::from_error("the database", &e);
    let row = parts.store.register_instrument(&new, now).map_err(store_failure)?;
    let instrument = &parts.instrument;
    let in_use = Scale::new(calibration, &detector, 0).valid;
    let setup = ExposureSetup {
        window_s: None,
        ..ExposureSetup::calibrated(instrument, &parts.station, &detector, calibration, &in_use)
    };
    let for_darks = setup.for_darks(Some(Arc::new(calibration.clone())));
    let on_record = dark_records::load(&parts.store, row, now).map_err(store_failure)?;
    let mut darks = DarkSet::new(instrument.darks.clone(), parts.station.place, for_darks, on_record, now);
    let overhead_s = setup.overhead_s();
    let requests =
        plan_covered_darks(&instrument.darks, &setup.grid, setup.longest_s(), overhead_s, args.minutes * 60.0);
    let seconds: f64 = requests.iter().map(|r| r.duration_s(overhead_s)).sum();
    let minutes = (seconds / 60.0).ceil();
    if args.covered {
        let text = format!("{} ({idn}): keep the head covered for about {minutes:.0} min.\n", instrument.name);
        super::print(&(text + &super::wrapped(CAUTION, 0)))?;
    } else {
        ask(&format!(
            "Cover the head of {} ({idn}) so that no light reaches it. It must stay covered for about {minutes:.0} min.\n{}",
            instrument.name,
            super::wrapped(CAUTION, 0)
        ))?;
    }

    let bar = progress(requests.iter().map(|r| u64::from(r.exposures)).sum());
    let mut rejected = Vec::new();
    for request in &requests {
        bar.set_message(format!("{:.4} s", request.integration_s));
        let exposures = expose(&mut session, request, &bar)?;
        match darks.submit(DarkSource::Covered, &exposures, false) {
            None => {}
            Some(DarkOutcome::Accepted(dark)) => {
                if let Some(dark) = dark_records::store_dark(&parts.store, row, dark).map_err(store_failure)? {
                    darks.insert(dark, false);
                }
            }
            Some(DarkOutcome::Rejected(dark)) => {
                let event = dark.event(&instrument.name);
                parts.store.add_event(&event).map_err(store_failure)?;
                rejected.push(event.text);
            }
        }
    }
    bar.finish_and_clear();
    dark_records::refit(&parts.store, row, &mut darks, clock.now()).map_err(store_failure)?;
    report(&rejected, requests.len(), clock.now())
}

/// The exposures of one dark.
fn expose(session: &mut Session, request: &DarkRequest, bar: &ProgressBar) -> Result<Vec<Exposure>, Failure> {
    let mut exposures = Vec::new();
    for _ in 0..request.exposures {
        let exposure = session.expose(request.integration_s, Shutter::Open);
        exposures.push(exposure.map_err(|e| Failure::from_error("the instrument", &e))?);
        bar.inc(1);
    }
    Ok(exposures)
}

fn report(refused: &[String], asked: usize, now: UtcMicros) -> Result<(), Failure> {
    let accepted = asked - refused.len();
    super::print(&format!("You can uncover the head now ({now}). {accepted} of {asked} darks were accepted.\n"))?;
    if refused.is_empty() {
        return Ok(());
    }
    Err(Failure::Failed(format!(
        "{} darks were refused, most likely because light leaked in; cover the head better and run this again:\n  {}",
        refused.len(),
        refused.join("\n  ")
    )))
}

/// Asks for the cover and waits for the answer.
fn ask(text: &str) -> Result<(), Failure> {
    if !std::io::stdin().is_terminal() {
        return Err(Failure::Usage("expected somebody at the terminal to cover the head, or --covered".to_owned()));
    }
    super::print(&format!("{text}Press Enter when it is covered, Ctrl-C to leave. "))?;
    let mut line = String::new();
    let read = std::io::stdin().lock().read_line(&mut line).map_err(|e| Failure::from_error("the terminal", &e))?;
    let _ = std::io::stdout().flush();
    if read == 0 {
        return Err(Failure::Failed("no answer: nothing was taken".to_owned()));
    }
    Ok(())
}

fn progress(exposures: u64) -> ProgressBar {
    let bar = ProgressBar::new(exposures);
    // The template is a constant; were it wrong, the bar would merely look plain.
    if let Ok(style) = ProgressStyle::with_template("{bar:30} {pos}/{len} exposures, {msg}, {eta} left") {
        bar.set_style(style);
    }
    bar
}
