//! `vigilux dark`: takes a set of darks while the head is covered by hand.
//!
//! Refuses to start while the daemon runs, since the daemon owns the instrument and the database.

use super::configuration::ConfigArg;
use super::{Failure, wrapped};
use crate::acquisition::LoopContext;
use crate::acquisition::assemble::{assemble, serial_link};
use crate::acquisition::dark_records;
use crate::acquisition::saved_control::SavedControl;
use crate::calibration::Active;
use crate::clock::{Clock, CompressedClock, RealClock, Stop, UtcMicros};
use crate::config::{self, InstrumentConfig};
use crate::darks::{DarkOutcome, DarkRejection, DarkRequest, DarkSet, RejectedDark, plan_covered_darks};
use crate::exposure::ExposureSetup;
use crate::instrument::Session;
use crate::record::{DarkSource, Exposure, Shutter};
use crate::reduction::Scale;
use crate::store::{NewInstrument, StoreError};
use indicatif::{ProgressBar, ProgressStyle};
use std::io::{BufRead, IsTerminal, Write};
use std::sync::Arc;

/// Printed before anybody goes to the head.
const CAUTION: &str = "Caution: do not look into the sun or into a lamp. Protect eyes and skin where lamps emit ultraviolet. Lamps, and \
                       covers near them, get hot. Work at heights and on mains wiring is for qualified people. Keep off roofs in \
                       bad weather and when lightning is near. Local rules prevail.";

/// Arguments of `dark`.
#[derive(Debug, clap::Args)]
pub struct DarkArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// The instrument, where the station has several
    #[arg(long, value_name = "NAME")]
    pub instrument: Option<String>,
    /// Approximate time for which the head may stay covered [min]
    #[arg(long, value_name = "MINUTES", default_value_t = 10.0)]
    pub minutes: f64,
    /// Take structure that the covered darks show for the detector's own (glow of an amplifier): only after another cover has shown
    /// the same
    #[arg(long)]
    pub accept_structure: bool,
    /// The head is already covered: do not ask
    #[arg(long)]
    pub covered: bool,
    /// Time shared with a virtual spectrometer: `simulated_us,real_us,factor`
    #[arg(long, hide = true, value_parser = CompressedClock::parse)]
    pub compressed_clock: Option<CompressedClock>,
}

/// Runs `dark`: asks for the head to be covered, takes the darks, says when to uncover.
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
    let setup = config::load(&args.config.path()?, clock.now())?;
    let daemon = assemble(&setup, &clock, serial_link(&clock), || None).map_err(|e| {
        Failure::from_error("no darks were taken (is the daemon running? stop it first, it owns the instrument)", &e)
    })?;
    let names: Vec<&str> = daemon.loops.iter().map(|l| l.instrument.name.as_str()).collect();
    let context = match &args.instrument {
        None if daemon.loops.len() == 1 => &daemon.loops[0],
        None => return Err(Failure::Usage(format!("--instrument: expected one of {}", names.join(", ")))),
        Some(name) => daemon.loops.iter().find(|l| l.instrument.name == *name).ok_or_else(|| {
            Failure::Usage(format!("--instrument: expected one of {}, but found `{name}`", names.join(", ")))
        })?,
    };
    let result = DarkSession::open(args.minutes, context).and_then(|mut session| {
        session.announce(args.covered)?;
        if args.accept_structure {
            session.darks.accept_structure();
        }
        let rejected = session.take()?;
        report(&rejected, session.requests.len(), session.context.clock.now())
    });
    daemon.stopped();
    result
}

/// One instrument with the darks to take.
struct DarkSession<'a> {
    context: &'a LoopContext,
    session: Session,
    /// Answer to `*IDN?`.
    identity: String,
    /// Row of the instrument in the database.
    row: i64,
    darks: DarkSet,
    requests: Vec<DarkRequest>,
    /// Time that each exposure takes in addition to its integration time [s].
    overhead_s: f64,
}

impl<'a> DarkSession<'a> {
    /// Connects the instrument and plans darks that take about so many minutes.
    fn open(minutes: f64, context: &'a LoopContext) -> Result<Self, Failure> {
        let (stop, clock, instrument) = (Stop::new(), &context.clock, &context.instrument);
        let link = (context.link)(&stop);
        let mut session = Session::new(link, Arc::clone(clock), stop, instrument.baud, &instrument.dialect);
        let (answer, detector) = session.connect().map_err(|e| Failure::from_error("no instrument", &e))?;
        let now = clock.now();
        let calibration = match context.calibrations.active(now, &answer.serial) {
            Active::Valid(c) | Active::Expired(c) => c,
            Active::Missing => {
                return Err(Failure::Failed(format!("no calibration is active for serial number `{}`", answer.serial)));
            }
        };
        let identity = format!("{},{},{},{}", answer.maker, answer.model, answer.serial, answer.firmware);
        let new =
            NewInstrument { name: &instrument.name, serial: &answer.serial, identity: &identity, detector: &detector };
        let row = context.storage.store.register_instrument(&new, now).map_err(database)?;
        let in_use = Scale::new(calibration, &detector, 0).valid;
        let mut control = SavedControl::default();
        control.load(&context.storage.store, row).map_err(database)?;
        let (detector, exposure) = control.detector.applied(&detector, &instrument.exposure);
        let planned = InstrumentConfig { exposure, ..instrument.clone() };
        let setup = ExposureSetup {
            window_s: None,
            ..ExposureSetup::calibrated(&planned, &context.station, &detector, calibration, &in_use)
        };
        let for_darks = setup.for_darks(Some(Arc::new(calibration.clone())));
        let stored = dark_records::load(&context.storage.store, row, now).map_err(database)?;
        let darks = DarkSet::new(instrument.darks.clone(), context.station.place, for_darks, stored, now);
        let overhead_s = setup.overhead_s();
        let requests =
            plan_covered_darks(&instrument.darks, &setup.grid, setup.longest_s(), overhead_s, minutes * 60.0);
        Ok(Self { context, session, identity, row, darks, requests, overhead_s })
    }

