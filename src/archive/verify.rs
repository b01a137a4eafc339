//! Looks a whole database over: is it all there, does it hold together, and do the values follow from the facts?
//!
//! Reads only, and goes on after what is wrong. What must stay true: a database that a daemon wrote and nobody
//! damaged has no fault, also after kills and power cuts; frames deleted as configured are reported, not faulted.

use super::completeness::Completeness;
use super::recomputation::{RecomputeError, Recomputer, differences};
use crate::clock::UtcMicros;
use crate::exposure::Schedule;
use crate::record::{Event, EventKind};
use crate::store::{Reader, StoreError, StoredReading};
use std::collections::BTreeMap;
use std::path::Path;

/// Faults of one kind that are listed; more are counted.
const LISTED: usize = 20;

/// One thing that was looked at.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Check {
    /// Its name.
    pub name: &'static str,
    /// How many of what were looked at.
    pub looked_at: u64,
    /// What they are.
    pub of: &'static str,
    /// What is wrong, in words; at most 20.
    pub faults: Vec<String>,
    /// Faults beyond those.
    pub more_faults: u64,
    /// What could not be looked at, and why.
    pub notes: Vec<String>,
}

impl Check {
    fn new(name: &'static str, of: &'static str) -> Self {
        Self { name, of, ..Self::default() }
    }
    fn fault(&mut self, text: impl ToString) {
        if self.faults.len() < LISTED {
            self.faults.push(text.to_string());
        } else {
            self.more_faults += 1;
        }
    }
    fn note(&mut self, text: String) {
        if !self.notes.contains(&text) && self.notes.len() < LISTED {
            self.notes.push(text);
        }
    }
    /// How much is wrong.
    pub fn count(&self) -> u64 {
        self.faults.len() as u64 + self.more_faults
    }
}

/// How far it has come: readings seen, and all there are.
pub type Progress<'a> = &'a mut dyn FnMut(u64, u64);

/// Looks everything over; `sample` readings, spread evenly, are also made again.
pub fn audit(reader: &Reader, sample: u64, progress: Progress<'_>) -> Vec<Check> {
    let mut integrity = Check::new("integrity", "database");
    integrity.looked_at = 1;
    match reader.integrity_faults() {
        Ok(faults) => faults.iter().for_each(|f| integrity.fault(f)),
        Err(why) => integrity.fault(why),
    }
    match reader.reference_faults() {
        Ok(faults) => faults.iter().for_each(|f| integrity.fault(f)),
        Err(why) => integrity.fault(why),
    }
    let darks = darks(reader);
    let mut walk = match Walk::new(reader, sample) {
        Ok(walk) => walk,
        Err(why) => {
            integrity.fault(why);
            return vec![integrity, darks];
        }
    };
    walk.all(progress);
    vec![integrity, walk.readings, walk.frames, darks, walk.gaps, walk.values]
}

/// Darks and dark models, as far as readings may name them.
fn darks(reader: &Reader) -> Check {
    let mut check = Check::new("darks", "darks and dark models");
    let mut look = || -> Result<(), StoreError> {
        for id in reader.ids_of_darks()? {
            check.looked_at += 1;
            if let Err(why) = reader.dark(id) {
                check.fault(why);
            }
        }
        for id in reader.ids_of_dark_models()? {
            check.looked_at += 1;
            if let Err(why) = reader.dark_model(id) {
                check.fault(why);
            }
        }
        Ok(())
    };
    if let Err(why) = look() {
        check.fault(why);
    }
    check
}

struct Walk<'a> {
    reader: &'a Reader,
    range: std::ops::RangeInclusive<i64>,
    sample: u64,
    events: Vec<Event>,
    /// Intervals whose raw frames were deleted.
    purged: Vec<(UtcMicros, UtcMicros)>,
    again: Recomputer,
    accounts: BTreeMap<String, (Completeness, i64)>,
    schedules: BTreeMap<(i64, String), Option<Schedule>>,
    own_computations: BTreeMap<i64, bool>,
    readings: Check,
    frames: Check,
    gaps: Check,
    values: Check,
}

impl<'a> Walk<'a> {
    fn new(reader: &'a Reader, sample: u64) -> Result<Self, StoreError> {
        let events = reader.events(UtcMicros(i64::MIN), UtcMicros(i64::MAX))?;
        let purged = events
            .iter()
            .filter(|e| e.kind == EventKind::RawPurged)
            .map(|e| (e.time, e.until.unwrap_or(e.time)))
            .collect();
        let own = |c: &crate::store::Provenance| c.program_version == env!("CARGO_PKG_VERSION");
        let own_computations = reader.computations()?.iter().map(|c| (c.id, own(c))).collect();
        Ok(Self {
            reader,
            range: reader.ids_of_readings()?,
            sample,
            events,
            purged,
            again: Recomputer::new(),
            accounts: BTreeMap::new(),
            schedules: BTreeMap::new(),
            own_computations,
            readings: Check::new("readings", "readings"),
            frames: Check::new("frames", "frames"),
            gaps: Check::new("gaps", "readings with the ticks before them"),
            values: Check::new("values", "readings made again"),
        })
    }

