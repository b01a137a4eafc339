//! Assembles the daemon: the database, and the context of the loop of each instrument.

use super::AcquisitionError;
use super::absence::absence;
use super::backlog::{self, Backlog};
use super::context::{LinkMaker, LoopContext, Storage};
use super::disk_space::DiskSpace;
use super::progress::{Heartbeat, Progress, ProgressClock};
use super::registration::Registration;
use super::status::Status;
use super::updates::Updates;
use crate::clock::{Clock, Stop, UtcMicros};
use crate::config::{InstrumentConfig, Setup};
use crate::dialect::SerialSettings;
use crate::instrument::{Link, link_to};
use crate::processing::computation_text;
use crate::quantities;
use crate::record::{Event, EventKind};
use crate::store::{Store, StoreError};
use crate::system;
use std::sync::{Arc, Mutex};

/// The daemon, ready to run.
pub struct Daemon {
    /// The database.
    pub store: Arc<Store>,
    /// One entry per instrument.
    pub loops: Vec<LoopContext>,
    clock: Arc<dyn Clock>,
}

/// Opens the database for the daemon, registers what is active and records the start.
pub fn assemble(
    setup: &Setup,
    clock: &Arc<dyn Clock>,
    link: impl Fn(&InstrumentConfig) -> LinkMaker,
    clock_synchronised: fn() -> Option<bool>,
) -> Result<Daemon, AcquisitionError> {
    let config = &setup.config;
    let now = clock.now();
    let columns: Vec<(&str, &str)> = quantities::registry().iter().map(|q| (q.id, q.unit)).collect();
    let store = Arc::new(Store::open_daemon(&config.store.path, &columns)?);
    let mut events = absences(&store, &config.instruments, now)?;
    events.push(event(now, EventKind::Started, format!("vigilux {} started", env!("CARGO_PKG_VERSION"))));
    let full = match store.add_events(&events) {
        Err(error) if error.is_transient() => Some(error),
        other => other.map(|_| None)?,
    };
    let registration = Arc::new(Registration::new(&config.text, computation_text(), now));
    match registration.rows(&store) {
        // Registered with the first reading that can be stored.
        Err(error) if error.is_transient() => {}
        rows => drop(rows?),
    }
    let disk_space = Arc::new(DiskSpace::new(&config.store, system::free_space));
    let heartbeat = Heartbeat::default();
    let loops: Vec<LoopContext> = config
        .instruments
        .iter()
        .zip(&setup.calibrations)
        .zip(std::iter::repeat_with(|| Progress::new(Arc::clone(clock), &heartbeat)))
        .map(|((instrument, calibrations), progress)| LoopContext {
            instrument: instrument.clone(),
            station: config.station.clone(),
            calibrations: Arc::new(calibrations.clone()),
            clock: Arc::new(ProgressClock::new(&progress)),
            assembled: now,
            clock_synchronised,
            link: link(instrument),
            storage: Storage {
                store: Arc::clone(&store),
                registration: Arc::clone(&registration),
                configuration: None,
                backlog: Arc::new(Mutex::new(Backlog::new(&instrument.name, backlog::LIMIT))),
                disk_space: Arc::clone(&disk_space),
            },
            status: Status::new(&instrument.name),
            progress,
            updates: Updates::default(),
        })
        .collect();
    if let (Some(error), Some(first)) = (full, loops.first()) {
        let mut backlog = first.storage.backlog();
        backlog.begin(&error, now);
        for event in events {
            let _discarded = backlog.event(event);
        }
    }
    Ok(Daemon { store, loops, clock: Arc::clone(clock) })
}

/// What every instrument missed while no daemon ran.
fn absences(store: &Store, instruments: &[InstrumentConfig], now: UtcMicros) -> Result<Vec<Event>, StoreError> {
    let mut missed = Vec::new();
    for instrument in instruments {
        let event = absence(store, &instrument.name, now)?;
        if let Some(event) = &event {
            tracing::warn!(instrument = instrument.name, "{}", event.text);
        }
        missed.extend(event);
    }
    Ok(missed)
}

impl Daemon {
    /// Records the stop; an error is logged.
    pub fn stopped(&self) {
        let stopped = event(self.clock.now(), EventKind::Stopped, "stopped on request".to_owned());
        if let Err(why) = self.store.add_event(&stopped) {
            tracing::warn!("the stop could not be recorded: {why}");
        }
    }
}

fn event(time: UtcMicros, kind: EventKind, text: String) -> Event {
    Event { time, until: None, instrument: None, kind, text }
}

/// The line of an instrument: a serial port or a TCP connection.
pub fn serial_link(clock: &Arc<dyn Clock>) -> impl Fn(&InstrumentConfig) -> LinkMaker + use<> {
    let clock = Arc::clone(clock);
    move |instrument| {
        let (path, clock) = (instrument.link.clone(), Arc::clone(&clock));
        let settings = SerialSettings { baud: instrument.baud, ..instrument.dialect.serial };
        Arc::new(move |stop: &Stop| -> Box<dyn Link> { link_to(&path, settings, Arc::clone(&clock), stop.clone()) })
    }
}
