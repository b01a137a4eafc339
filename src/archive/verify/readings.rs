//! Checks all readings: identifiers, active values, frames, missing ticks, and a sample by recomputation.

use super::super::completeness::{ActiveSchedule, Completeness};
use super::super::differences::differences;
use super::super::error::ArchiveError;
use super::super::recomputer::Recomputer;
use super::super::stored_schedule::stored_schedule;
use super::{Check, Progress};
use crate::clock::UtcMicros;
use crate::exposure::Schedule;
use crate::record::{Event, EventKind};
use crate::store::{DaemonStart, Provenance, Reader, StoreError, StoredReading};
use std::collections::BTreeMap;

/// The state of the checks of readings.
pub(super) struct ReadingChecks<'a> {
    reader: &'a Reader,
    sample: u64,
    events: Vec<Event>,
    /// Time ranges with purged raw frames.
    purged: Vec<(UtcMicros, UtcMicros)>,
    recomputer: Recomputer,
    /// By computation: whether it was computed by this version of the program.
    own_computations: BTreeMap<i64, bool>,
    starts: Vec<DaemonStart>,
    /// By instrument: the check of its ticks.
    ticks: BTreeMap<String, Completeness>,
    readings: Check,
    frames: Check,
    gaps: Check,
    values: Check,
}

impl<'a> ReadingChecks<'a> {
    pub(super) fn new(reader: &'a Reader, sample: u64) -> Result<Self, StoreError> {
        let events = reader.events(UtcMicros(i64::MIN), UtcMicros(i64::MAX))?;
        let purges = events.iter().filter(|e| e.kind == EventKind::RawPurged);
        let purged = purges.map(|e| (e.time, e.until.unwrap_or(e.time))).collect();
        let own = |c: &Provenance| c.program_version == env!("CARGO_PKG_VERSION");
        let own_computations = reader.computations()?.iter().map(|c| (c.id, own(c))).collect();
        Ok(Self {
            reader,
            sample,
            events,
            purged,
            recomputer: Recomputer::new(),
            own_computations,
            starts: reader.daemon_starts()?,
            ticks: BTreeMap::new(),
            readings: Check::new("readings", "readings"),
            frames: Check::new("frames", "frames"),
            gaps: Check::new("gaps", "readings with the ticks before them"),
            values: Check::new("values", "recomputed readings"),
        })
    }

    /// The checks of readings, frames, gaps and values.
    pub(super) fn finish(self) -> [Check; 4] {
        [self.readings, self.frames, self.gaps, self.values]
    }

    pub(super) fn run(&mut self, progress: Progress<'_>) {
        let ids = match self.reader.ids_of_readings() {
            Ok(ids) => ids,
            Err(why) => return self.readings.fault(why),
        };
        let (first, last) = (*ids.start(), *ids.end());
        let total = (last - first + 1).max(0) as u64;
        let (mut purged, mut missing) = (0_u64, None::<(i64, i64)>);
        for id in ids {
            let seen = (id - first) as u64;
            progress(seen, total);
            match self.reader.reading(id) {
                Err(why) => self.readings.fault(why),
                Ok(None) => missing = self.extend_missing(missing, id),
                Ok(Some(stored)) => {
                    purged += u64::from(!self.check_reading(&stored));
                    if is_sampled(self.sample, seen, total) {
                        self.check_values(&stored);
                    }
                }
            }
        }
        if let Some(missing) = missing {
            self.report_missing(missing);
        }
        if purged > 0 {
            self.frames.note(format!("raw frames of {purged} readings were purged, as configured"));
        }
        progress(total, total);
    }

    /// Adds a missing id to the run of missing ids; a run that ended before it is reported.
    fn extend_missing(&mut self, missing: Option<(i64, i64)>, id: i64) -> Option<(i64, i64)> {
        match missing {
            Some((from, until)) if until + 1 == id => Some((from, id)),
            Some(before) => {
                self.report_missing(before);
                Some((id, id))
            }
            None => Some((id, id)),
        }
    }

    fn report_missing(&mut self, (from, until): (i64, i64)) {
        let found =
            if from == until { format!("reading {from} is") } else { format!("readings {from} to {until} are") };
        self.readings.fault(format!("identifiers are not consecutive: {found} missing"));
    }