    fn all(&mut self, progress: Progress<'_>) {
        let (first, last) = (*self.range.start(), *self.range.end());
        let total = (last - first + 1).max(0) as u64;
        let (mut without_frames, mut holes) = (0_u64, None::<(i64, i64)>);
        for id in self.range.clone() {
            let seen = (id - first) as u64;
            progress(seen, total);
            match self.reader.reading(id) {
                Err(why) => self.readings.fault(why),
                Ok(None) => {
                    holes = match holes {
                        Some((from, until)) if until + 1 == id => Some((from, id)),
                        Some(before) => {
                            self.hole(before);
                            Some((id, id))
                        }
                        None => Some((id, id)),
                    };
                }
                Ok(Some(stored)) => {
                    self.readings.looked_at += 1;
                    if stored.made_with.computation == 0 {
                        self.readings.fault(format!("reading {id}: expected values in force, but there are none"));
                    }
                    without_frames += u64::from(!self.look_at_frames(&stored));
                    self.look_at_gaps(&stored);
                    // Evenly spread: the step in which the share of the sample passes a whole number.
                    let share = |n: u64| u128::from(n) * u128::from(self.sample.min(total)) / u128::from(total.max(1));
                    if share(seen) != share(seen + 1) {
                        self.make_again(&stored);
                    }
                }
            }
        }
        if let Some(hole) = holes {
            self.hole(hole);
        }
        if without_frames > 0 {
            self.frames.note(format!("raw frames of {without_frames} readings were deleted, as configured"));
        }
        progress(total, total);
    }

    fn hole(&mut self, (from, until): (i64, i64)) {
        let found =
            if from == until { format!("reading {from} is") } else { format!("readings {from} to {until} are") };
        self.readings.fault(format!("identifiers have a hole: {found} missing"));
    }

    /// Answers whether its frames are there, or should be.
    fn look_at_frames(&mut self, stored: &StoredReading) -> bool {
        let r = &stored.reading;
        match self.reader.frames(r.id) {
            Err(why) => self.frames.fault(format!("reading {}: {why}", r.id)),
            Ok(frames) if frames.is_empty() && self.purged.iter().any(|(a, b)| (*a..=*b).contains(&r.time_start)) => {
                return false;
            }
            Ok(frames) => {
                self.frames.looked_at += frames.len() as u64;
                if frames.len() != r.exposures.len() {
                    let (expected, found) = (r.exposures.len(), frames.len());
                    self.frames.fault(format!("reading {}: expected {expected} frames, but found {found}", r.id));
                }
            }
        }
        true
    }

    fn look_at_gaps(&mut self, stored: &StoredReading) {
        let (name, row) = (&stored.reading.instrument, stored.made_with.configuration);
        let (account, before) =
            self.accounts.entry(name.clone()).or_insert_with(|| (Completeness::new(name, &self.events), row));
        let before = std::mem::replace(before, row);
        let mut schedule = |row: i64| {
            let key = (row, name.clone());
            if !self.schedules.contains_key(&key) {
                let read = schedule(self.reader, row, name);
                if let Err(why) = &read {
                    self.gaps.note(format!("gaps under configuration {row} cannot be looked for: {why}"));
                }
                self.schedules.insert(key.clone(), read.ok());
            }
            self.schedules.get(&key).cloned().flatten()
        };
        let (Some(before), Some(now)) = (schedule(before), schedule(row)) else { return };
        self.gaps.looked_at += 1;
        for span in account.reading(stored.reading.time_start, &before, &now) {
            let ticks = if span.ticks == 1 { "tick" } else { "ticks" };
            self.gaps.fault(format!(
                "{name}: {} {ticks} from {} to {} ended in neither a reading nor an event",
                span.ticks, span.from, span.until
            ));
        }
    }

    fn make_again(&mut self, stored: &StoredReading) {
        let (reader, id) = (self.reader, stored.reading.id);
        if self.own_computations.get(&stored.made_with.computation) != Some(&true) {
            self.values.note("readings computed by another version of the program are not compared".to_owned());
            return;
        }
        match self.again.process(reader, stored) {
            Err(RecomputeError::NoFrames(_)) => {}
            Err(why) => self.values.fault(format!("reading {id} cannot be made again: {why}")),
            Ok(again) => {
                self.values.looked_at += 1;
                let differ = differences(reader.quantities(), stored.as_computed(), &again.reading);
                if let Some(first) = differ.first() {
                    let more = differ.len() - 1;
                    let more = if more > 0 { format!(" (and {more} more)") } else { String::new() };
                    self.values.fault(format!("reading {id}: {first}{more}"));
                }
            }
        }
    }
}

/// The schedule of an instrument under a configuration on record.
fn schedule(reader: &Reader, row: i64, instrument: &str) -> Result<Schedule, String> {
    let stored = reader.configuration(row).map_err(|e| e.to_string())?.ok_or("it is not there")?;
    let config = crate::config::parse(Path::new("configuration on record"), &stored.text, stored.since)
        .map_err(|diagnostics| diagnostics.to_string())?;
    let found = config.instruments.iter().find(|i| i.name == instrument).ok_or("it does not name the instrument")?;
    Ok(Schedule::new(&found.schedule, &config.station))
}