    /// Says how long the head has to stay covered, with the safety notice; asks for the cover unless it is there already.
    fn announce(&self, covered: bool) -> Result<(), Failure> {
        let (name, identity) = (&self.context.instrument.name, &self.identity);
        let seconds: f64 = self.requests.iter().map(|l| l.duration_s(self.overhead_s)).sum();
        let minutes = (seconds / 60.0).ceil();
        let caution = wrapped(CAUTION, 0);
        if covered {
            return super::print(&format!(
                "{name} ({identity}): keep the head covered for about {minutes:.0} min.\n{caution}"
            ));
        }
        ask(&format!(
            "Cover the head of {name} ({identity}) so that no light reaches it. It must stay covered for about \
             {minutes:.0} min.\n{caution}"
        ))
    }

    /// Takes, tests and stores the darks; returns the texts of the rejected ones.
    fn take(&mut self) -> Result<Vec<String>, Failure> {
        let bar = progress(self.requests.iter().map(|r| u64::from(r.exposures)).sum());
        let mut rejected = Vec::new();
        let before = self.darks.state().clone();
        for request in self.requests.clone() {
            bar.set_message(format!("{:.4} s", request.integration_s));
            let mut outcome = self.take_one(&request, &bar)?;
            if outcome.as_ref().is_some_and(|dark| matches!(dark.reason, DarkRejection::Unconfirmed { .. })) {
                outcome = self.take_one(&request, &bar)?;
            }
            rejected.extend(outcome.map(|dark| dark.event(&self.context.instrument.name).text));
        }
        bar.finish_and_clear();
        let (store, now) = (&self.context.storage.store, self.context.clock.now());
        dark_records::save_state(store, self.row, (&before, self.darks.state()), now).map_err(database)?;
        dark_records::refit(store, self.row, &mut self.darks, now).map_err(database)?;
        Ok(rejected)
    }

    /// Takes one dark; answers with it where it is rejected.
    fn take_one(&mut self, request: &DarkRequest, bar: &ProgressBar) -> Result<Option<RejectedDark>, Failure> {
        let store = &self.context.storage.store;
        let exposures = expose(&mut self.session, request, self.darks.setup().discard_frames, bar)?;
        match self.darks.submit(DarkSource::Covered, &exposures, false) {
            None => Ok(None),
            Some(DarkOutcome::Accepted(dark)) => {
                if let Some(dark) = dark_records::store_dark(store, self.row, dark).map_err(database)? {
                    self.darks.insert(dark, false);
                }
                Ok(None)
            }
            Some(DarkOutcome::Rejected(dark)) => {
                store.add_event(&dark.event(&self.context.instrument.name)).map_err(database)?;
                Ok(Some(dark))
            }
        }
    }
}

fn database(error: StoreError) -> Failure {
    Failure::from_error("the database", &error)
}

/// Takes the exposures of one dark, after frames to discard.
fn expose(
    session: &mut Session,
    request: &DarkRequest,
    discard: u32,
    bar: &ProgressBar,
) -> Result<Vec<Exposure>, Failure> {
    let mut exposures = Vec::new();
    for n in 0..discard + request.exposures {
        let exposure = session.expose(request.integration_s, Shutter::Open);
        let exposure = exposure.map_err(|e| Failure::from_error("the instrument", &e))?;
        if n >= discard {
            exposures.push(exposure);
            bar.inc(1);
        }
    }
    Ok(exposures)
}

fn report(rejected: &[String], requested: usize, now: UtcMicros) -> Result<(), Failure> {
    let accepted = requested - rejected.len();
    super::print(&format!("You can uncover the head now ({now}). {accepted} of {requested} darks were accepted.\n"))?;
    if rejected.is_empty() {
        return Ok(());
    }
    Err(Failure::Failed(format!(
        "{} darks were rejected, most likely because light reached the detector; cover the head better and repeat:\n  {}\n\
         Where another cover shows the same, the structure is the detector's own: repeat with --accept-structure.",
        rejected.len(),
        rejected.join("\n  ")
    )))
}

/// Asks for the cover and waits for Enter.
fn ask(text: &str) -> Result<(), Failure> {
    if !std::io::stdin().is_terminal() {
        return Err(Failure::Usage("expected a terminal to ask for the cover, or --covered".to_owned()));
    }
    super::print(&format!("{text}Press Enter when it is covered, Ctrl-C to stop. "))?;
    let mut line = String::new();
    let read = std::io::stdin().lock().read_line(&mut line).map_err(|e| Failure::from_error("the terminal", &e))?;
    let _ = std::io::stdout().flush();
    if read == 0 {
        return Err(Failure::Failed("no answer: no darks were taken".to_owned()));
    }
    Ok(())
}

fn progress(exposures: u64) -> ProgressBar {
    let bar = ProgressBar::new(exposures);
    // The template is a constant; an invalid one would only give a plain bar.
    if let Ok(style) = ProgressStyle::with_template("{bar:30} {pos}/{len} exposures, {msg}, {eta} left") {
        bar.set_style(style);
    }
    bar
}
