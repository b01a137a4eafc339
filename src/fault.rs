//! What can go wrong at an instrument and be lived with.
//!
//! A [`Fault`] becomes a retry, or a gap with its cause; it never ends the process (errors that do have one enum per
//! room). It carries what the reader of a log needs to act: what was sent, what was expected, what was found.

use std::time::Duration;

/// Why a reading did not happen. A closed list: outsiders rely on the names.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum GapCause {
    /// The device could not be opened or went away.
    InstrumentAbsent,
    /// Another instrument answers than the calibration is for.
    InstrumentIdentity,
    /// No answer before the deadline, after the retries.
    NoAnswer,
    /// Answers that do not hold together, after the retries.
    CorruptAnswer,
    /// The tick came while another reading ran.
    Busy,
    /// The daemon was stopped.
    Stopped,
    /// The database could not take it.
    StorageFull,
    /// The clock was set while the reading ran.
    ClockStepped,
}

impl GapCause {
    /// All causes, in the order of their codes.
    pub const ALL: [Self; 8] = [
        Self::InstrumentAbsent,
        Self::InstrumentIdentity,
        Self::NoAnswer,
        Self::CorruptAnswer,
        Self::Busy,
        Self::Stopped,
        Self::StorageFull,
        Self::ClockStepped,
    ];

    /// The name outsiders see.
    pub fn name(self) -> &'static str {
        match self {
            Self::InstrumentAbsent => "instrument_absent",
            Self::InstrumentIdentity => "instrument_identity",
            Self::NoAnswer => "no_answer",
            Self::CorruptAnswer => "corrupt_answer",
            Self::Busy => "busy",
            Self::Stopped => "stopped",
            Self::StorageFull => "storage_full",
            Self::ClockStepped => "clock_stepped",
        }
    }
}

/// A recoverable fault of an instrument or its line.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Fault {
    /// The device is not there, is in use, may not be opened, or hung up.
    #[error("{path}: {why}")]
    Absent {
        /// The path of the port.
        path: String,
        /// The likely cause, in words.
        why: String,
    },
    /// Another instrument than the one expected.
    #[error("expected instrument serial number `{expected}`, but `{found}` answers")]
    Identity {
        /// Serial number the calibration is for, or that answered at connection.
        expected: String,
        /// Serial number that answers now.
        found: String,
    },
    /// Nothing, or not everything, came before the deadline.
    #[error("expected the answer to `{command}` within {waited:?}, but {found}")]
    NoAnswer {
        /// What was sent.
        command: String,
        /// How long was waited.
        waited: Duration,
        /// What came instead, e.g. `1024 of 4096 bytes came before the line went quiet`.
        found: String,
    },
    /// An answer that does not hold together.
    #[error("answer to `{command}`: expected {expected}, but found {found}")]
    Corrupt {
        /// What was sent.
        command: String,
        /// What would have been right.
        expected: String,
        /// What came.
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
    /// The cause on record when this fault is what a reading ended in.
    pub fn cause(&self) -> GapCause {
        match self {
            Self::Absent { .. } => GapCause::InstrumentAbsent,
            Self::Identity { .. } => GapCause::InstrumentIdentity,
            Self::NoAnswer { .. } => GapCause::NoAnswer,
            Self::Corrupt { .. } | Self::Refused { .. } => GapCause::CorruptAnswer,
            Self::Stopped => GapCause::Stopped,
        }
    }

    /// Whether this is the trouble of before once more, however long was waited and whatever rubbish came this time.
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

    /// Identity: a log that tells a repeating fault once is not fooled by spans and bytes that differ each time.
    #[test]
    fn a_fault_repeats_whatever_its_details() {
        let silent = |ms| Fault::NoAnswer {
            command: "*IDN?".into(),
            waited: Duration::from_millis(ms),
            found: "nothing came".into(),
        };
        let rubbish =
            |found: &str| Fault::Corrupt { command: "*IDN?".into(), expected: "1".into(), found: found.into() };
        let absent = |why: &str| Fault::Absent { path: "line".into(), why: why.into() };
        assert!(silent(2000).repeats(&silent(2001)) && rubbish("x").repeats(&rubbish("y")));
        assert!(!silent(1).repeats(&rubbish("x")) && !absent("no such device").repeats(&absent("in use")));
        assert!(absent("in use").repeats(&absent("in use")));
    }
}
