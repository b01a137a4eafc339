//! What is to be recomputed, and why a reading is not.

use crate::calibration::Calibration;
use crate::clock::UtcMicros;

/// What is to be recomputed.
#[derive(Clone, Copy, Debug)]
pub struct Request<'a> {
    /// Readings from this instant on.
    pub from: UtcMicros,
    /// Readings before this instant.
    pub to: UtcMicros,
    /// The calibration, for its instrument within its validity; `None`: the one that the active values of each reading were computed with.
    pub calibration: Option<&'a Calibration>,
    /// Threads that compute.
    pub threads: usize,
}

/// Why a reading keeps its values.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum SkipReason {
    /// Its raw frames are purged.
    NoFrames,
    /// Its frames, or a dark they need, are damaged.
    Damaged,
    /// What it was computed with is not in the database, or not understood by this program.
    Unusable,
    /// It was taken by another instrument than the calibration is for.
    OtherInstrument,
    /// It was taken before or after the calibration is valid.
    OutsideValidity,
    /// An earlier run, which was interrupted, found one of these.
    FoundBefore,
}

impl SkipReason {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::NoFrames => "no raw frames any more",
            Self::Damaged => "raw frames or a dark damaged",
            Self::Unusable => "computed with what is missing or not understood any more",
            Self::OtherInstrument => "taken by another instrument than the calibration is for",
            Self::OutsideValidity => "taken outside the calibration's validity",
            Self::FoundBefore => "found so by an earlier run, which was interrupted",
        }
    }
}
