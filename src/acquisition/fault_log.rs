//! Keeps repeated faults of one instrument out of the log: one line when a fault begins, a summary each hour, one line when it has
//! ended. Pure: returns the lines; [`Line::log`] writes one.
//!
//! Faults are told apart by their kind (a gap cause, or another short name). Invariants:
//! - A fault has ended when it has not occurred for [`QUIET_S`]; one that comes and goes stays one fault.
//! - A kind gives at most [`TEXTS_PER_HOUR`] lines an hour for faults of changed text, and two for all else.

use crate::clock::UtcMicros;
use std::collections::BTreeMap;

/// A fault that has not occurred for this long has ended [s].
const QUIET_S: f64 = 600.0;
/// Interval of the summaries [s].
const SUMMARY_S: f64 = 3600.0;
/// Lines between two summaries for a fault whose text has changed.
const TEXTS_PER_HOUR: u32 = 3;

/// The open faults of one instrument.
#[derive(Clone, Debug, Default)]
pub struct FaultLog {
    open: BTreeMap<&'static str, OpenFault>,
}

#[derive(Clone, Debug)]
struct OpenFault {
    since: UtcMicros,
    last: UtcMicros,
    text: String,
    count: u64,
    summarised: UtcMicros,
    count_summarised: u64,
    texts: u32,
}

/// One line for the log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// The kind of the fault.
    pub kind: &'static str,
    /// Occurrences since it began.
    pub count: u64,
    /// When it began.
    pub since: UtcMicros,
    /// The whole line.
    pub text: String,
    /// Whether the fault has ended.
    pub ended: bool,
}

impl Line {
    /// Writes the line, with its parts as fields.
    pub fn log(&self, instrument: &str) {
        let Self { kind, count, since, text, ended } = self;
        if *ended {
            tracing::info!(instrument, fault = kind, count, %since, "{text}");
        } else {
            tracing::warn!(instrument, fault = kind, count, %since, "{text}");
        }
    }
}

impl FaultLog {
    /// A fault occurred at `now`. new_text: its text differs from before in more than numbers.
    pub fn occurred(&mut self, kind: &'static str, text: &str, new_text: bool, now: UtcMicros) -> Option<Line> {
        self.occurred_times(kind, text, (1, new_text), now)
    }

    /// The same for several occurrences at once.
    pub fn occurred_times(
        &mut self,
        kind: &'static str,
        text: &str,
        (times, new_text): (u64, bool),
        now: UtcMicros,
    ) -> Option<Line> {
        let Some(fault) = self.open.get_mut(kind) else {
            let fault = OpenFault {
                since: now,
                last: now,
                text: text.to_owned(),
                count: times,
                summarised: now,
                count_summarised: times,
                texts: 0,
            };
            self.open.insert(kind, fault);
            return Some(Line { kind, count: times, since: now, text: text.to_owned(), ended: false });
        };
        fault.count += times;
        // A tick that was missed lies before the attempt that failed.
        fault.last = fault.last.max(now);
        text.clone_into(&mut fault.text);
        if !new_text || fault.texts >= TEXTS_PER_HOUR {
            return None;
        }
        fault.texts += 1;
        Some(fault.line(kind, text.to_owned()))
    }

    /// The lines that are due at `now`: summaries, and ends of faults.
    pub fn due(&mut self, now: UtcMicros) -> Vec<Line> {
        let mut lines = Vec::new();
        self.open.retain(|kind, fault| {
            // The clock may have been set: a fault of the future is as long ago as it lies ahead.
            if now.seconds_since(fault.last).abs() >= QUIET_S {
                lines.extend(fault.end(kind));
                return false;
            }
            if now.seconds_since(fault.summarised).abs() >= SUMMARY_S {
                lines.push(fault.summary(kind, now));
            }
            true
        });
        lines
    }
}

impl OpenFault {
    fn line(&self, kind: &'static str, text: String) -> Line {
        Line { kind, count: self.count, since: self.since, text, ended: false }
    }

