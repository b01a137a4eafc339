//! The outcome of a tick of the schedule. Pure.
//!
//! A fault of the instrument becomes the cause of a gap, not an error of the process.

use crate::exposure::Gate;
use crate::fault::{Fault, GapCause};
use crate::store::StoreError;

/// The outcome of a tick.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TickOutcome {
    /// The reading was stored.
    Stored,
    /// The reading was queued in memory.
    Queued,
    /// No reading was taken: a gap.
    Gap(GapReason),
    /// No reading was due, because a gate is closed. Darks may have been taken.
    NotDue,
    /// A stop was requested before a frame was complete: a gap, and the end of the loop.
    Shutdown,
}

/// Why a tick has no reading.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GapReason {
    /// The stored cause.
    pub cause: GapCause,
    /// Description.
    pub why: String,
}

impl GapReason {
    /// The previous reading or its darks were in progress.
    pub fn busy() -> Self {
        Self { cause: GapCause::Busy, why: "the previous reading or its darks were in progress".to_owned() }
    }

    /// The clock was set during the reading, so that its times are unknown.
    pub fn clock_stepped() -> Self {
        Self { cause: GapCause::ClockStepped, why: "the clock was set during the reading".to_owned() }
    }

    /// The clock was set past the tick.
    pub fn clock_passed_over() -> Self {
        Self { cause: GapCause::ClockStepped, why: "the clock was set forward past their times".to_owned() }
    }

    /// The process was suspended at the tick.
    pub fn suspended() -> Self {
        let why = "the process was suspended: stopped, or the machine was asleep".to_owned();
        Self { cause: GapCause::ProcessSuspended, why }
    }

    /// Whether the exchange with the instrument failed, which a suspension explains.
    pub fn is_of_the_line(&self) -> bool {
        matches!(self.cause, GapCause::NoAnswer | GapCause::CorruptAnswer)
    }

    /// The loop had ended in an error before the tick.
    pub fn loop_ended(error: &str) -> Self {
        let why = format!("the loop of this instrument ended in an error and was restarted: {error}");
        Self { cause: GapCause::Stopped, why }
    }
}

impl From<&StoreError> for GapReason {
    fn from(error: &StoreError) -> Self {
        let cause = match error {
            StoreError::FileMissing { .. } | StoreError::FileReplaced { .. } => GapCause::StorageMissing,
            _ => GapCause::StorageFull,
        };
        Self { cause, why: error.to_string() }
    }
}

impl From<&Fault> for GapReason {
    fn from(fault: &Fault) -> Self {
        Self { cause: fault.cause(), why: fault.to_string() }
    }
}

impl TickOutcome {
    /// The outcome of a tick whose reading a fault prevented.
    pub fn of_fault(fault: &Fault, gate: Gate) -> Self {
        match (gate, fault) {
            (Gate::Closed, _) => Self::NotDue,
            (Gate::Open, Fault::Stopped) => Self::Shutdown,
            (Gate::Open, fault) => Self::Gap(fault.into()),
        }
    }

    /// The outcome of a tick at which a row that the reading depends on could not be stored, by a transient error.
    pub fn of_full_store(error: &StoreError, gate: Gate) -> Self {
        match gate {
            Gate::Closed => Self::NotDue,
            Gate::Open => Self::Gap(error.into()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn absent() -> Fault {
        Fault::Absent { path: "/dev/example".into(), why: "no such device".into() }
    }

    /// A fault at a due tick is a gap with cause and text of the fault.
    #[test]
    fn a_fault_makes_a_due_tick_a_gap_with_its_cause() {
        let TickOutcome::Gap(gap) = TickOutcome::of_fault(&absent(), Gate::Open) else { panic!("no gap") };
        assert_eq!((gap.cause, gap.why.as_str()), (GapCause::InstrumentAbsent, "/dev/example: no such device"));
    }

    /// A fault with a closed gate is not a gap.
    #[test]
    fn a_fault_with_a_closed_gate_is_not_a_gap() {
        assert_eq!(TickOutcome::of_fault(&absent(), Gate::Closed), TickOutcome::NotDue);
        assert_eq!(TickOutcome::of_fault(&Fault::Stopped, Gate::Closed), TickOutcome::NotDue);
    }

    /// A stop request at a due tick ends the loop.
    #[test]
    fn a_stop_request_is_a_shutdown() {
        assert_eq!(TickOutcome::of_fault(&Fault::Stopped, Gate::Open), TickOutcome::Shutdown);
    }

    /// A full disk makes a due tick a gap.
    #[test]
    fn a_full_disk_is_a_gap_only_if_a_reading_is_due() {
        let full = StoreError::StorageFull { doing: "storing a calibration", cause: rusqlite::Error::InvalidQuery };
        assert!(full.is_transient());
        let TickOutcome::Gap(gap) = TickOutcome::of_full_store(&full, Gate::Open) else { panic!("no gap") };
        assert_eq!((gap.cause, gap.why), (GapCause::StorageFull, full.to_string()));
        assert_eq!(TickOutcome::of_full_store(&full, Gate::Closed), TickOutcome::NotDue);
    }

    /// Faults map to distinct causes of gaps.
    #[test]
    fn every_fault_maps_to_its_cause_of_a_gap() {
        let waited = std::time::Duration::from_secs(2);
        let corrupt = Fault::Corrupt { command: "*IDN?".into(), expected: "1".into(), found: "2".into() };
        for (fault, cause) in [
            (Fault::NoAnswer { command: "*IDN?".into(), waited, found: "nothing".into() }, GapCause::NoAnswer),
            (Fault::Identity { expected: "1".into(), found: "2".into() }, GapCause::InstrumentIdentity),
            (corrupt, GapCause::CorruptAnswer),
            (Fault::Refused { command: "X".into(), code: -100, text: "no".into() }, GapCause::CorruptAnswer),
        ] {
            assert_eq!(GapReason::from(&fault), GapReason { cause, why: fault.to_string() });
        }
    }
}
