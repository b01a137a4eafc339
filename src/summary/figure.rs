//! The figures of a day: identifiers, units and definitions.

use crate::clock::UtcMicros;
use serde::{Deserialize, Serialize};

/// Description of a figure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FigureInfo {
    /// Identifier: JSON key and CSV header.
    pub id: &'static str,
    /// Unit, ASCII.
    pub unit: &'static str,
    /// Definition, with its source if it is a standard.
    pub definition: &'static str,
    /// Whether it concerns ultraviolet radiation and is shown with the safety notice.
    pub ultraviolet: bool,
    /// Additional data of its value.
    pub attributes: Attributes,
}

/// Data of a value in addition to the suspect share.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Attributes {
    /// Standard uncertainty.
    pub uncertainty: bool,
    /// Share of the day with data.
    pub data_coverage: bool,
    /// Instant of an extreme.
    pub time: bool,
}

/// An integral over the day, or a share of one.
const SUM: Attributes = Attributes { uncertainty: true, data_coverage: true, time: false };
const DURATION: Attributes = Attributes { uncertainty: true, data_coverage: true, time: false };
const EXTREME: Attributes = Attributes { uncertainty: true, data_coverage: false, time: true };
const MEAN: Attributes = Attributes { uncertainty: true, data_coverage: false, time: false };
const LENGTH: Attributes = Attributes { uncertainty: false, data_coverage: false, time: false };

const fn info(id: &'static str, unit: &'static str, attributes: Attributes, definition: &'static str) -> FigureInfo {
    FigureInfo { id, unit, definition, ultraviolet: false, attributes }
}

const fn ultraviolet(
    id: &'static str,
    unit: &'static str,
    attributes: Attributes,
    definition: &'static str,
) -> FigureInfo {
    FigureInfo { id, unit, definition, ultraviolet: true, attributes }
}

/// All figures, in the order of display.
pub const FIGURES: [FigureInfo; 13] = [
    info("light_integral", "mol m-2 d-1", SUM, "daily light integral: ppfd over the day"),
    info("sun_share", "1", SUM, "share of the light integral that does not come from lamps"),
    info(
        "lamps_share",
        "1",
        SUM,
        "share of the light integral from lamps: their part of each spectrum, or where it is not known lamps_share_by_schedule",
    ),
    info(
        "lamps_share_by_schedule",
        "1",
        SUM,
        "the same without the spectra: the level of the lamps while the sun is below -6 degrees, times their scheduled time",
    ),
    info("photoperiod", "h", DURATION, "time with ppfd above daily.photoperiod_ppfd"),
    info("hours_above", "h", DURATION, "time with ppfd above daily.hours_above_ppfd"),
    info("ppfd_maximum", "umol m-2 s-1", EXTREME, "highest ppfd of a reading, and its time"),
    info("lux_hours", "lx h", SUM, "illuminance over the day"),
    ultraviolet(
        "erythemal_dose",
        "J m-2",
        SUM,
        "erythemal radiant exposure: erythemal_irradiance over the day (ISO/CIE 17166:2019)",
    ),
    ultraviolet(
        "erythemal_dose_sed",
        "SED",
        SUM,
        "erythemal_dose in standard erythema doses of 100 J m-2 (ISO/CIE 17166:2019)",
    ),
    ultraviolet(
        "uv_index_maximum",
        "1",
        EXTREME,
        "highest mean of uv_index over 30 minutes that begin or end at a reading, and the middle of this period (WHO 2002)",
    ),
    info(
        "dusk_red_far_red_ratio",
        "1",
        MEAN,
        "mean red_far_red_ratio of readings in the evening's civil twilight, sun in the west from 0 to -6 degrees, without those with lamps on by their spectrum or, where that is not known, by schedule",
    ),
    info("dusk_minutes", "min", LENGTH, "time from the first to the last of these readings"),
];

/// A figure, or the reason why it is null.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Figure {
    /// A value.
    Value {
        /// In the figure's unit.
        value: f64,
        /// Standard uncertainty (k = 1), same unit, if available. That of an integral holds the readings' as fully correlated, an
        /// upper bound, and what is not known of the light between readings; that of a duration only the latter.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        uncertainty: Option<f64>,
        /// Share that comes from suspect values [1].
        suspect_share: f64,
        /// Share of the day with data [1]; `None` for figures that are not integrals over the day.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        data_coverage: Option<f64>,
        /// Instant of an extreme.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        time: Option<UtcMicros>,
    },
    /// No value.
    Null {
        /// The reason.
        reason: String,
    },
}

impl Figure {
    /// The value, if any.
    pub fn value(&self) -> Option<f64> {
        match self {
            Self::Value { value, .. } => Some(*value),
            Self::Null { .. } => None,
        }
    }

    pub(super) fn null(reason: impl Into<String>) -> Self {
        Self::Null { reason: reason.into() }
    }
}
