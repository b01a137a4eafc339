//! Merges consecutive missed ticks of one cause into one event. Pure.
//!
//! Returns the write for a missed tick; the caller reports a successful write.

use super::tick::GapReason;
use crate::clock::UtcMicros;
use crate::fault::GapCause;
use crate::record::{Event, EventKind};

/// Consecutive ticks without a reading, of one cause.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GapSpan {
    /// The first tick.
    pub from: UtcMicros,
    /// The last tick.
    pub until: UtcMicros,
    /// Number of ticks.
    pub missed: u64,
    /// The cause, and the reason of the first tick.
    pub reason: GapReason,
}

impl GapSpan {
    /// A gap of one tick.
    pub fn of(tick: UtcMicros, reason: &GapReason) -> Self {
        Self { from: tick, until: tick, missed: 1, reason: reason.clone() }
    }

    /// Consecutive ticks; `None` where there are none.
    pub fn over(ticks: impl IntoIterator<Item = UtcMicros>, reason: &GapReason) -> Option<Self> {
        let mut ticks = ticks.into_iter();
        let mut span = Self::of(ticks.next()?, reason);
        ticks.for_each(|tick| span.extend(tick));
        Some(span)
    }

    /// Adds a tick of the same cause.
    pub fn extend(&mut self, tick: UtcMicros) {
        self.missed += 1;
        self.until = tick;
    }

    /// The cause.
    pub fn cause(&self) -> GapCause {
        self.reason.cause
    }

    /// The event of the gap.
    pub fn event(&self, instrument: &str) -> Event {
        let readings = if self.missed == 1 { "reading" } else { "readings" };
        Event {
            time: self.from,
            until: Some(self.until),
            instrument: Some(instrument.to_owned()),
            kind: EventKind::Gap(self.cause()),
            text: format!("{} {readings} missed: {}", self.missed, self.reason.why),
        }
    }
}

/// The write for a tick without a reading.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum GapWrite {
    /// Stores a new event.
    Begin(GapSpan),
    /// Extends the event in this row.
    Extend(i64, GapSpan),
}

/// The open gap, if any.
#[derive(Clone, Debug, Default)]
pub struct Gaps {
    /// Row of its event, and the gap.
    open: Option<(i64, GapSpan)>,
}

impl Gaps {
    /// Ends the open gap, after a reading.
    pub fn close(&mut self) {
        self.open = None;
    }

    /// Returns the write for a tick without a reading.
    pub fn write_for(&self, tick: UtcMicros, reason: &GapReason) -> GapWrite {
        match &self.open {
            Some((row, span)) if span.cause() == reason.cause => {
                let mut span = span.clone();
                span.extend(tick);
                GapWrite::Extend(*row, span)
            }
            _ => GapWrite::Begin(GapSpan::of(tick, reason)),
        }
    }

    /// Records that a gap was written, in this row.
    pub fn written(&mut self, row: i64, span: GapSpan) {
        self.open = Some((row, span));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOON: UtcMicros = UtcMicros(1_782_043_200_000_000); // 2026-06-21T12:00:00Z

    fn minute(n: u32) -> UtcMicros {
        NOON.plus_seconds(60.0 * f64::from(n))
    }

    fn silent(why: &str) -> GapReason {
        GapReason { cause: GapCause::NoAnswer, why: why.to_owned() }
    }

    /// Applies the write of a tick, with consecutive numbers for new rows.
    fn write(gaps: &mut Gaps, rows: &mut i64, tick: UtcMicros, reason: &GapReason) -> GapSpan {
        let (row, span) = match gaps.write_for(tick, reason) {
            GapWrite::Begin(span) => {
                *rows += 1;
                (*rows, span)
            }
            GapWrite::Extend(row, span) => (row, span),
        };
        gaps.written(row, span.clone());
        span
    }

    /// Consecutive ticks of one cause are one event, with the time range, their number and the reason of the first.
    #[test]
    fn consecutive_ticks_of_one_cause_are_one_event() {
        let (mut gaps, mut rows) = (Gaps::default(), 0);
        write(&mut gaps, &mut rows, minute(0), &silent("nothing came"));
        write(&mut gaps, &mut rows, minute(1), &silent("something else came"));
        let span = write(&mut gaps, &mut rows, minute(2), &silent("nothing came"));
        assert_eq!(rows, 1);
        let event = span.event("south");
        assert_eq!((event.time, event.until), (minute(0), Some(minute(2))));
        assert_eq!(event.text, "3 readings missed: nothing came");
    }

    /// After a reading, or with another cause, a new event begins.
    #[test]
    fn a_reading_or_another_cause_ends_a_gap() {
        let (mut gaps, mut rows) = (Gaps::default(), 0);
        write(&mut gaps, &mut rows, minute(0), &silent("nothing came"));
        gaps.close();
        let single = write(&mut gaps, &mut rows, minute(2), &silent("nothing came"));
        assert_eq!((rows, single.event("south").text.as_str()), (2, "1 reading missed: nothing came"));
        let busy = write(&mut gaps, &mut rows, minute(3), &GapReason::busy());
        assert_eq!((rows, busy.from, busy.missed), (3, minute(3), 1));
    }

    /// A gap that was not written is not extended: the next tick begins a new event.
    #[test]
    fn a_gap_that_was_not_written_is_not_extended() {
        let gaps = Gaps::default();
        let first = gaps.write_for(minute(0), &silent("nothing came"));
        assert_eq!(gaps.write_for(minute(0), &silent("nothing came")), first);
        assert!(matches!(gaps.write_for(minute(1), &silent("nothing came")), GapWrite::Begin(_)));
    }
}
