//! Recoverable faults of an instrument or its line, and causes of gaps.
//!
//! A [`Fault`] leads to a retry or becomes the cause of a gap; it never ends the process. Errors that end an instrument's loop or
//! the process belong to the error enum of their module. A fault carries what an operator needs: what was sent, what was
//! expected, what was found.

use std::time::Duration;

/// Why a reading was not taken. A closed list: its names are interface.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum GapCause {
    /// The device could not be opened or disappeared.
    InstrumentAbsent,
    /// Another instrument answers than the one that the calibration is for.
    InstrumentIdentity,
    /// No answer before the deadline, after all retries.
    NoAnswer,
    /// Inconsistent answers, after all retries.
    CorruptAnswer,
    /// Another reading was running at the tick.
    Busy,
    /// The daemon was stopping.
    Stopped,
    /// The database could not store the reading.
    StorageFull,
    /// The database file was missing.
    StorageMissing,
    /// The clock was set during the reading, or over the tick.
    ClockStepped,
    /// The process, or the machine, was suspended at the tick.
    ProcessSuspended,
    /// No daemon was running: it had been stopped on request.
    DaemonStopped,
    /// No daemon was running: the one before had not ended on request.
    DaemonAbsent,
}

impl GapCause {
    /// All causes, in the order of their codes.
    pub const ALL: [Self; 12] = [
        Self::InstrumentAbsent,
        Self::InstrumentIdentity,
        Self::NoAnswer,
        Self::CorruptAnswer,
        Self::Busy,
        Self::Stopped,
        Self::StorageFull,
        Self::StorageMissing,
        Self::ClockStepped,
        Self::ProcessSuspended,
        Self::DaemonStopped,
        Self::DaemonAbsent,
    ];

    /// The name in the database, in JSON and in CSV.
    pub fn name(self) -> &'static str {
        match self {
            Self::InstrumentAbsent => "instrument_absent",
            Self::InstrumentIdentity => "instrument_identity",
            Self::NoAnswer => "no_answer",
            Self::CorruptAnswer => "corrupt_answer",
            Self::Busy => "busy",
            Self::Stopped => "stopped",
            Self::StorageFull => "storage_full",
            Self::StorageMissing => "storage_missing",
            Self::ClockStepped => "clock_stepped",
            Self::ProcessSuspended => "process_suspended",
            Self::DaemonStopped => "daemon_stopped",
            Self::DaemonAbsent => "daemon_absent",
        }
    }
}

/// A recoverable fault of an instrument or its line.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Fault {
    /// The device does not exist, is in use, may not be opened, or hung up.
    #[error("{path}: {why}")]
    Absent {
        /// The path of the port.
        path: String,
        /// The likely cause.
        why: String,
    },
    /// Another instrument than expected.
    #[error("expected instrument serial number `{expected}`, but `{found}` answers")]
    Identity {
        /// Serial number the calibration is for, or that answered at connection.
        expected: String,
        /// Serial number that answers now.
        found: String,
    },
    /// The answer was missing or incomplete at the deadline.
    #[error("expected the answer to `{command}` within {waited:?}, but {found}")]
    NoAnswer {
        /// What was sent.
        command: String,
        /// Time waited.
        waited: Duration,
        /// What was received, e.g. `1024 of 4096 bytes came before the line went quiet`.
        found: String,
    },
    /// An inconsistent answer.
    #[error("answer to `{command}`: expected {expected}, but found {found}")]
    Corrupt {
        /// What was sent.
        command: String,
        /// The rule.
        expected: String,
        /// What was received.
        found: String,
    },
    /// The instrument refused a command.
    #[error("the instrument refused `{command}`: {code}, \"{text}\"")]
    Refused {
        /// What was sent.
        command: String,
        /// SCPI error code.
        code: i32,
        /// SCPI error text.
        text: String,
    },
    /// The stop flag was raised.
    #[error("stopped on request")]
    Stopped,
}

impl Fault {
    /// The cause of the gap when this fault ends a reading.
    pub fn cause(&self) -> GapCause {
        match self {
            Self::Absent { .. } => GapCause::InstrumentAbsent,
            Self::Identity { .. } => GapCause::InstrumentIdentity,
            Self::NoAnswer { .. } => GapCause::NoAnswer,
            Self::Corrupt { .. } | Self::Refused { .. } => GapCause::CorruptAnswer,
            Self::Stopped => GapCause::Stopped,
        }
    }

    /// Whether this fault is the same as `before`, apart from the time waited and the bytes received.
    pub fn repeats(&self, before: &Self) -> bool {
        match (self, before) {
            (Self::NoAnswer { command: a, found: x, .. }, Self::NoAnswer { command: b, found: y, .. }) => {
                (a, x) == (b, y)
            }
            (Self::Corrupt { command: a, .. }, Self::Corrupt { command: b, .. }) => a == b,
            (a, b) => a == b,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_repeats_whatever_its_waiting_time_and_bytes() {
        let silent = |ms| Fault::NoAnswer {
            command: "*IDN?".into(),
            waited: Duration::from_millis(ms),
            found: "nothing came".into(),
        };
        let garbled =
            |found: &str| Fault::Corrupt { command: "*IDN?".into(), expected: "1".into(), found: found.into() };
        let absent = |why: &str| Fault::Absent { path: "line".into(), why: why.into() };
        assert!(silent(2000).repeats(&silent(2001)) && garbled("x").repeats(&garbled("y")));
        assert!(!silent(1).repeats(&garbled("x")) && !absent("no such device").repeats(&absent("in use")));
        assert!(absent("in use").repeats(&absent("in use")));
    }
}
