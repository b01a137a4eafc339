//! The time without a daemon, as a gap of each instrument.
//!
//! Reads the database at the start of the daemon, before that start is recorded. Invariant: between the last sign of the daemon
//! before and this start, every tick of the schedule that was active then is in the gap.

use super::gaps::GapSpan;
use super::tick::GapReason;
use crate::archive::stored_schedule::stored_schedule;
use crate::clock::UtcMicros;
use crate::fault::GapCause;
use crate::record::{Event, EventKind};
use crate::store::{Reader, StoreError};

/// Ticks that are counted, at most: more than a year of minutes.
pub(super) const COUNTED_AT_MOST: usize = 1_000_000;

/// The readings of an instrument that no daemon could take before `now`; `None` where none was due.
pub fn absence(reader: &Reader, instrument: &str, now: UtcMicros) -> Result<Option<Event>, StoreError> {
    let Some(start) = reader.daemon_starts()?.pop() else { return Ok(None) };
    let schedule = match stored_schedule(reader, start.configuration, instrument) {
        Ok(Some(schedule)) => schedule,
        Ok(None) => return Ok(None),
        Err(why) => {
            tracing::warn!(instrument, "readings missed while no daemon ran are not counted: {why}");
            return Ok(None);
        }
    };
    let stopped_at = stopped_at(reader)?;
    let reason = reason(stopped_at);
    let since = last_sign(reader, instrument, start.time)?;
    let ticks = schedule.open_ticks(since, now).take(COUNTED_AT_MOST);
    Ok(GapSpan::over(ticks, &reason).map(|span| span.event(instrument)))
}

/// When the daemon before was stopped; `None` where it ended otherwise.
fn stopped_at(reader: &Reader) -> Result<Option<UtcMicros>, StoreError> {
    let newest = reader.newest_start_or_stop()?;
    Ok(newest.filter(|e| e.kind == EventKind::Stopped).map(|e| e.time))
}

/// The last instant at which the daemon before is known to have worked on an instrument.
fn last_sign(reader: &Reader, instrument: &str, started: UtcMicros) -> Result<UtcMicros, StoreError> {
    let reading = reader.newest_reading_of(instrument)?;
    let gap = reader.newest_gap_of(instrument)?.map(|gap| gap.until.unwrap_or(gap.time));
    Ok([Some(started), reading, gap].into_iter().flatten().max().unwrap_or(started))
}

fn reason(stopped_at: Option<UtcMicros>) -> GapReason {
    match stopped_at {
        Some(time) => GapReason { cause: GapCause::DaemonStopped, why: format!("the daemon was stopped at {time}") },
        None => GapReason {
            cause: GapCause::DaemonAbsent,
            why: "no daemon was running; the one before had not ended on request".to_owned(),
        },
    }
}
