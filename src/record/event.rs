//! Events: gaps, rejected darks, link faults, restarts, changes, notes, flagged intervals.

use super::flag::Flag;
use crate::clock::UtcMicros;
use crate::fault::GapCause;

/// An event of a station or instrument.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// Time of the event, or start of an interval.
    pub time: UtcMicros,
    /// End of the interval; `None` for an instant, and for an open flagged interval.
    pub until: Option<UtcMicros>,
    /// Name of the instrument; `None` for all instruments of the station.
    pub instrument: Option<String>,
    /// Kind of the event.
    pub kind: EventKind,
    /// Text for the operator.
    pub text: String,
}

/// The kinds of events. The names are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum EventKind {
    /// Scheduled readings did not take place.
    Gap(GapCause),
    /// A dark was rejected.
    DarkRefused,
    /// An exchange was repeated, or a connection was lost or restored.
    LinkFault,
    /// The daemon started.
    Started,
    /// The daemon stopped on request.
    Stopped,
    /// Another configuration became active.
    ConfigurationChanged,
    /// Another calibration became active.
    CalibrationChanged,
    /// Recomputed values became active.
    Recomputed,
    /// A monitor exceeded its limit, or returned within it.
    Drift,
    /// The disk became full, the free space fell below its limit, or space became available again.
    Storage,
    /// The wall clock was set; from the instant that it shows, until the one that it would have shown where it was set back.
    Clock,
    /// A property of the detector was found that its answers do not state.
    Detector,
    /// Raw frames of readings that began in the interval were deleted, as configured.
    RawPurged,
    /// A note of the operator.
    Note(NoteClass),
    /// A flagged interval, see [`super::FlaggedInterval`].
    FlaggedInterval(Flag),
}

/// The class of a note. The names are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, clap::ValueEnum)]
#[value(rename_all = "snake_case")]
pub enum NoteClass {
    /// The optic was cleaned.
    Cleaned,
    /// The instrument was moved or turned.
    Moved,
    /// A lamp was replaced or changed.
    LampReplaced,
    /// Servicing begins: readings from then on are suspect.
    Servicing,
    /// Servicing has ended.
    ServicingOver,
    /// Anything else.
    Other,
}

impl NoteClass {
    /// Every class.
    pub const ALL: [Self; 6] =
        [Self::Cleaned, Self::Moved, Self::LampReplaced, Self::Servicing, Self::ServicingOver, Self::Other];
    /// The stored name.
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
    /// The kinds without a cause, flag or class.
    const PLAIN: [Self; 12] = [
        Self::DarkRefused,
        Self::LinkFault,
        Self::Started,
        Self::Stopped,
        Self::ConfigurationChanged,
        Self::CalibrationChanged,
        Self::Recomputed,
        Self::Drift,
        Self::Storage,
        Self::Clock,
        Self::Detector,
        Self::RawPurged,
    ];

    /// Every stored name, and every cause, flag and class.
    pub fn names() -> impl Iterator<Item = &'static str> {
        let causes = GapCause::ALL.into_iter().map(GapCause::name);
        let flags = Flag::ALL.iter().map(|flag| flag.name());
        let classes = NoteClass::ALL.into_iter().map(NoteClass::name);
        let own = ["gap", "note", "flagged_interval"].into_iter().chain(Self::PLAIN.into_iter().map(Self::name));
        own.chain(causes).chain(flags).chain(classes)
    }
    /// The stored name. The cause of a gap, the flag of an interval and the class of a note have a separate column.
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
            Self::Clock => "clock",
            Self::Detector => "detector",
            Self::RawPurged => "raw_purged",
            Self::Note(_) => "note",
            Self::FlaggedInterval(_) => "flagged_interval",
        }
    }
    /// The cause, if the event is a gap.
    pub fn cause(self) -> Option<GapCause> {
        match self {
            Self::Gap(cause) => Some(cause),
            _ => None,
        }
    }
    /// The value of the column `cause`: cause of a gap, flag of an interval, class of a note.
    pub fn cause_name(self) -> Option<&'static str> {
        match self {
            Self::Gap(cause) => Some(cause.name()),
            Self::FlaggedInterval(flag) => Some(flag.name()),
            Self::Note(class) => Some(class.name()),
            _ => None,
        }
    }
    /// From the stored name and cause. A note of an unknown class becomes [`NoteClass::Other`].
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
        Self::PLAIN.into_iter().find(|k| k.name() == kind)
    }
}
