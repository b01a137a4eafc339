//! What is on record beside readings: gaps, refused darks, link faults, restarts, changes.

use crate::clock::UtcMicros;
use crate::fault::GapCause;

/// One entry of the station's logbook.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// When it happened, or when the span began.
    pub time: UtcMicros,
    /// When the span ended; `None` for a moment.
    pub until: Option<UtcMicros>,
    /// The instrument it is about; `None` for the whole station.
    pub instrument: Option<String>,
    /// What kind it is.
    pub kind: EventKind,
    /// What a person should read.
    pub text: String,
}

/// The kinds of events; names are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum EventKind {
    /// A reading that did not happen.
    Gap(GapCause),
    /// A dark that was refused.
    DarkRefused,
    /// An exchange that had to be repeated, or a connection that was lost or regained.
    LinkFault,
    /// The daemon started.
    Started,
    /// The daemon stopped on request.
    Stopped,
    /// Another configuration is in force.
    ConfigurationChanged,
    /// Another calibration is in force.
    CalibrationChanged,
    /// A tracker passed or left its limit.
    Drift,
    /// The owner's remark.
    Note,
}

impl EventKind {
    /// The name outsiders see; a gap's cause stands in a column of its own.
    pub fn name(self) -> &'static str {
        match self {
            Self::Gap(_) => "gap",
            Self::DarkRefused => "dark_refused",
            Self::LinkFault => "link_fault",
            Self::Started => "started",
            Self::Stopped => "stopped",
            Self::ConfigurationChanged => "configuration_changed",
            Self::CalibrationChanged => "calibration_changed",
            Self::Drift => "drift",
            Self::Note => "note",
        }
    }
    /// The gap's cause, where it is one.
    pub fn cause(self) -> Option<GapCause> {
        match self {
            Self::Gap(cause) => Some(cause),
            _ => None,
        }
    }
    /// From the stored name and cause.
    pub fn from_names(kind: &str, cause: Option<&str>) -> Option<Self> {
        if kind == "gap" {
            return GapCause::ALL.into_iter().find(|c| Some(c.name()) == cause).map(Self::Gap);
        }
        [
            Self::DarkRefused,
            Self::LinkFault,
            Self::Started,
            Self::Stopped,
            Self::ConfigurationChanged,
            Self::CalibrationChanged,
            Self::Drift,
            Self::Note,
        ]
        .into_iter()
        .find(|k| k.name() == kind)
    }
}
