//! Puts a station together: the database with its rows, and one road's parts for every instrument.

use super::StationError;
use super::backlog::{self, Backlog};
use super::context::{LinkMaker, LoopContext};
use super::disk_space::Upkeep;
use super::status::Status;
use crate::clock::{Clock, Stop};
use crate::config::{InstrumentConfig, Setup};
use crate::instrument::{Link, SCPI, SerialLink};
use crate::quantities;
use crate::record::{Event, EventKind};
use crate::store::Store;
use crate::system;
use std::sync::{Arc, Mutex};

/// A station ready to run.
pub struct Station {
    /// The database.
    pub store: Arc<Store>,
    /// One entry an instrument.
    pub roads: Vec<LoopContext>,
    clock: Arc<dyn Clock>,
}

/// Opens the database for the daemon, registers what is in force and names the start.
pub fn assemble(
    setup: &Setup,
    clock: &Arc<dyn Clock>,
    link: impl Fn(&InstrumentConfig) -> LinkMaker,
    clock_synchronised: fn() -> Option<bool>,
) -> Result<Station, StationError> {
    let config = &setup.config;
    let now = clock.now();
    let columns: Vec<(&str, &str)> = quantities::registry().iter().map(|q| (q.id, q.unit)).collect();
    let store = Arc::new(Store::open_daemon(&config.store.path, &columns)?);
    let started = event(now, EventKind::Started, format!("vigilux {} started", env!("CARGO_PKG_VERSION")));
    let no_room = match store.add_event(&started) {
        Err(error) if error.can_wait() => Some(error),
        other => other.map(|_| None)?,
    };
    let configuration = store.register_configuration(&config.text, now)?;
    let computation = store.register_computation(&computation_text(), now)?;
    let upkeep = Arc::new(Upkeep::new(&config.store, system::free_space));
    let roads: Vec<LoopContext> = config
        .instruments
        .iter()
        .zip(&setup.calibrations)
        .map(|(instrument, calibrations)| LoopContext {
            instrument: instrument.clone(),
            station: config.station.clone(),
            calibrations: Arc::new(calibrations.clone()),
            clock: Arc::clone(clock),
            store: Arc::clone(&store),
            configuration,
            computation,
            dialect: &SCPI,
            link: link(instrument),
            clock_synchronised,
            backlog: Arc::new(Mutex::new(Backlog::new(&instrument.name, backlog::LIMIT))),
            upkeep: Arc::clone(&upkeep),
            status: Status::new(&instrument.name),
        })
        .collect();
    if let (Some(error), Some(first)) = (no_room, roads.first()) {
        let mut backlog = first.backlog();
        backlog.begin(&error, now);
        backlog.event(started);
    }
    Ok(Station { store, roads, clock: Arc::clone(clock) })
}

impl Station {
    /// Names the stop. A store that cannot take it has already said why.
    pub fn stopped(&self) {
        if let Err(why) =
            self.store.add_event(&event(self.clock.now(), EventKind::Stopped, "stopped on request".to_owned()))
        {
            tracing::warn!("the stop is not on record: {why}");
        }
    }
}

fn event(time: crate::clock::UtcMicros, kind: EventKind, text: String) -> Event {
    Event { time, until: None, instrument: None, kind, text }
}

/// What identifies the way values are made, beside the program's version: the registry's definitions.
pub fn computation_text() -> String {
    quantities::registry().iter().map(|q| format!("{} [{}] {}\n", q.id, q.unit, q.definition)).collect()
}

/// The serial line of an instrument.
pub fn serial_link(clock: &Arc<dyn Clock>) -> impl Fn(&InstrumentConfig) -> LinkMaker + use<> {
    let clock = Arc::clone(clock);
    move |instrument| {
        let (path, baud, clock) = (instrument.link.clone(), instrument.baud, Arc::clone(&clock));
        Arc::new(move |stop: &Stop| -> Box<dyn Link> {
            Box::new(SerialLink::new(&path, baud, Arc::clone(&clock), stop.clone()))
        })
    }
}