    /// Checks a reading without recomputation; returns false if its frames were purged.
    fn check_reading(&mut self, stored: &StoredReading) -> bool {
        self.readings.checked += 1;
        if stored.made_with.computation == 0 {
            let id = stored.reading.id;
            self.readings.fault(format!("reading {id}: expected active values, but there are none"));
        }
        let has_frames = self.check_frames(stored);
        self.check_gaps(stored);
        has_frames
    }

    /// Checks the frames; returns false if they were purged.
    fn check_frames(&mut self, stored: &StoredReading) -> bool {
        let r = &stored.reading;
        match self.reader.frames(r.id) {
            Err(why) => self.frames.fault(format!("reading {}: {why}", r.id)),
            Ok(frames) if frames.is_empty() && self.is_purged(r.time_start) => return false,
            Ok(frames) => {
                self.frames.checked += frames.len() as u64;
                if frames.len() != r.exposures.len() {
                    let (expected, found) = (r.exposures.len(), frames.len());
                    self.frames.fault(format!("reading {}: expected {expected} frames, but found {found}", r.id));
                }
            }
        }
        true
    }

    fn is_purged(&self, time: UtcMicros) -> bool {
        self.purged.iter().any(|(from, until)| (*from..=*until).contains(&time))
    }

    /// Checks that each tick before the reading has a reading or a gap.
    fn check_gaps(&mut self, stored: &StoredReading) {
        let name = &stored.reading.instrument;
        if !self.ticks.contains_key(name) {
            let schedules = self.schedules(name);
            self.ticks.insert(name.clone(), Completeness::new(name, &self.events, schedules));
        }
        let Some(ticks) = self.ticks.get_mut(name) else { return };
        self.gaps.checked += 1;
        for run in ticks.reading(stored.reading.time_start) {
            let ticks = if run.ticks == 1 { "tick" } else { "ticks" };
            self.gaps.fault(format!(
                "{name}: {} {ticks} from {} to {} ended in neither a reading nor a gap",
                run.ticks, run.from, run.until
            ));
        }
    }

    /// The schedules of an instrument by start of the daemon; one that cannot be read is reported as a note.
    fn schedules(&mut self, instrument: &str) -> Vec<ActiveSchedule> {
        let mut known: BTreeMap<i64, Option<Schedule>> = BTreeMap::new();
        let mut schedules = Vec::new();
        for start in &self.starts {
            let schedule = known.entry(start.configuration).or_insert_with(|| {
                stored_schedule(self.reader, start.configuration, instrument).unwrap_or_else(|why| {
                    let row = start.configuration;
                    self.gaps.note(format!("gaps under configuration {row} cannot be checked: {why}"));
                    None
                })
            });
            schedules.push(ActiveSchedule { from: start.time, schedule: schedule.clone() });
        }
        schedules
    }

    /// Recomputes a reading and compares all bits.
    fn check_values(&mut self, stored: &StoredReading) {
        let id = stored.reading.id;
        if self.own_computations.get(&stored.made_with.computation) != Some(&true) {
            self.values.note("readings computed by another version of the program are not compared".to_owned());
            return;
        }
        match self.recomputer.recompute(self.reader, stored) {
            Err(ArchiveError::NoFrames(_)) => {}
            Err(why) => self.values.fault(format!("reading {id} cannot be recomputed: {why}")),
            Ok(recomputed) => {
                self.values.checked += 1;
                let found = differences(self.reader.quantities(), stored.as_computed(), &recomputed.reading);
                if let Some(first) = found.first() {
                    let more = found.len() - 1;
                    let more = if more > 0 { format!(" (and {more} more)") } else { String::new() };
                    self.values.fault(format!("reading {id}: {first}{more}"));
                }
            }
        }
    }
}

/// Whether the reading at index `seen` of `total` is in the sample, whose readings are evenly distributed.
fn is_sampled(sample: u64, seen: u64, total: u64) -> bool {
    let share = |n: u64| u128::from(n) * u128::from(sample.min(total)) / u128::from(total.max(1));
    share(seen) != share(seen + 1)
}

#[cfg(test)]
mod tests {
    use super::is_sampled;

    #[test]
    fn a_sample_has_its_size_and_is_evenly_distributed() {
        for (sample, total, want) in [(10, 1000, 10), (1000, 10, 10), (u64::MAX, 7, 7), (0, 100, 0), (3, 0, 0)] {
            let taken: Vec<u64> = (0..total).filter(|i| is_sampled(sample, *i, total)).collect();
            assert_eq!(taken.len() as u64, want);
            assert!(taken.windows(2).all(|w| w[1] - w[0] <= total / want + 1), "{taken:?}");
        }
    }
}
