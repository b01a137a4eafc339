//! The request of a recomputation, and the reasons why a reading is skipped.

use crate::calibration::Calibration;
use crate::clock::UtcMicros;

/// The readings to be recomputed, and the calibration.
#[derive(Clone, Copy, Debug)]
pub struct Request<'a> {
    /// Start of the range.
    pub from: UtcMicros,
    /// End of the range (excluded).
    pub to: UtcMicros,
    /// The calibration, applied to readings of its instrument within its validity; `None`: the calibration of the active values
    /// of each reading.
    pub calibration: Option<&'a Calibration>,
    /// Whether colour rendering and the peak wavelength are left out, whose drawn uncertainty takes longer than all else; they are then null.
    pub without_drawn: bool,
    /// Number of worker threads.
    pub threads: usize,
}

/// Why a reading is not recomputed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum SkipReason {
    /// The raw frames were purged.
    NoFrames,
    /// A frame or dark is damaged.
    Damaged,
    /// A row that it depends on is missing, or not usable by this version of the program.
    Unusable,
    /// The calibration is for another instrument.
    OtherInstrument,
    /// The reading is outside the validity of the calibration.
    OutsideValidity,
    /// Skipped by an earlier, interrupted run for one of these reasons.
    FoundBefore,
}

impl SkipReason {
    /// Text for the operator.
    pub fn text(self) -> &'static str {
        match self {
            Self::NoFrames => "raw frames purged",
            Self::Damaged => "a raw frame or dark is damaged",
            Self::Unusable => "calibration, configuration or dark missing or not usable",
            Self::OtherInstrument => "the calibration is for another instrument",
            Self::OutsideValidity => "outside the validity of the calibration",
            Self::FoundBefore => "skipped by an earlier, interrupted run",
        }
    }
}