    fn summary(&mut self, kind: &'static str, now: UtcMicros) -> Line {
        let recent = self.count - self.count_summarised;
        (self.summarised, self.count_summarised, self.texts) = (now, self.count, 0);
        let text = format!(
            "{kind}: {recent} times in the last hour, {} since {}; the last: {}",
            self.count, self.since, self.text
        );
        self.line(kind, text)
    }

    /// The line of a fault that has ended. One that occurred once ended with its own line.
    fn end(&self, kind: &'static str) -> Option<Line> {
        let Self { since, last, count, .. } = self;
        let text = format!("{kind} has ended: {count} times from {since} to {last}");
        (*count > 1).then(|| Line { ended: true, ..self.line(kind, text) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOON: UtcMicros = UtcMicros(1_782_043_200_000_000); // 2026-06-21T12:00:00Z

    fn minute(n: u32) -> UtcMicros {
        NOON.plus_seconds(60.0 * f64::from(n))
    }

    fn texts(lines: impl IntoIterator<Item = Line>) -> Vec<String> {
        lines.into_iter().map(|l| l.text).collect()
    }

    /// Two and a half hours of a fault each minute: its beginning, two summaries and its end.
    #[test]
    fn a_repeated_fault_is_logged_when_it_begins_each_hour_and_when_it_has_ended() {
        let (mut log, mut lines) = (FaultLog::default(), Vec::new());
        for n in 0..300 {
            if n < 150 {
                lines.extend(log.occurred("busy", "the previous reading was in progress", false, minute(n)));
            }
            lines.extend(log.due(minute(n)));
        }
        assert_eq!(
            texts(lines),
            [
                "the previous reading was in progress",
                "busy: 60 times in the last hour, 61 since 2026-06-21T12:00:00Z; the last: the previous reading was in progress",
                "busy: 60 times in the last hour, 121 since 2026-06-21T12:00:00Z; the last: the previous reading was in progress",
                "busy has ended: 150 times from 2026-06-21T12:00:00Z to 2026-06-21T14:29:00Z",
            ]
        );
    }

    /// A fault at every second tick of a day is one fault: 25 lines, not 1440.
    #[test]
    fn a_fault_that_comes_and_goes_is_one_fault() {
        let (mut log, mut lines) = (FaultLog::default(), 0);
        for n in 0..1440 {
            if n % 2 == 0 {
                lines += usize::from(log.occurred("no_answer", "nothing came", false, minute(n)).is_some());
            }
            lines += log.due(minute(n)).len();
        }
        assert_eq!(lines, 1 + 23);
    }

    /// A changed text is logged at once, but not without limit; a single fault has no line for its end.
    #[test]
    fn changed_texts_are_logged_up_to_a_limit() {
        let mut log = FaultLog::default();
        let said = (0..10).filter(|n| {
            let text = ["no such device", "in use"][*n as usize % 2];
            log.occurred("instrument_absent", text, true, minute(*n)).is_some()
        });
        assert_eq!(said.count() as u32, 1 + TEXTS_PER_HOUR);
        let mut once = FaultLog::default();
        assert!(once.occurred("busy", "once", false, NOON).is_some());
        assert_eq!(once.due(minute(30)), []);
        assert!(once.occurred("busy", "again", false, minute(31)).is_some());
    }

    /// Ticks that were missed during a long attempt are recorded after it, with their own times: the fault goes on.
    #[test]
    fn ticks_of_the_past_do_not_end_a_fault() {
        let mut log = FaultLog::default();
        assert!(log.occurred("no_answer", "nothing came", true, minute(35)).is_some());
        assert_eq!(log.occurred("no_answer", "nothing came", false, minute(1)), None);
        assert_eq!(log.due(minute(36)), []);
    }

    /// A clock that is set back by a day neither silences the log nor fills it.
    #[test]
    fn a_clock_that_is_set_ends_a_fault_at_once() {
        let mut log = FaultLog::default();
        log.occurred("busy", "text", false, NOON);
        log.occurred("busy", "text", false, minute(1));
        let lines = log.due(NOON.plus_seconds(-86_400.0));
        assert!(lines.len() == 1 && lines[0].ended, "{lines:?}");
    }
}
