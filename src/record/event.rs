//! What is on record beside readings: gaps, refused darks, link faults, restarts, changes.

use super::flag::Flag;
use crate::clock::UtcMicros;
use crate::fault::GapCause;

/// One entry of the station's reported.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// When it happened, or when the span began.
    pub time: UtcMicros,
    /// When the span ended; `None` for a moment, and for a doubt that lasts.
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
    /// Values that were made again are in force for the readings of the span.
    Recomputed,
    /// A tracker passed or left its limit.
    Drift,
    /// Room on the disk: it ran out, fell below its floor, or came back.
    Storage,
    /// Raw frames of the readings begun in the interval were deleted, as the configuration asks.
    RawPurged,
    /// The owner's remark.
    Note(NoteClass),
    /// A stretch of time about which there is a doubt, see [`super::FlaggedInterval`].
    FlaggedInterval(Flag),
}

/// What an owner's remark is about; names are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, clap::ValueEnum)]
#[value(rename_all = "snake_case")]
pub enum NoteClass {
    /// The optic was cleaned.
    Cleaned,
    /// The instrument was moved or turned.
    Moved,
    /// A lamp was replaced or changed.
    LampReplaced,
    /// Somebody works at the station: readings from then on are suspect.
    Servicing,
    /// Whoever worked at the station has left.
    ServicingOver,
    /// Anything else.
    Other,
}

impl NoteClass {
    /// Every class.
    pub const ALL: [Self; 6] =
        [Self::Cleaned, Self::Moved, Self::LampReplaced, Self::Servicing, Self::ServicingOver, Self::Other];
    /// The name outsiders see.
    pub fn name(self) -> &'static str {
        match self {
            Self::Cleaned => "cleaned",
            Self::Moved => "moved",
            Self::LampReplaced => "lamp_replaced",
            Self::Servicing => "servicing",
            Self::ServicingOver => "servicing_over",
            Self::Other => "other",
        }
    }
}

impl EventKind {
    /// The name outsiders see; the cause of a gap, a doubt's flag and a note's class stand in a column of their own.
    pub fn name(self) -> &'static str {
        match self {
            Self::Gap(_) => "gap",
            Self::DarkRefused => "dark_refused",
            Self::LinkFault => "link_fault",
            Self::Started => "started",
            Self::Stopped => "stopped",
            Self::ConfigurationChanged => "configuration_changed",
            Self::CalibrationChanged => "calibration_changed",
            Self::Recomputed => "recomputed",
            Self::Drift => "drift",
            Self::Storage => "storage",
            Self::RawPurged => "raw_purged",
            Self::Note(_) => "note",
            Self::FlaggedInterval(_) => "flagged_interval",
        }
    }
    /// The gap's cause, where it is one.
    pub fn cause(self) -> Option<GapCause> {
        match self {
            Self::Gap(cause) => Some(cause),
            _ => None,
        }
    }
    /// What stands in the column of causes: a gap's cause, a doubt's flag, a note's class.
    pub fn cause_name(self) -> Option<&'static str> {
        match self {
            Self::Gap(cause) => Some(cause.name()),
            Self::FlaggedInterval(flag) => Some(flag.name()),
            Self::Note(class) => Some(class.name()),
            _ => None,
        }
    }
    /// From the stored name and cause; a note of an unknown class is a remark.
    pub fn from_names(kind: &str, cause: Option<&str>) -> Option<Self> {
        match kind {
            "gap" => return GapCause::ALL.into_iter().find(|c| Some(c.name()) == cause).map(Self::Gap),
            "flagged_interval" => {
                return Flag::ALL.iter().copied().find(|f| Some(f.name()) == cause).map(Self::FlaggedInterval);
            }
            "note" => {
                let class = NoteClass::ALL.into_iter().find(|c| Some(c.name()) == cause);
                return Some(Self::Note(class.unwrap_or(NoteClass::Other)));
            }
            _ => {}
        }
        [
            Self::DarkRefused,
            Self::LinkFault,
            Self::Started,
            Self::Stopped,
            Self::ConfigurationChanged,
            Self::CalibrationChanged,
            Self::Recomputed,
            Self::Drift,
            Self::Storage,
            Self::RawPurged,
        ]
        .into_iter()
        .find(|k| k.name() == kind)
    }
}
