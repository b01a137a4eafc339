//! The open flagged intervals of one instrument, and the actions that make them follow the limit states.
//!
//! Planning changes nothing here: an interval is open once the caller has stored it and reported that it did. An action that could not be
//! written is therefore planned again. Pure.

use super::action::MonitorAction;
use crate::clock::UtcMicros;
use crate::record::{Event, EventKind, Flag, FlaggedInterval, LimitState};

/// Open flagged intervals, and the quantities that exceeded limits leave unaffected.
#[derive(Clone, Debug, PartialEq)]
pub struct FlaggedIntervals {
    instrument: String,
    open: Vec<FlaggedInterval>,
    /// By flag: quantities that were unaffected in every reading since the limit was exceeded.
    unaffected: Vec<(Flag, Vec<String>)>,
}

impl FlaggedIntervals {
    /// From the open intervals in the database. Those of other instruments, and those of servicing, are ignored.
    pub fn new(instrument: &str, open: Vec<FlaggedInterval>) -> Self {
        let own = |s: &FlaggedInterval| {
            s.instrument.as_deref() == Some(instrument) && s.flag != Flag::Servicing && s.until.is_none()
        };
        Self { instrument: instrument.to_owned(), open: open.into_iter().filter(own).collect(), unaffected: Vec::new() }
    }

    /// The open intervals.
    pub fn open(&self) -> &[FlaggedInterval] {
        &self.open
    }

    /// The open interval of a pixel.
    pub fn of_pixel(&self, pixel: usize) -> Option<&FlaggedInterval> {
        self.open.iter().find(|s| s.flag == Flag::PixelFault && s.pixel == Some(pixel))
    }

    /// The quantities that a flag leaves unaffected; `None` before the first reading that was assessed.
    pub fn unaffected_by(&self, flag: Flag) -> Option<&[String]> {
        self.unaffected.iter().find(|u| u.0 == flag).map(|u| &u.1[..])
    }

    /// Records the quantities that are unaffected in one reading: a quantity that is affected in any reading is affected in the interval. While
    /// the monitor is within its limit, nothing is recorded and `unaffected` is not called.
    pub fn observe_unaffected(&mut self, flag: Flag, state: LimitState, unaffected: impl FnOnce() -> Vec<String>) {
        if state.exceeded_since.is_none() {
            self.forget(flag);
            return;
        }
        let now = unaffected();
        match self.unaffected.iter_mut().find(|u| u.0 == flag) {
            Some((_, before)) => before.retain(|id| now.contains(id)),
            None => self.unaffected.push((flag, now)),
        }
    }

    /// Discards the unaffected quantities of a flag.
    pub fn forget(&mut self, flag: Flag) {
        self.unaffected.retain(|u| u.0 != flag);
    }

    /// A new interval of this instrument, not yet stored.
    pub fn new_interval(
        &self,
        flag: Flag,
        (from, until): (UtcMicros, Option<UtcMicros>),
        unaffected: Vec<String>,
        text: String,
    ) -> FlaggedInterval {
        let instrument = Some(self.instrument.clone());
        FlaggedInterval { id: 0, from, until, instrument, pixel: None, flag, unaffected, text }
    }

    /// An event that reports the finding of a monitor.
    pub fn report(&self, time: UtcMicros, text: String) -> Event {
        Event { time, until: None, instrument: Some(self.instrument.clone()), kind: EventKind::Drift, text }
    }

    /// The action that stores an open interval and reports it.
    pub fn open_action(&self, interval: FlaggedInterval, now: UtcMicros) -> MonitorAction {
        let text = format!("{}: {}, flagged from {} on", interval.flag.name(), interval.text, interval.from);
        MonitorAction::Open { report: self.report(now, text), interval }
    }

    /// The action that makes the interval of a flag follow the limit state of its monitor. describe: the text of a new interval.
    pub fn follow(
        &self,
        flag: Flag,
        state: LimitState,
        describe: impl FnOnce() -> String,
        now: UtcMicros,
    ) -> Option<MonitorAction> {
        let open = self.open.iter().find(|s| s.flag == flag);
        let unaffected = self.unaffected_by(flag);
        match (state.exceeded_since, open) {
            (Some(from), None) => {
                let unaffected = unaffected.map(<[String]>::to_vec).unwrap_or_default();
                Some(self.open_action(self.new_interval(flag, (from, None), unaffected, describe()), now))
            }
            (Some(from), Some(open)) => {
                // More quantities may be affected in a later reading, and a second cause may have an earlier start.
                let fewer = unaffected.filter(|u| u.len() < open.unaffected.len());
                (fewer.is_some() || from < open.from).then(|| MonitorAction::Widen {
                    id: open.id,
                    from,
                    unaffected: fewer.unwrap_or(&open.unaffected).to_vec(),
                })
            }
            (None, Some(open)) => {
                let until = state.last_within_limit.unwrap_or(now);
                let text = format!("{}: within its limit again since {until}", flag.name());
                Some(MonitorAction::End { id: open.id, until, report: self.report(now, text) })
            }
            (None, None) => None,
        }
    }

    /// The caller has stored an open interval.
    pub fn opened(&mut self, interval: FlaggedInterval) {
        self.open.push(interval);
    }

    /// The caller has widened an interval; returns it.
    pub fn widened(&mut self, id: i64, from: UtcMicros, unaffected: &[String]) -> Option<&FlaggedInterval> {
        let open = self.open.iter_mut().find(|s| s.id == id)?;
        open.from = open.from.min(from);
        open.unaffected = unaffected.to_vec();
        Some(open)
    }

    /// The caller has ended an interval.
    pub fn ended(&mut self, id: i64) {
        self.open.retain(|s| s.id != id);
    }
}
