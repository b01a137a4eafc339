//! `vigilux dark`: a dark library with the head covered by a person.
//!
//! The daemon owns the instrument and the database while it runs, so this refuses to start beside it.

use super::Failure;
use crate::acquisition::LoopContext;
use crate::acquisition::assemble::{assemble, serial_link};
use crate::calibration::Active;
use crate::clock::{Clock, CompressedClock, RealClock, Stop, UtcMicros};
use crate::config;
use crate::darks::dark_set::{DarkOutcome, DarkSet, Means};
use crate::darks::plan_covered_darks;
use crate::exposure::CaptureSetup;
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
    let station_failure = |e: crate::acquisition::StationError| Failure::from_error("the darks", &e);
    let instrument = &parts.instrument;
    let mut room = DarkSet::open(instrument, parts.station.place, row, &parts.store, now).map_err(station_failure)?;
    let setup = CaptureSetup::new(
        instrument.exposure.clone(),
        detector.clone(),
        &calibration.noise,
        &calibration.linearity,
        &Scale::new(calibration, &detector, 0).valid,
        parts.station.mains_hz,
        None,
    );
    let plan_darks =
        plan_covered_darks(&instrument.darks, &setup.grid, setup.longest_s(), setup.overhead_s(), args.minutes * 60.0);
    let seconds: f64 = plan_darks.iter().map(|o| f64::from(o.exposures) * (o.integration_s + setup.overhead_s())).sum();
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

    let means = Means { setup: &setup, calibration: Some(calibration) };
    let bar = progress(plan_darks.iter().map(|o| u64::from(o.exposures)).sum());
    let mut refused = Vec::new();
    for order in &plan_darks {
        bar.set_message(format!("{:.4} s", order.integration_s));
        let mut exposures: Vec<Exposure> = Vec::new();
        for _ in 0..order.exposures {
            let exposure = session.expose(order.integration_s, Shutter::Open);
            exposures.push(exposure.map_err(|e| Failure::from_error("the instrument", &e))?);
            bar.inc(1);
        }
        if let DarkOutcome::Refused(event) =
            room.submit(DarkSource::Covered, &exposures, &means, false).map_err(station_failure)?
        {
            parts.store.add_event(&event).map_err(store_failure)?;
            refused.push(event.text);
        }
    }
    bar.finish_and_clear();
    room.refit(&means, clock.now()).map_err(station_failure)?;
    report(&refused, plan_darks.len(), clock.now())
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
