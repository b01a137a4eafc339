//! How a tick of the schedule ends.
//!
//! Pure. A fault of the instrument is data here: it becomes the cause of a gap, never an error of the process.

use crate::exposure::Gate;
use crate::fault::{Fault, GapCause};
use crate::store::StoreError;

/// How a tick ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TickOutcome {
    /// Its reading is on the disk.
    Stored,
    /// Its reading is in memory, until the database can take it.
    Queued,
    /// No reading: a gap.
    Gap(GapReason),
    /// No reading is due: a gate is closed. Darks may have been taken.
    NotDue,
    /// The stop flag was raised before there was anything to store: a gap, and the loop ends.
    Shutdown,
}

/// Why a reading did not happen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GapReason {
    /// The cause on record.
    pub cause: GapCause,
    /// In words.
    pub why: String,
}

impl GapReason {
    /// The tick came while the reading before it, or its darks, still ran.
    pub fn busy() -> Self {
        Self { cause: GapCause::Busy, why: "the reading before it, or its darks, still ran".to_owned() }
    }

    /// The clock was set while the reading ran: its times are not known.
    pub fn clock_stepped() -> Self {
        Self { cause: GapCause::ClockStepped, why: "the clock was set while the reading ran".to_owned() }
    }

    /// The loop ended in an error before this tick.
    pub fn loop_ended(error: &str) -> Self {
        let why = format!("the loop of this instrument ended in an error and was started again: {error}");
        Self { cause: GapCause::Stopped, why }
    }
}

impl From<&Fault> for GapReason {
    fn from(fault: &Fault) -> Self {
        Self { cause: fault.cause(), why: fault.to_string() }
    }
}

impl TickOutcome {
    /// Of a tick whose reading a fault prevented.
    pub fn of_fault(fault: &Fault, gate: Gate) -> Self {
        match (gate, fault) {
            (Gate::Closed, _) => Self::NotDue,
            (Gate::Open, Fault::Stopped) => Self::Shutdown,
            (Gate::Open, fault) => Self::Gap(fault.into()),
        }
    }

    /// Of a tick at which the store could not take what the reading depends on. The error must be one that can be waited for.
    pub fn of_full_store(error: &StoreError, gate: Gate) -> Self {
        match gate {
            Gate::Closed => Self::NotDue,
            Gate::Open => Self::Gap(GapReason { cause: GapCause::StorageFull, why: error.to_string() }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn absent() -> Fault {
        Fault::Absent { path: "/dev/example".into(), why: "no such device".into() }
    }

    /// A fault at a tick that is due is a gap with the fault's cause and text.
    #[test]
    fn a_fault_makes_a_due_tick_a_gap_with_its_cause() {
        let TickOutcome::Gap(gap) = TickOutcome::of_fault(&absent(), Gate::Open) else { panic!("no gap") };
        assert_eq!((gap.cause, gap.why.as_str()), (GapCause::InstrumentAbsent, "/dev/example: no such device"));
    }

    /// Nothing is missed where nothing is due, whatever the instrument does.
    #[test]
    fn a_fault_behind_a_closed_gate_is_no_gap() {
        assert_eq!(TickOutcome::of_fault(&absent(), Gate::Closed), TickOutcome::NotDue);
        assert_eq!(TickOutcome::of_fault(&Fault::Stopped, Gate::Closed), TickOutcome::NotDue);
    }

    /// A stop request at a tick that is due ends the loop.
    #[test]
    fn a_stop_request_is_a_shutdown() {
        assert_eq!(TickOutcome::of_fault(&Fault::Stopped, Gate::Open), TickOutcome::Shutdown);
    }

    /// A full disk costs a reading that is due, and no other.
    #[test]
    fn a_full_store_is_a_gap_only_where_a_reading_is_due() {
        let full = StoreError::StorageFull { doing: "storing a calibration", cause: rusqlite::Error::InvalidQuery };
        assert!(full.can_wait());
        let TickOutcome::Gap(gap) = TickOutcome::of_full_store(&full, Gate::Open) else { panic!("no gap") };
        assert_eq!((gap.cause, gap.why), (GapCause::StorageFull, full.to_string()));
        assert_eq!(TickOutcome::of_full_store(&full, Gate::Closed), TickOutcome::NotDue);
    }

    /// Every cause of a fault has its own cause of a gap, so that a gap can be told apart years later.
    #[test]
    fn every_fault_keeps_its_cause_on_record() {
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
